"""The plan as a sheet to print: each zone as a box with the spots where they lie."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from lawnscore.care.spots import Spot, where_to_stand
from lawnscore.contract.files import MARK, check_output, write_whole

_PAGE_MM = (210.0, 297.0)  # A4, ISO 216
_MARGIN_MM = 15.0
_GAP_MM = 8.0
_BOX_MM = (86.0, 44.0)
_TEXT_MM = 26.0
_MM = 72 / 25.4
_LIST_COLUMNS = 4


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
        PDF to write.

    Raises
    ------
    LawnscoreError
        When the file is no PDF by its ending, was not made by this program, or cannot be written.
    """
    from reportlab.pdfgen.canvas import Canvas

    check_output(path, ".pdf")
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=tuple(side * _MM for side in _PAGE_MM), invariant=1)
    canvas.setTitle(title)
    canvas.setCreator(MARK)
    step = _BOX_MM[1] + _TEXT_MM + _GAP_MM
    rows = int((_PAGE_MM[1] - 2 * _MARGIN_MM - 12) // step)
    records = needs.to_dict("records")
    pages = 0
    for number, need in enumerate(records):
        on_page = number % (rows * 2)
        if on_page == 0:
            if number:
                canvas.showPage()
            pages += 1
            _heading(canvas, title)
        left = _MARGIN_MM + (on_page % 2) * (_BOX_MM[0] + _GAP_MM)
        top = _PAGE_MM[1] - _MARGIN_MM - 14 - (on_page // 2) * step
        place = str(need["lawn"]), str(need["zone"])
        _zone(canvas, left, top, need, spots.get(place, ()))
    canvas.showPage()
    canvas.save()
    write_whole(path, out.getvalue())
    return pages


def _heading(canvas: Any, title: str) -> None:
    top = _PAGE_MM[1] - _MARGIN_MM
    canvas.setFont("Helvetica-Bold", 13)
    canvas.drawString(_MARGIN_MM * _MM, (top - 4) * _MM, title)
    canvas.setFont("Helvetica", 8)
    words = "The box is the zone. You come in at the left; its long side runs to the right. "
    words += "Stand at the same spots on every visit; start the file name with the spot: A1--."
    canvas.drawString(_MARGIN_MM * _MM, (top - 9) * _MM, words)


def _zone(
    canvas: Any, left: float, top: float, need: dict[Any, Any], spots: Sequence[Spot]
) -> None:
    canvas.setFont("Helvetica-Bold", 9)
    canvas.drawString(left * _MM, (top - 3) * _MM, _fitting(f"{need['lawn']} / {need['zone']}", 48))
    canvas.setFont("Helvetica", 8)
    canvas.drawString(left * _MM, (top - 7) * _MM, f"{need['photos']} photos {need['goal']}")
    bottom = top - 9 - _BOX_MM[1]
    canvas.setStrokeGray(0.4)
    canvas.rect(left * _MM, bottom * _MM, _BOX_MM[0] * _MM, _BOX_MM[1] * _MM)
    for quarter in (0.25, 0.5, 0.75):
        canvas.setStrokeGray(0.85)
        x = (left + quarter * _BOX_MM[0]) * _MM
        canvas.line(x, bottom * _MM, x, (bottom + _BOX_MM[1]) * _MM)
    canvas.setStrokeGray(0)
    for spot in spots:
        if spot.along == spot.along:
            x = (left + spot.along * _BOX_MM[0]) * _MM
            y = (bottom + spot.across * _BOX_MM[1]) * _MM
            canvas.circle(x, y, 1.1 * _MM, fill=1)
            canvas.setFont("Helvetica", 7)
            canvas.drawString(x + 1.6 * _MM, y - 0.8 * _MM, spot.name)
    _spot_list(canvas, left, bottom - 3.5, spots)


def _spot_list(canvas: Any, left: float, top: float, spots: Sequence[Spot]) -> None:
    canvas.setFont("Helvetica", 6)
    most = _LIST_COLUMNS * 5
    for number, spot in enumerate(spots[:most]):
        words = where_to_stand(spot).replace(" along", "").replace(" across", "")
        if spot.along != spot.along:
            words = "as before"
        x = left + (number % _LIST_COLUMNS) * _BOX_MM[0] / _LIST_COLUMNS
        y = top - (number // _LIST_COLUMNS) * 3.2
        canvas.drawString(x * _MM, y * _MM, f"{spot.name}  {words}")
    if len(spots) > most:
        y = top - (most // _LIST_COLUMNS) * 3.2
        canvas.drawString(left * _MM, y * _MM, f"and {len(spots) - most} more in the box")


def _fitting(text: str, n: int) -> str:
    return text if len(text) <= n else f"{text[: n - 1]}…"
