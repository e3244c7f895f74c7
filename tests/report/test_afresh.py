"""Reports are of the day they are made on, and of lawns that are still in the round."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from lawnscore.care.next_visits import Planning, next_visits
from lawnscore.contract.tables import ATTENTION, LAWNS
from lawnscore.report import write_reports
from lawnscore.report.language import words_for
from lawnscore.report.load import read_round
from lawnscore.report.sheet import sheet_rows
from lawnscore.scoring.tables import write_table
from tests.report.invented import RoundMaker, write_round


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    maker = RoundMaker()
    for name in ("A", "B", "C", "D"):
        maker.lawn(name, n_visits=4, renovate=False)
    return write_round(tmp_path / "round", maker.frames())


def test_another_days_flags_are_never_read(folder: Path) -> None:
    stale = {"rank": 1, "lawn": "A", "zone": "all", "flag": "cover falling",
             "evidence": "of another day", "next_step": "nothing"}  # fmt: skip
    write_table(folder, "attention", ATTENTION.frame([stale]))
    rounds = read_round(folder, today="2025-06-09")
    assert all(lawn.attention == () for lawn in rounds.lawns)


def test_no_report_promises_a_visit_in_the_past(folder: Path) -> None:
    # the last visit was on 8 June 2025
    for today in ("2025-06-09", "2025-12-01", "2026-11-26"):
        rounds = read_round(folder, today=today)
        dates = [str(row["date"]) for lawn in rounds.lawns for row in lawn.next_visits]
        assert dates
        assert min(dates) >= today
        assert rounds.as_of == today


def test_lawns_that_only_wait_for_a_visit_are_one_line_of_the_sheet(folder: Path) -> None:
    rounds = read_round(folder, today="2025-09-30")
    assert {row["flag"] for lawn in rounds.lawns for row in lawn.attention} == {"not visited"}
    (row,) = sheet_rows(rounds, words_for(rounds.settings.report))
    assert (row.name, row.evidence) == ("4 lawns", "A, B, C, D.")
    assert row.since == "8 Jun 2025"


def test_a_lawn_that_left_keeps_its_history_and_loses_its_report(folder: Path) -> None:
    write_reports(folder, today="2025-06-09", pictures="none")
    page = folder / "reports" / "customers" / "B.html"
    assert page.exists()
    table = pd.read_csv(folder / "lawns.csv")
    table["left"] = table["lawn"].map({"B": "2025-06-01"})
    table.to_csv(folder / "lawns.csv", index=False)
    history = (folder / "reports" / "visit_scores.csv").read_bytes()
    write_reports(folder, today="2025-06-09", pictures="none")
    assert not page.exists()
    assert ">B<" not in (folder / "reports" / "index.html").read_text(encoding="utf-8")
    assert (folder / "reports" / "visit_scores.csv").read_bytes() == history


@pytest.mark.parametrize(("left", "n"), [("2025-06-01", 0), ("2025-07-01", 1)])
def test_a_lawn_that_left_gets_no_visits(left: str, n: int) -> None:
    lawns = LAWNS.frame([{"lawn": "B", "zone": "all", "area_m2": 90, "left": left}])
    visits = next_visits(None, lawns=lawns, today="2025-06-09", options=Planning(weeks=1))
    assert len(visits) == n
