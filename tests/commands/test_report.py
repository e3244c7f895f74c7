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


@pytest.fixture
def customer(scored: Path) -> Path:
    """A round with a visit that is news, and its customer."""
    visit = {**ROW, "photos": 1, "refused": 0, "green_cover_pct": 80.0}
    write_table(scored, "visit_scores", OUTPUT_TABLES["visit_scores"].frame([visit]))
    (scored / "round.toml").write_text('[report]\nemail = "me@example.net"\n')
    (scored / "lawns.csv").write_text("lawn,zone\nA,all\n")
    (scored / "customers.csv").write_text("customer,email\nA,a@example.org\n")
    return scored


def test_outbox_drafts_and_says_that_nothing_was_sent(customer: Path) -> None:
    result = run(str(customer), "--outbox")
    assert result.exit_code == 0, result.output
    assert "-A.eml: to A <a@example.org>" in result.stdout
    assert "1 draft written, 0 to print, 0 left; 0 without news. Nothing was sent" in result.stdout
    assert (customer / "reports" / "customers" / "A.pdf").exists()
    data = json.loads(run(str(customer), "--outbox", "--json").stdout)
    assert (data["outbox"]["drafts"], data["outbox"]["no_news"]) == ([], 1)
    again = json.loads(run(str(customer), "--outbox", "--again", "--json").stdout)
    (one,) = again["outbox"]["drafts"]
    assert (one["to"], one["lawns"], one["visits"]) == ("a@example.org", ["A"], ["2025-03-01"])


def test_who_is_left_and_who_wants_paper_is_named(customer: Path) -> None:
    (customer / "customers.csv").write_text("customer,email\nA,\n")
    assert "A: no draft, no address of theirs" in run(str(customer), "--outbox").stdout
    (customer / "customers.csv").write_text("customer,reports\nA,paper\n")
    assert "A wants paper; print " in run(str(customer), "--outbox").stdout


@pytest.mark.parametrize(
    ("words", "toml"), [(("--outbox",), ""), (("--again",), '[report]\nemail = "me@example.net"\n')]
)
def test_what_keeps_drafts_from_being_written_is_said_first(
    customer: Path, words: tuple[str, ...], toml: str
) -> None:
    (customer / "round.toml").write_text(toml)
    assert isinstance(run(str(customer), *words).exception, LawnscoreError)
    assert not (customer / "reports" / "index.html").exists()
