"""The attention sheet: one printed page for the van, most urgent first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lawnscore.report.glance import flag_words, step_words
from lawnscore.report.language import Words
from lawnscore.report.load import RoundRows, Row
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
    """Return every row of the attention table, most urgent first, with the spots to photograph."""
    rows = [(row, lawn) for lawn in rounds.lawns for row in lawn.attention]
    return [
        SheetRow(
            rank=words.number(row["rank"]),
            name=lawn.name,
            zone="" if row["zone"] == "all" else str(row["zone"]),
            flag=flag_words(row["flag"], words),
            since=words.date(row["since"], "medium") if row["since"] else "",
            evidence=row["evidence"],
            next_step=step_words(row, words),
            spots=_spots(lawn.photos, row, words),
        )
        for row, lawn in sorted(rows, key=lambda pair: pair[0]["rank"])
    ]


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
