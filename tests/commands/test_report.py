from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import OUTPUT_TABLES
from lawnscore.scoring.tables import write_table

ROW = {"lawn": "A", "zone": "all", "date": "2025-03-01", "stage": "check"}


@pytest.fixture
def scored(tmp_path: Path) -> Path:
    (tmp_path / "round.toml").write_text("", encoding="utf-8")
    rows = {
        "photo_scores": [
            {**ROW, "photo": "photos/A/all/2025-03-01-check/a.jpg", "status": "refused"}
            | {"reason": "blurred", "version": "0", "settings_id": "x"}
        ],
        "visit_scores": [{**ROW, "photos": 0, "refused": 1}],
    }
    for name, table in OUTPUT_TABLES.items():
        write_table(tmp_path, name, table.frame(rows.get(name, [])))
    return tmp_path


def run(*arguments: str):
    return CliRunner().invoke(build_app(), ["report", *arguments])


def test_the_page_is_written_and_named(scored: Path) -> None:
    result = run(str(scored))
    assert result.exit_code == 0
    assert result.stdout.strip() == str(scored / "reports" / "index.html")
    assert (scored / "reports" / "customers" / "A.html").exists()


def test_json_is_one_document(scored: Path) -> None:
    result = run(str(scored), "--json", "--pdf", "--lawn", "A")
    data = json.loads(result.stdout)
    assert data["lawns"] == 1
    assert str(scored / "reports" / "customers" / "A.pdf") in data["written"]
    assert json.loads(run(str(scored), "--json", "--pdf", "--lawn", "A").stdout)["written"] == []


def test_an_unknown_lawn_is_an_error_the_user_can_mend(scored: Path) -> None:
    result = run(str(scored), "--lawn", "Z")
    assert isinstance(result.exception, LawnscoreError)


def test_the_refusal_and_its_advice_are_on_the_lawns_page(scored: Path) -> None:
    run(str(scored))
    page = (scored / "reports" / "lawns" / "A.html").read_text(encoding="utf-8")
    assert "refused: blurred" in page
    assert "Wipe the lens" in page


def test_an_unknown_choice_of_pictures_says_what_there_is(scored: Path) -> None:
    result = run(str(scored), "--pictures", "some")
    assert isinstance(result.exception, LawnscoreError)
    assert "`pairs`" in result.exception.line()
    assert run(str(scored), "--pictures", "pairs").exit_code == 0


def test_open_shows_the_page(scored: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    monkeypatch.setattr("typer.launch", opened.append)
    run(str(scored), "--open", "--lawn", "A")
    assert opened == [str(scored / "reports" / "customers" / "A.html")]
