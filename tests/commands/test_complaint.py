"""The commands of complaints, surveys, places and the programme as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.new import new_round
from lawnscore.register.register import read_register
from tests.report.invented import LAST_DAY, RoundMaker, write_round


def run(*words: object) -> Result:
    return CliRunner().invoke(build_app(), [str(word) for word in words])


@pytest.fixture
def scored(tmp_path: Path) -> Path:
    maker = RoundMaker()
    maker.lawn("A", n_visits=3, renovate=False)
    return write_round(tmp_path / "round", maker.frames())


def test_a_complaint_is_written_down_and_answered(scored: Path) -> None:
    said = ("--date", "1.5.2025", "--lawn", "a", "--said", "Full of moss")
    added = run("add-complaint", scored, *said, "--json")
    assert added.exit_code == 0, added.output
    assert json.loads(added.stdout)["values"]["date"] == "2025-05-01"
    answer = run("complaint", scored, "A", "--pdf", "--today", LAST_DAY)
    assert answer.exit_code == 0, answer.output
    written = [Path(line) for line in answer.stdout.splitlines()]
    assert [path.suffix for path in written] == [".html", ".pdf"]
    assert "Full of moss" in written[0].read_text(encoding="utf-8")
    assert written[1].read_bytes().startswith(b"%PDF")


def test_a_survey_is_written(scored: Path) -> None:
    found = json.loads(run("survey", scored, "A", "--today", LAST_DAY, "--json").stdout)
    assert found["lawn"] == "A"
    assert found["photos_of"] == "2025-03-10"
    assert [Path(path).name for path in found["written"]] == ["A.html"]


def test_places_may_be_typed_with_a_sign(tmp_path: Path) -> None:
    base = new_round(tmp_path / "round").path
    where = ("--latitude-deg", "-37.81", "--longitude-deg", "144,96")
    assert run("add-lawn", base, "elm", *where).exit_code == 0
    row = read_register(base).lawns.iloc[0]
    assert (row["latitude_deg"], row["longitude_deg"]) == (-37.81, 144.96)


def test_next_names_the_programme_that_it_uses(scored: Path) -> None:
    hint = "`lawnscore new` writes it to edit"
    assert hint in run("next", scored, "--today", LAST_DAY).stderr
    new_round(scored)
    assert hint not in run("next", scored, "--today", LAST_DAY).stderr
    (scored / "programme.toml").write_text("[[step]]\nname = 'x'\ntask = 'fed'\n")
    error = run("next", scored, "--today", LAST_DAY).exception
    assert isinstance(error, LawnscoreError)
    assert "step 1 (x): unknown task `fed`. Did you mean `feed`?" in error.line()


def test_what_cannot_be_answered_is_one_line(tmp_path: Path) -> None:
    base = new_round(tmp_path / "round").path
    for words in (("complaint", base, "A"), ("survey", base, "A")):
        error = run(*words).exception
        assert isinstance(error, LawnscoreError)
        assert "\n" not in error.line()
