"""The attention sheet: one printed page for the van, most urgent first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lawnscore.contract.rows import Row
from lawnscore.report.evidence import evidence_words, with_overdue_joined
from lawnscore.report.glance import flag_words, step_words
from lawnscore.report.language import Words
from lawnscore.report.load import LawnRows, RoundRows
from lawnscore.report.pages import render

SHEET_ROWS = 12  # as many as fit one A4 page with full sentences


@dataclass(frozen=True)
class SheetRow:
    """One line: where, what is the matter, what to do, and which spots to photograph."""

    rank: str
    name: str
    zone: str
    flag: str
    since: str
    evidence: str
    next_step: str
    spots: str


def sheet_rows(rounds: RoundRows, words: Words) -> list[SheetRow]:
    """Return the rows of the attention table, most urgent first, with the spots to photograph.

    Lawns that only wait for a visit are one row.
    """
    lawns = {lawn.lawn: lawn for lawn in rounds.lawns}
    rows = sorted((row for lawn in rounds.lawns for row in lawn.attention), key=_rank)
    return [_sheet_row(row, lawns, words) for row in with_overdue_joined(rows)]


def _rank(row: Row) -> int:
    return int(row["rank"])


def _sheet_row(row: Row, lawns: dict[str, LawnRows], words: Words) -> SheetRow:
    many = row.get("lawns")
    lawn = lawns.get(row["lawn"])
    return SheetRow(
        rank=words.number(row["rank"]),
        name=words.counted("count.lawns", len(many)) if many else lawn.name if lawn else "",
        zone="" if row["zone"] in ("all", "") else str(row["zone"]),
        flag=flag_words(row["flag"], words),
        since=words.date(row["since"], "medium") if row["since"] else "",
        evidence=", ".join(lawns[name].name for name in many) + "."
        if many
        else evidence_words(row, words),
        next_step=step_words(row, words),
        spots=_spots(lawn.photos if lawn else (), row, words),
    )


def sheet_page(
    rounds: RoundRows, rows: Sequence[SheetRow], words: Words, *, most: int = SHEET_ROWS
) -> str:
    """Return the sheet as a page that prints on one side of A4."""
    return render(
        "sheet.html",
        rows=rows[:most],
        more=more_line(len(rows) - most, words),
        words=words,
        as_of=words.date(rounds.as_of) if rounds.as_of else words.text("unit.unknown"),
        business=rounds.settings.report.business,
    )


def more_line(n: int, words: Words) -> str:
    """Return the line that says how many rows did not fit; empty when all did."""
    return words.counted("sheet.more", n) if n > 0 else ""


def _spots(photos: Sequence[Row], row: Row, words: Words) -> str:
    named = [p["spot"] for p in photos if p["zone"] == row["zone"] and p["spot"]]
    if not named:
        return words.text("sheet.spots_unnamed")
    return ", ".join(sorted(dict.fromkeys(named)))
