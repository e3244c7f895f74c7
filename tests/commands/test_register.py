"""`new`, `add-lawn`, `add-work` and `check` on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError


def run(*words: object, code: int = 0) -> str:
    result = CliRunner().invoke(build_app(), [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == code, result.output
    return result.stdout


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    run("new", tmp_path / "round")
    run("add-lawn", tmp_path / "round", "mill-lane-3", "--zone", "front", "--area", 140)
    return tmp_path / "round"


def test_from_an_empty_folder_to_a_checked_round(folder: Path) -> None:
    said = run(
        "add-work", folder, "--date", "5.3.2026", "--lawn", "mill-lane-3", "--zone", "front",
        "--task", "feed", "--npk", "4-2-8", "--rate", 30, "--rate-unit", "g/m2",
        "--product", "spring feed",
    )  # fmt: skip
    assert "date 2026-03-05" in said
    assert "k2o_pct 8" in said
    assert run("check", folder) == "No problem in 1 zone, 1 task, 0 photos.\n"


def test_json_is_one_document(folder: Path, tmp_path: Path) -> None:
    made = json.loads(run("new", tmp_path / "other", "--json"))
    assert "round.toml" in made["made"]
    added = json.loads(run("add-lawn", folder, "elm-row-9", "--json"))
    assert (added["row"], added["values"]["zone"], added["values"]["area_m2"]) == (8, "all", None)
    found = json.loads(run("check", folder, "--json", code=1))
    assert found["problems"] == [
        {
            "file": "lawns.csv",
            "row": 8,
            "column": "area_m2",
            "what": "no area",
            "mend": "Measure the zone; amounts and reports need it.",
        }
    ]


def test_problems_are_lines_and_a_status(folder: Path) -> None:
    (folder / "work.csv").write_text("date,lawn,zone,task\n2026-02-30,mill-lane-3,front,mow\n")
    said = run("check", folder, code=1)
    assert "  work.csv, row 2, column date: `2026-02-30` is no day of the calendar." in said
    assert said.endswith("1 problem in 1 zone, 0 tasks, 0 photos.\n")


def test_nothing_can_be_done(folder: Path) -> None:
    with pytest.raises(LawnscoreError, match="a round already"):
        run("new", folder)
    with pytest.raises(LawnscoreError, match="no such round"):
        run("check", folder / "nowhere")
