"""Slips to print: one a zone, with a code to photograph before the work and one after it.

A slip is folded on its dashed line into a tent, so that one side shows BEFORE and the other AFTER.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row, rows_of
from lawnscore.contract.tables import STAGES
from lawnscore.filing.places import is_folder_name
from lawnscore.filing.slip_code import SlipCode, slip_text
from lawnscore.paper.fit import fitted, wrapped
from lawnscore.paper.fonts import PLAIN, PLAIN_BOLD
from lawnscore.paper.sheet import new_sheet
from lawnscore.paper.sizes import PAPERS_MM
from lawnscore.register.folder import SPOT_MARK, open_round
from lawnscore.register.register import WHOLE_LAWN, nearest, read_register

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_MARGIN_MM = 10.0
_COLUMNS, _ROWS = 2, 4
_BAND_MM = 12.0
_CUT_MARK_MM = 5.0
_QUIET_MODULES = 4  # ISO/IEC 18004: quiet zone of four modules
_SAID = {"before": "BEFORE", "after": "AFTER", "check": "CHECK", "": "SPOT"}
_HELP = {
    "before": "Photograph this side, then the zone, before you start.",
    "after": "Photograph this side, then the zone, when the work is done.",
    "check": "Photograph this, then the zone. No work today.",
    "": "Photograph this, then this spot.",
}


@dataclass(frozen=True)
class Panel:
    """One code with its words: the half of a folded slip, or a slip of its own.

    ``lines`` stand beside the code, ``folded`` marks the upper half of a tent.
    """

    code: SlipCode
    lines: tuple[str, ...] = ()
    folded: bool = False


@dataclass(frozen=True)
class SlipSheets:
    """What was drawn."""

    path: Path
    n_slips: int
    n_pages: int
    codes: tuple[SlipCode, ...]


def write_slips(
    round_path: Path | str,
    out: Path | str,
    *,
    lawn: str | None = None,
    stages: Sequence[str] = ("before", "after"),
    spots: Mapping[tuple[str, str], Sequence[str]] | None = None,
    hints: Mapping[tuple[str, str], str] | None = None,
    paper: str = "a4",
) -> SlipSheets:
    """Draw the slips of a round as a PDF to print at full size.

    Parameters
    ----------
    round_path, out
        The round and the PDF to write; a PDF of that name is written anew.
    lawn
        Only this lawn.
    stages
        Stages to make codes for. ``before`` and ``after`` together make a slip to fold.
    spots
        Spots to make a slip for, by lawn and zone.
    hints
        One line to print on the slips of a zone, such as how many photos it needs.
    paper
        ``a4`` or ``letter``.

    Raises
    ------
    LawnscoreError
        When there is no lawn to make a slip for, or a stage or paper is not known.
    """
    if paper not in PAPERS_MM:
        raise LawnscoreError(f"unknown paper `{paper}`", f"Use one of: {', '.join(PAPERS_MM)}.")
    if not stages:
        raise LawnscoreError("no stage is named", f"Name one of: {', '.join(STAGES)}.")
    for stage in stages:
        if stage not in STAGES:
            raise LawnscoreError(f"unknown stage `{stage}`", f"Use one of: {', '.join(STAGES)}.")
    zones = _zones(Path(round_path), lawn)
    panels: list[Panel] = []
    for zone in zones:
        place = (str(zone["lawn"]), str(zone["zone"]))
        known = tuple((spots or {}).get(place, ()))
        lines = _lines(zone, known, (hints or {}).get(place, ""))
        panels += _zone_panels(place, stages, known, lines)
    n_pages = _draw(_pages(panels), Path(out), PAPERS_MM[paper])
    n_slips = sum(not panel.folded for panel in panels)
    return SlipSheets(Path(out), n_slips, n_pages, tuple(panel.code for panel in panels))


def spots_of(
    round_path: Path | str, *, seen: bool = False, named: Sequence[str] = ()
) -> dict[tuple[str, str], list[str]]:
    """Return the spots of each zone: those its photos' names say, if ``seen``, and those named.

    Raises
    ------
    LawnscoreError
        When a named spot cannot start a file name.
    """
    for spot in named:
        if not is_folder_name(spot) or SPOT_MARK in spot:
            raise LawnscoreError(
                f"`{spot}` cannot be the name of a spot", "Use letters, digits and spaces."
            )
    lawns = read_register(round_path).lawns
    spots = {place: list(named) for place in zip(lawns["lawn"], lawns["zone"], strict=True)}
    for photo in open_round(round_path).photos if seen else ():
        known = spots.setdefault((photo.lawn, photo.zone), [])
        if photo.spot and photo.spot not in known:
            known.append(photo.spot)
    return spots


def _zones(folder: Path, lawn: str | None) -> list[Row]:
    lawns = read_register(folder).lawns
    if lawns.empty:
        raise LawnscoreError(
            "no lawn to make a slip for", "Add one with `lawnscore add-lawn`.", folder / "lawns.csv"
        )
    if lawn is not None:
        known = list(lawns["lawn"])
        lawns = lawns[lawns["lawn"].str.casefold() == lawn.casefold()]
        if lawns.empty:
            mend = nearest(lawn, known) or "Add it with `lawnscore add-lawn`."
            raise LawnscoreError(f"unknown lawn `{lawn}`", mend, folder / "lawns.csv")
    return rows_of(lawns)


def _lines(zone: Row, spots: Sequence[str], hint: str) -> tuple[str, ...]:
    lines = [str(zone["name"])] if zone["name"] else []
    if zone["area_m2"] is not None:
        lines.append(f"{zone['area_m2']:g} m²")
    if spots:
        lines.append("spots: " + ", ".join(spots))
    return (*lines, hint) if hint else tuple(lines)


def _zone_panels(
    place: tuple[str, str], stages: Sequence[str], spots: Sequence[str], lines: tuple[str, ...]
) -> list[Panel]:
    tent = "before" in stages and "after" in stages
    panels = [
        Panel(SlipCode(*place, stage), lines, folded=tent and stage == "after")
        for stage in sorted(stages, key=("after", "before", "check").index)
    ]
    return panels + [Panel(SlipCode(*place, "", spot), lines[:1]) for spot in spots]


def _pages(panels: Sequence[Panel]) -> list[dict[tuple[int, int], Panel]]:
    """Return for each page the panel at each (column, row); a tent is never parted."""
    pages: list[dict[tuple[int, int], Panel]] = [{}]
    slot = 0
    for panel in panels:
        if panel.folded and slot % _ROWS == _ROWS - 1:
            slot += 1
        if slot >= _COLUMNS * _ROWS:
            pages.append({})
            slot = 0
        pages[-1][divmod(slot, _ROWS)] = panel
        slot += 1
    return pages


def _draw(
    pages: Sequence[Mapping[tuple[int, int], Panel]], out: Path, paper_mm: tuple[float, float]
) -> int:
    width_mm = (paper_mm[0] - 2 * _MARGIN_MM) / _COLUMNS
    height_mm = (paper_mm[1] - 2 * _MARGIN_MM) / _ROWS
    with new_sheet(out, paper_mm, title="Slips") as sheet:
        for page in pages:
            for (column, row), panel in page.items():
                left = _MARGIN_MM + column * width_mm
                bottom = paper_mm[1] - _MARGIN_MM - (row + 1) * height_mm
                _place_panel(sheet.pen, panel, (left, bottom, width_mm, height_mm))
            sheet.next_page()
    return sheet.n_pages


def _place_panel(canvas: Canvas, panel: Panel, box: tuple[float, float, float, float]) -> None:
    left, bottom, width, height = box
    canvas.saveState()
    canvas.translate(left, bottom)
    _draw_marks(canvas, width, height, folded=panel.folded)
    if panel.folded:
        # Upside down, so that it reads upright on the far side of the tent.
        canvas.translate(width, height)
        canvas.rotate(180)
    _draw_panel(canvas, panel, width, height)
    canvas.restoreState()


def _draw_marks(canvas: Canvas, width: float, height: float, *, folded: bool) -> None:
    canvas.setLineWidth(0.15)
    corners = [(0, height), (width, height)] if folded else [(0, 0), (width, 0)]
    half = _CUT_MARK_MM / 2
    for x, y in corners:
        canvas.line(x - half, y, x + half, y)
        canvas.line(x, y - half, x, y + half)
    if folded:
        canvas.setDash(2, 1.5)
        canvas.line(4, 0, width - 4, 0)
        canvas.setDash()
    else:
        for x in (0, width):
            canvas.line(x, height - half, x, height)


def _draw_panel(canvas: Canvas, panel: Panel, width: float, height: float) -> None:
    code = panel.code
    dark = code.stage == "after"
    band = (3.0, height - _BAND_MM - 2.0, width - 6.0, _BAND_MM)
    canvas.setLineWidth(0.6)
    canvas.rect(*band, stroke=1, fill=int(dark))
    canvas.setFillGray(1 if dark else 0)
    canvas.setFont(PLAIN_BOLD, 9)
    canvas.drawCentredString(width / 2, band[1] + 2.8, _SAID[code.stage])
    canvas.setFillGray(0)
    side = height - _BAND_MM - 11.0
    _draw_code(canvas, slip_text(code), (3.0, 8.0), side)
    _draw_words(canvas, panel, side + 6.0, band[1] - 2.0, width - side - 9.0)
    said = " · ".join(part for part in (code.lawn, code.zone, code.stage, code.spot) if part)
    canvas.setFont(PLAIN_BOLD, 2.6)
    canvas.drawString(5.0, 5.6, fitted(said, PLAIN_BOLD, 2.6, width - 9))
    canvas.setFont(PLAIN, 2.6)
    canvas.drawString(5.0, 2.0, fitted(_HELP[code.stage], PLAIN, 2.6, width - 9))


def _draw_code(canvas: Canvas, text: str, corner: tuple[float, float], side_mm: float) -> None:
    import segno

    matrix = segno.make(text, error="m", micro=False).matrix
    module = side_mm / (len(matrix) + 2 * _QUIET_MODULES)
    for row, cells in enumerate(matrix):
        y = corner[1] + side_mm - (row + 1 + _QUIET_MODULES) * module
        run = 0
        for column, cell in enumerate([*cells, 0]):
            if cell:
                run += 1
            elif run:
                x = corner[0] + (column - run + _QUIET_MODULES) * module
                # One bar for each run of dark modules: no hairlines between neighbours.
                canvas.rect(x, y, run * module, module, stroke=0, fill=1)
                run = 0


def _draw_words(canvas: Canvas, panel: Panel, left: float, top: float, width: float) -> None:
    code = panel.code
    names = [name for name in (code.spot, code.zone, code.lawn) if name]
    if not code.spot and code.zone == WHOLE_LAWN:
        names.reverse()
    words = [(PLAIN_BOLD, 6.0, names[0], 3), *((PLAIN_BOLD, 4.2, n, 3) for n in names[1:])]
    words += [(PLAIN, 3.2, line, 4) for line in panel.lines]
    y = top
    for font, size, text, most in words:
        for line in wrapped(text, font, size, width)[:most]:
            y -= size * 1.2
            if y < 9.0:
                return
            canvas.setFont(font, size)
            canvas.drawString(left, y, line)
        y -= size * 0.35
