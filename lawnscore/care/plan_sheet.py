"""The plan as a sheet to print: each zone as a box with the spots where they lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from lawnscore.care.spots import Spot, where_to_stand
from lawnscore.contract.rows import FrameRow
from lawnscore.paper.fit import fitted
from lawnscore.paper.fonts import PLAIN, PLAIN_BOLD
from lawnscore.paper.sheet import new_sheet
from lawnscore.paper.sizes import PAPERS_MM

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_PAGE_MM = PAPERS_MM["a4"]
_MARGIN_MM = 15.0
_WIDTH_MM = _PAGE_MM[0] - 2 * _MARGIN_MM
_GAP_MM = 8.0
_BOX_MM = (86.0, 44.0)
_TEXT_MM = 26.0
_LIST_COLUMNS = 4
_LINE_MM = 0.2


def draw_plan(
    needs: pd.DataFrame,
    spots: Mapping[tuple[str, str], Sequence[Spot]],
    path: Path,
    *,
    title: str = "Where to stand",
) -> int:
    """Draw the plan as a PDF on A4 and return its number of pages.

    Parameters
    ----------
    needs
        The table of :func:`lawnscore.care.photos_needed.photos_needed`.
    spots
        Spots by lawn and zone.
    path
        PDF to write; a folder that is not there is made.

    Raises
    ------
    LawnscoreError
        When the file cannot be written.
    """
    step = _BOX_MM[1] + _TEXT_MM + _GAP_MM
    on_page = 2 * int((_PAGE_MM[1] - 2 * _MARGIN_MM - 12) // step)
    records = needs.to_dict("records")
    with new_sheet(path, _PAGE_MM, title=title) as sheet:
        for first in range(0, max(len(records), 1), on_page):
            _heading(sheet.pen, title)
            for number, need in enumerate(records[first : first + on_page]):
                left = _MARGIN_MM + (number % 2) * (_BOX_MM[0] + _GAP_MM)
                top = _PAGE_MM[1] - _MARGIN_MM - 14 - (number // 2) * step
                place = str(need["lawn"]), str(need["zone"])
                _zone(sheet.pen, left, top, need, spots.get(place, ()))
            sheet.next_page()
    return sheet.n_pages


def _words(
    pen: Canvas, at: tuple[float, float], text: str, size: float, *, font: str = PLAIN, width: float
) -> None:
    pen.setFont(font, size)
    pen.drawString(*at, fitted(text, font, size, width))


def _heading(pen: Canvas, title: str) -> None:
    top = _PAGE_MM[1] - _MARGIN_MM
    _words(pen, (_MARGIN_MM, top - 3), title, 4.4, font=PLAIN_BOLD, width=_WIDTH_MM)
    for line, text in enumerate(
        (
            "The box is the zone. You come in at the left; its long side runs to the right.",
            "Stand at the same spots on every visit; start the file name with the spot: A1--.",
        )
    ):
        _words(pen, (_MARGIN_MM, top - 7 - 3.6 * line), text, 2.7, width=_WIDTH_MM)


def _zone(pen: Canvas, left: float, top: float, need: FrameRow, spots: Sequence[Spot]) -> None:
    place = f"{need['lawn']} / {need['zone']}"
    _words(pen, (left, top - 3), place, 3.2, font=PLAIN_BOLD, width=_BOX_MM[0])
    said = f"{need['photos']} photos {need['goal']}"
    _words(pen, (left, top - 7), said, 2.7, width=_BOX_MM[0])
    bottom = top - 9 - _BOX_MM[1]
    pen.setLineWidth(_LINE_MM)
    pen.setStrokeGray(0.4)
    pen.rect(left, bottom, *_BOX_MM)
    pen.setStrokeGray(0.85)
    for quarter in (0.25, 0.5, 0.75):
        x = left + quarter * _BOX_MM[0]
        pen.line(x, bottom, x, bottom + _BOX_MM[1])
    pen.setStrokeGray(0)
    for spot in spots:
        if spot.along == spot.along:
            x, y = left + spot.along * _BOX_MM[0], bottom + spot.across * _BOX_MM[1]
            pen.circle(x, y, 1.1, fill=1)
            _words(pen, (x + 1.6, y - 0.8), spot.name, 2.4, width=left + _BOX_MM[0] - x - 2)
    _spot_list(pen, left, bottom - 3.5, spots)


def _spot_list(pen: Canvas, left: float, top: float, spots: Sequence[Spot]) -> None:
    most, column_mm = _LIST_COLUMNS * 5, _BOX_MM[0] / _LIST_COLUMNS
    for number, spot in enumerate(spots[:most]):
        words = where_to_stand(spot).replace(" along", "").replace(" across", "")
        if spot.along != spot.along:
            words = "as before"
        at = (left + (number % _LIST_COLUMNS) * column_mm, top - (number // _LIST_COLUMNS) * 3.2)
        _words(pen, at, f"{spot.name}  {words}", 2.1, width=column_mm - 0.5)
    if len(spots) > most:
        at = (left, top - (most // _LIST_COLUMNS) * 3.2)
        _words(pen, at, f"and {len(spots) - most} more in the box", 2.1, width=_BOX_MM[0])
