"""A leaflet on one A4 page."""

from __future__ import annotations

import io

from reportlab.platypus import Flowable, Image, KeepTogether, Table

from lawnscore.paper.sizes import MM
from lawnscore.report.language import Words
from lawnscore.report.leaflet import Block, Bullets, Cell, Grid, Heading, Leaflet, Sentence, Shots
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.paper import (
    INK,
    RULE,
    WIDTH,
    build,
    letterhead_row,
    para,
    plain,
    rule,
    valued,
)

_FITS = (
    (56.0, True),
    (46.0, True),
    (38.0, True),
    (46.0, False),
    (38.0, False),
    (32.0, False),
    (26.0, False),
    (18.0, False),
)
"""What is tried to fit one page: heights of pictures in mm, and whether nothing is left out."""
BESIDE_MM = 35.0
"""Room from which a caption stands beside its pictures and not below them."""


def leaflet_pdf(leaflet: Leaflet, words: Words, letterhead: Letterhead) -> bytes:
    """Return the leaflet on one A4 page, or on as few as it takes.

    Pictures shrink first, then lists are run together, and optional sentences, the ends of long
    lists and the last line of the small print are left out; the sheet says that there is more.
    """
    for height_mm, whole in _FITS:
        flow = _flow(leaflet, words, letterhead, height_mm, whole=whole)
        data, pages = build(flow, words, title=leaflet.title, author=letterhead.business)
        if pages == 1:
            break
    return data


def _flow(
    leaflet: Leaflet, words: Words, letterhead: Letterhead, height_mm: float, *, whole: bool
) -> list[Flowable]:
    head = letterhead_row(letterhead, [leaflet.kicker, leaflet.dated])
    flow: list[Flowable] = [head, rule(INK, 2), para(leaflet.name, "name")]
    for block in leaflet.blocks:
        flow += _drawn(block, words, height_mm, whole=whole)
    closing = [*leaflet.closing] if whole else [words.text("leaflet.more"), *leaflet.closing[:-1]]
    if letterhead.contact:
        closing.append(words.text("customer.contact", contact=letterhead.contact))
    last = [rule(INK, 3), *(para(line, "small") for line in closing)]
    return [*flow, KeepTogether(last)]


def _drawn(block: Block, words: Words, height_mm: float, *, whole: bool) -> list[Flowable]:
    if isinstance(block, Heading):
        return [para(block.text, "h2")]
    if isinstance(block, Sentence):
        return [] if block.optional and not whole else [para(block.text, block.style)]
    if isinstance(block, Bullets):
        if not whole:
            return [para("  ".join(f"•  {plain(i)}" for i in block.items[: block.keep]), "small")]
        return [para(f"•  {plain(i)}", "small" if block.small else "body") for i in block.items]
    if isinstance(block, Grid):
        return [_table(block, whole=whole)]
    return _pictures(block, height_mm)


def _table(grid: Grid, *, whole: bool) -> Flowable:
    n = len(grid.heads) - (0 if whole else grid.spare)
    cells: list[list[Flowable]] = [[para(head, "small") for head in grid.heads[:n]]]
    for row in grid.rows:
        cells.append([_cell(cell) for cell in row[:n]])
    fixed = [width * MM for width in grid.widths_mm[:n]]
    rest = (WIDTH - sum(fixed)) / max(1, fixed.count(0.0))
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 1 if whole else 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5 if whole else 0),
    ]
    widths = [width or rest for width in fixed]
    return Table(cells, colWidths=widths, style=style, hAlign="LEFT", repeatRows=1)


def _cell(cell: Cell) -> list[Flowable]:
    """Return a cell; what belongs to it stands behind it, so that a row takes one line."""
    return [valued(plain(cell.text), plain(cell.small))]


def _pictures(shots: Shots, height_mm: float) -> list[Flowable]:
    gap, n = 3 * MM, max(2, len(shots.items))
    labels, pictures, widths = [], [], []
    for shot in shots.items:
        width = (WIDTH - (n - 1) * gap) / n
        height = min(width * shot.height_px / shot.width_px, height_mm * MM)
        width = height * shot.width_px / shot.height_px
        labels.append(para(shot.label, "small"))
        pictures.append(Image(io.BytesIO(shot.jpeg), width=width, height=height, hAlign="LEFT"))
        widths.append(width + gap)
    caption, rest = para(shots.caption, "small"), WIDTH - sum(widths)
    aside = rest >= BESIDE_MM * MM
    rows = [[*labels, ""], [*pictures, caption]] if aside else [labels, pictures]
    style = [
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("VALIGN", (0, 1), (-1, 1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
    ]
    table = Table(rows, colWidths=[*widths, rest] if aside else widths, style=style, hAlign="LEFT")
    return [table] if aside else [table, caption]
