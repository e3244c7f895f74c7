"""The attention sheet on one A4 page."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.platypus import Flowable, Table

from lawnscore.paper.fonts import TEXT
from lawnscore.paper.sizes import MM
from lawnscore.report.language import Words
from lawnscore.report.load import RoundRows
from lawnscore.report.paper import INK, RULE, WIDTH, build, para, rule
from lawnscore.report.sheet import SHEET_ROWS, SheetRow, more_line


class _TickBox(Flowable):  # type: ignore[misc]
    """An empty box to tick."""

    def __init__(self) -> None:
        super().__init__()
        self.width = self.height = 4.5 * MM

    def draw(self) -> None:
        self.canv.setStrokeColor(INK)
        self.canv.setLineWidth(0.8)
        self.canv.rect(0, 0, self.width, self.height)


def sheet_pdf(rounds: RoundRows, rows: Sequence[SheetRow], words: Words) -> bytes:
    """Return the attention sheet on exactly one A4 page, with as many rows as fit."""
    business = rounds.settings.report.business
    for most in range(max(SHEET_ROWS, 1), -1, -1):
        flow = _sheet_flow(rounds, rows, words, most)
        data, pages = build(flow, words, title=words.text("sheet.title"), author=business)
        if pages == 1:
            break
    return data


def _sheet_flow(
    rounds: RoundRows, rows: Sequence[SheetRow], words: Words, most: int
) -> list[Flowable]:
    as_of = words.date(rounds.as_of) if rounds.as_of else words.text("unit.unknown")
    head = [
        para(words.text("sheet.title"), "name"),
        para(words.text("sheet.intro", date=as_of), "small"),
    ]
    flow = [*head, rule(INK, 3)]
    if not rows:
        return [*flow, para(words.text("sheet.none"))]
    flow.append(_sheet_table(rows[:most], words))
    more = more_line(len(rows) - most, words)
    flow += [para(more, "small")] if more else []
    return [*flow, rule(), para(words.text("sheet.caution"), "small")]


def _sheet_table(rows: Sequence[SheetRow], words: Words) -> Flowable:
    heads = ("rank", "where", "matter", "step", "spots", "done")
    table = [[para(words.text(f"sheet.{head}"), "small") for head in heads]]
    for row in rows:
        since = f" {words.text('sheet.since', date=row.since)}" if row.since else ""
        table.append(
            [
                para(row.rank),
                [para(row.name), para(row.zone, "small")],
                [para(row.flag + since), para(row.evidence, "small")],
                para(row.next_step, "small"),
                para(row.spots, "small"),
                _TickBox(),
            ]
        )
    style = [
        ("FONTNAME", (0, 0), (-1, -1), TEXT),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-2, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (1, 0), (3, -1), 4 * MM),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    fixed = [8 * MM, 32 * MM, 0.0, 0.0, 24 * MM, 12 * MM]
    rest = (WIDTH - sum(fixed)) / 2
    return Table(
        table, colWidths=[w or rest for w in fixed], style=style, repeatRows=1, hAlign="LEFT"
    )
