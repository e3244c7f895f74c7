"""A leaflet on one A4 page."""

from __future__ import annotations

import io
from typing import Any

from reportlab.platypus import Image, KeepTogether, Table

from lawnscore.paper.sizes import MM
from lawnscore.report.language import Words
from lawnscore.report.leaflet import Block, Bullets, Cell, Grid, Heading, Leaflet, Sentence, Shots
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.paper import (
    INK,
    RULE,
    WIDTH,
    beside,
    build,
    letterhead_row,
    para,
    plain,
    rule,
)

PICTURE_MM = (56.0, 46.0, 38.0, 32.0, 26.0)
"""Heights of pictures that are tried, until all fits one page."""


def leaflet_pdf(leaflet: Leaflet, words: Words, letterhead: Letterhead) -> bytes:
    """Return the leaflet on one A4 page, or on as few as it takes.

    Pictures shrink first, then optional sentences and the ends of long lists are left out; the
    sheet says that there is more on the page.
    """
    for height_mm, whole in [*((mm, True) for mm in PICTURE_MM), (PICTURE_MM[-1], False)]:
        flow = _flow(leaflet, words, letterhead, height_mm, whole=whole)
        data, pages = build(flow, words, title=leaflet.title, author=letterhead.business)
        if pages == 1:
            break
    return data


def _flow(
    leaflet: Leaflet, words: Words, letterhead: Letterhead, height_mm: float, *, whole: bool
) -> list[Any]:
    head = letterhead_row(letterhead, [leaflet.kicker, leaflet.dated])
    flow: list[Any] = [head, rule(INK, 2), para(leaflet.name, "name")]
    for block in leaflet.blocks:
        flow += _drawn(block, words, height_mm, whole=whole)
    closing = [*leaflet.closing]
    if not whole:
        closing.insert(0, words.text("leaflet.more"))
    if letterhead.contact:
        closing.append(words.text("customer.contact", contact=letterhead.contact))
    last = [rule(INK, 3), *(para(line, "small") for line in closing)]
    return [*flow, KeepTogether(last)]


def _drawn(block: Block, words: Words, height_mm: float, *, whole: bool) -> list[Any]:
    if isinstance(block, Heading):
        return [para(block.text, "h2")]
    if isinstance(block, Sentence):
        return [] if block.optional and not whole else [para(block.text, block.style)]
    if isinstance(block, Bullets):
        shown = block.items if whole else block.items[: block.keep]
        style = "small" if block.small else "body"
        return [para(f"•  {plain(item)}", style) for item in shown]
    if isinstance(block, Grid):
        return [_table(block)]
    return _pictures(block, height_mm)


def _table(grid: Grid) -> Any:
    cells: list[list[Any]] = [[para(head, "small") for head in grid.heads]]
    for row in grid.rows:
        cells.append([_cell(cell, first=k == 0) for k, cell in enumerate(row)])
    fixed = [width * MM for width in grid.widths_mm]
    rest = (WIDTH - sum(fixed)) / max(1, fixed.count(0.0))
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
    ]
    widths = [width or rest for width in fixed]
    return Table(cells, colWidths=widths, style=style, hAlign="LEFT", repeatRows=1)


def _cell(cell: Cell, *, first: bool) -> list[Any]:
    out = [para(cell.text, "body" if first else "value")] if cell.text else []
    return [*out, para(cell.small, "small")] if cell.small else out


def _pictures(shots: Shots, height_mm: float) -> list[Any]:
    gap, n = 3 * MM, max(2, len(shots.items))
    cells, widths = [], []
    for shot in shots.items:
        width = (WIDTH - (n - 1) * gap) / n
        height = min(width * shot.height_px / shot.width_px, height_mm * MM)
        width = height * shot.width_px / shot.height_px
        picture = Image(io.BytesIO(shot.jpeg), width=width, height=height, hAlign="LEFT")
        cells.append([para(shot.label, "h3"), picture] if shot.label else [picture])
        widths.append(width + gap)
    caption = [para(shots.caption, "small")] if shots.caption else []
    return [beside(cells, widths), *caption]
