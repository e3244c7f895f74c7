"""Each command loads what it needs: `--help` no library of numbers, cards no tables."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from lawnscore.scoring.batch import score_round
from tests.scoring.rounds import Counting, new_round, put_photo

ROOT = Path(__file__).parents[2]
RUN = "from lawnscore.commands.main import run\nrun()"
NUMBERS = {"cv2", "numpy", "pandas", "scipy", "skimage", "PIL", "pyarrow", "sqlite3"}
PAGES = {"babel", "jinja2", "matplotlib", "openpyxl", "reportlab"}
ALL = NUMBERS | PAGES | {"pint"}


def imported(*words: object) -> set[str]:
    """Return the packages that a command loads, as Python's own `-X importtime` tells."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", RUN, *map(str, words)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    )
    names = re.findall(r"^import time:.*\| +([\w.]+)$", done.stderr, flags=re.M)
    assert done.returncode == 0, done.stderr[-2000:]
    assert "lawnscore" in names
    return {name.partition(".")[0] for name in names}


@pytest.mark.parametrize(
    ("words", "never"),
    [
        (["--help"], ALL),
        (["--version"], ALL),
        (["report", "--help"], ALL),
        (["care", "spray", "--help"], ALL),
        (["card", "OUT/card.pdf"], ALL - {"cv2", "numpy", "PIL", "reportlab"}),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_command_loads_no_more_than_it_needs(
    words: list[str], never: set[str], tmp_path: Path
) -> None:
    assert not imported(*(word.replace("OUT", str(tmp_path)) for word in words)) & never


def test_the_check_sees_what_is_loaded(tmp_path: Path) -> None:
    assert {"numpy", "reportlab"} <= imported("card", tmp_path / "card.pdf")


def test_an_unchanged_round_is_scored_without_what_only_its_tables_need(tmp_path: Path) -> None:
    base = new_round(tmp_path / "round")
    put_photo(base)
    score_round(base, scorer=Counting())
    run = subprocess.run([sys.executable, "-c", RUN, "score", base], cwd=ROOT, check=False)
    assert run.returncode == 0
    assert not imported("score", base) & {"scipy", "skimage"}
