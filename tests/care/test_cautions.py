"""Cautions stand where they belong. What they say is common practice, no source; labels decide."""

from __future__ import annotations

from pathlib import Path

import pytest

import lawnscore.care
from lawnscore.care.cautions import CAUTIONS, cautions_for
from lawnscore.contract.tables import TASKS


@pytest.mark.parametrize("job", ["feed", "iron", "spray", "mix", "spreader", "seed"])
def test_the_label_comes_first(job: str) -> None:
    assert cautions_for([job])[0].word == "label"


@pytest.mark.parametrize(
    ("job", "words"),
    [
        ("feed", {"protection", "water", "weather"}),
        ("iron", {"iron stains", "weather"}),
        ("mix", {"jar test", "spraying law", "drift"}),
        ("scarify", {"machinery"}),
        ("mow", {"machinery"}),
        ("top-dress", {"dust"}),
        ("clear casts", {"casts"}),
    ],
)
def test_cautions_stand_where_they_belong(job: str, words: set[str]) -> None:
    assert words <= {caution.word for caution in cautions_for([job])}


def test_iron_is_swept_never_rinsed() -> None:
    text = CAUTIONS["iron stains"].text
    assert "sweep" in text
    assert "never rinse" in text


def test_each_caution_comes_once_and_is_one_line() -> None:
    both = cautions_for(["feed", "spray", "iron"])
    assert len(both) == len({caution.word for caution in both})
    assert all("\n" not in caution.text for caution in CAUTIONS.values())


def test_every_job_is_a_task_or_a_kind_of_arithmetic() -> None:
    known = {*TASKS, "iron", "spreader", "mix", "seed"}
    assert {job for caution in CAUTIONS.values() for job in caution.when} <= known


def test_no_active_ingredient_is_named_anywhere_in_the_room() -> None:
    """A care package that never recommends a pesticide has no reason to name one."""
    names = ("glyphosate", "2,4-d", "mcpa", "dicamba", "imidacloprid", "carbendazim", "saponin")
    for file in Path(lawnscore.care.__path__[0]).rglob("*.py"):
        text = file.read_text(encoding="utf-8").lower()
        assert not [name for name in names if name in text], file.name


@pytest.mark.parametrize("job", ["feed", "iron", "spray", "mix"])
def test_people_keep_off_as_long_as_the_label_says_and_until_it_is_dry(job: str) -> None:
    text = " ".join(caution.text for caution in cautions_for([job]))
    assert "off the grass for as long as the label says, and at least until it is dry" in text
