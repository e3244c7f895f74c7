from __future__ import annotations

import json
from pathlib import Path

from typer.testing import CliRunner, Result

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError

APP = build_app()


def test_one_document_on_stdout(small_demo: tuple[Path, Result]) -> None:
    folder, result = small_demo
    assert "Writing the reports." in result.stderr
    # scoring has drawn the pictures, so that the report need not score all photos again
    assert "2 of 2 pictures and lawns done" in result.stderr
    assert len(list((folder / ".lawnscore" / "pictures").glob("*-seen.jpg"))) == 6
    found = json.loads(result.stdout)
    assert found["invented"] is True
    assert found["photos"] == found["truth"]["photos"] == 7
    assert found["truth"]["missing"] == []
    assert Path(found["reports"]).is_file()
    assert (folder / "reports" / "photo_scores.csv").is_file()
    page = (folder / "reports" / "checked.html").read_text(encoding="utf-8")
    assert "How right are these numbers on your lawns?" in page
    assert "invented" in (folder / "points.csv").read_text(encoding="utf-8")
    letters = sorted(p.name for d in ("complaints", "surveys") for p in
                     (folder / "reports" / d).iterdir())  # fmt: skip
    assert letters == ["alder-bank.html", "alder-bank.pdf",
                       "brook-end--2025-08-05.html", "brook-end--2025-08-05.pdf"]  # fmt: skip


def test_just_those_made_to_be_refused_are_refused(small_demo: tuple[Path, Result]) -> None:
    _, result = small_demo
    truth = json.loads(result.stdout)["truth"]
    assert truth["refused_rightly"] == 1
    assert truth["refused_wrongly"] == truth["scored_wrongly"] == []
    assert result.exit_code == 0


def test_scores_are_near_the_truth(small_demo: tuple[Path, Result]) -> None:
    """The bar of the whole demo is 3 points, root mean square; six small photos get 4."""
    _, result = small_demo
    truth = json.loads(result.stdout)["truth"]
    assert truth["compared"] == 6
    assert truth["cover_rmse"] < 4.0


def test_second_run_makes_and_scores_nothing_and_says_where_to_look(
    small_demo: tuple[Path, Result],
) -> None:
    folder, _ = small_demo
    result = CliRunner().invoke(APP, ["demo", str(folder), "--small", "--workers", "1"])
    assert "7 known from an earlier run" in result.stdout
    last = result.stdout.strip().splitlines()[-3:]
    assert "index.html" in last[0]
    assert "truth.csv" in last[1]
    assert "invented" in last[2]


def test_foreign_folder_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("x")
    result = CliRunner().invoke(APP, ["demo", str(tmp_path)])
    assert isinstance(result.exception, LawnscoreError)
    assert "Name a new folder" in result.exception.line()
