"""programme.toml: what ships, what is read, and what is refused with a clear line."""

from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.new import new_round
from lawnscore.register.programme import (
    FILE_NAME,
    OnlyIf,
    programme_problems,
    read_programme,
    shipped_text,
)
from lawnscore.scoring.check import check_round


def written(folder: Path, text: str) -> Path:
    (folder / FILE_NAME).write_text(text, encoding="utf-8")
    return folder


def test_a_new_round_gets_the_programme_that_ships(tmp_path: Path) -> None:
    made = new_round(tmp_path / "round")
    assert (made.path / FILE_NAME).read_text(encoding="utf-8") == shipped_text()
    assert read_programme(made.path) == read_programme(tmp_path)  # a round without one


def test_what_ships_names_its_sources_and_never_a_pesticide(tmp_path: Path) -> None:
    programme = read_programme(tmp_path)
    assert len(programme.steps) >= 8
    assert all(step.source for step in programme.steps)
    assert "spray" not in {step.task for step in programme.steps}
    said = " ".join(f"{step.name} {step.note}" for step in programme.steps).lower()
    for word in ("herbicide", "fungicide", "insecticide", "pesticide", "moss killer", "iron"):
        assert word not in said


def test_nothing_is_fed_late_in_the_year(tmp_path: Path) -> None:
    # Late fast nitrogen raises the risk of Microdochium patch (common practice, no source).
    feeds = [step for step in read_programme(tmp_path).steps if step.task == "feed"]
    assert feeds
    assert not {11, 12, 1, 2} & {month for step in feeds for month in step.months}
    # German guideline for low wear 5 to 15, US state table 9.8 to 17.1 g N/m2 a year.
    assert 5 <= sum(step.rate or 0 for step in feeds) <= 15


def test_a_step_is_read_with_all_it_may_say(tmp_path: Path) -> None:
    text = """
    months_of = "south"
    [[step]]
    name = "x"
    task = "feed"
    months = [9, 1]
    growth_from = 0.2
    growth_to = 1
    soil_from_c = 8
    soil_to_c = 25.5
    only_if = { measure = "colour_index", below = 0.4 }
    rate = 2.5
    rate_unit = "g N/m2"
    every_days = 30
    makes_visit = true
    """
    programme = read_programme(written(tmp_path, text))
    step = programme.steps[0]
    assert programme.months(step, south=True) == (9, 1)
    assert programme.months(step, south=False) == (3, 7)
    assert step.only_if == OnlyIf("colour_index", below=0.4)
    assert (step.growth_to, step.soil_to_c, step.rate, step.every_days) == (1.0, 25.5, 2.5, 30)
    assert step.makes_visit


STEP = '[[step]]\nname = "spring feed"\ntask = "feed"\n'


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("steps = 3", "unknown key `steps`"),
        ('months_of = "east"', "`months_of` is 'east'"),
        ("step = 3", "no list of tables"),
        ("[[step]]\nname = 'x'\n", "step 1 .x.: `task` is missing"),
        ("[[step]]\ntask = 'feed'\n", "step 1: `name` is missing"),
        (STEP.replace('"feed"', '"fed"'), "unknown task `fed`"),
        (STEP + "month = [3]", "step 1 .spring feed.: unknown key `month`.*months"),
        (STEP + "months = [13]", r"`months` is \[13\]"),
        (STEP + "months = 3", "`months` is 3"),
        (STEP + "growth_from = 2", "`growth_from` is 2. It must be a number from 0 to 1"),
        (STEP + 'soil_from_c = "10"', "`soil_from_c` is '10'"),
        (STEP + "every_days = 1.5", "a whole number"),
        (STEP + "makes_visit = 1", "true or false"),
        (STEP + "rate = 3", "do not make an amount"),
        (STEP + 'rate = 3\nrate_unit = "kg"', "do not make an amount"),
        (STEP + "note = 3", "text in quotes"),
        (STEP + 'only_if = "straw"', "`only_if` is 'straw'"),
        (STEP + 'only_if = { measure = "straw_pct", above = 1 }', "Did you mean `straw_cover_pct`"),
        (STEP + 'only_if = { measure = "straw_cover_pct" }', "no value above or below"),
        (STEP + STEP, "step 2: there is a step `spring feed` already"),
        ("[[step", "not a TOML file"),
    ],
)
def test_what_will_not_do_is_told_in_one_line(tmp_path: Path, text: str, what: str) -> None:
    written(tmp_path, text)
    with pytest.raises(LawnscoreError, match=what):
        read_programme(tmp_path)
    assert len(programme_problems(tmp_path)) == 1


def test_check_names_a_broken_programme(tmp_path: Path) -> None:
    made = new_round(tmp_path / "round")
    written(made.path, STEP + "months = [0]")
    files = [problem.file for problem in check_round(made.path).problems]
    assert FILE_NAME in files
