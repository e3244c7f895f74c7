"""The table of refusals is what the code does: held to its source and to the checks of a photo."""

from __future__ import annotations

import ast
import inspect
from pathlib import Path
from types import ModuleType

import pytest

from lawnscore.contract.reasons import REASONS
from lawnscore.photo import (
    absent,
    chart,
    colour,
    daylight,
    find,
    ground,
    markers,
    quality,
    read,
    sharpness,
)
from lawnscore.photo.refusals import REFUSALS
from lawnscore.photo.score import score_photo
from tests.photo import rendered

FOLDER = Path(read.__file__).parent
STAGES = ("read", "find", "colour", "ground", "classes")
REFUSING = (absent, chart, colour, daylight, find, ground, markers, quality, read, sharpness)
THROUGH_ANOTHER = {("lawnscore.photo.find", "blurred")}
"""Said by a check that the module calls, so that the word is not in its source."""


def words_of(module: ModuleType) -> set[str]:
    """Reasons that a module's source says."""
    tree = ast.parse(inspect.getsource(module))
    texts = {n.value for n in ast.walk(tree) if isinstance(n, ast.Constant)}
    return {text for text in texts if text in REASONS}


@pytest.mark.parametrize("module", REFUSING, ids=lambda m: m.__name__)
def test_a_module_refuses_for_what_the_table_says(module: ModuleType) -> None:
    name = module.__name__
    listed = {row.reason for row in REFUSALS if row.function.__module__ == name}
    assert listed == words_of(module) | {word for m, word in THROUGH_ANOTHER if m == name}


def test_no_other_module_refuses() -> None:
    raising = {p.stem for p in FOLDER.glob("*.py") if "PhotoRefused(" in p.read_text("utf-8")}
    assert raising - {"checks"} <= {m.__name__.rpartition(".")[2] for m in REFUSING}


def test_every_reason_but_a_fault_of_the_program_is_in_the_table_and_stages_follow() -> None:
    assert {row.reason for row in REFUSALS} == set(REASONS) - {"failed"}
    order = [STAGES.index(row.stage) for row in REFUSALS]
    assert order == sorted(order)


def test_every_check_there_is_stands_in_the_table() -> None:
    written = {
        getattr(module, name)
        for module in (daylight, quality, sharpness)
        for name in vars(module)
        if name.startswith("check_")
    }
    assert written == {row.function for row in REFUSALS if row.takes}


def test_every_check_of_the_table_is_made_of_a_photo_in_its_order(tmp_path: Path) -> None:
    rendered.good().save_jpeg(tmp_path / "good.jpg")
    score = score_photo(tmp_path / "good.jpg")
    assert [check.reason for check in score.checks] == [r.reason for r in REFUSALS if r.takes]
    assert len({check.what for check in score.checks}) == len(score.checks)
