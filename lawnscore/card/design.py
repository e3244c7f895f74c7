"""The geometry and the patches of the reference cards, in millimetres on the sheet.

Three cards of our own fill an A5, A4 or Letter sheet laid landscape; each has marker ids of its
own, so that the sheet is known from its markers. A classic 24-patch chart may stand in for them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from lawnscore.card.chart24 import CHART24_EDITIONS, chart24_srgb
from lawnscore.contract.errors import LawnscoreError

Point = tuple[float, float]

MARKER_DICTIONARY = "DICT_6X6_50"
"""ArUco dictionary of the markers: any two differ in 13 bits or more, 6 can be corrected."""

MARKER_MODULES = 8
"""Modules along a marker's side: 6 of code and a black border of one."""


@dataclass(frozen=True)
class Patch:
    """One patch: its name, ``neutral`` or ``colour``, its place in mm, its nominal sRGB 0-255."""

    name: str
    kind: Literal["neutral", "colour"]
    centre_mm: Point
    size_mm: tuple[float, float]
    srgb: tuple[int, int, int]


@dataclass(frozen=True)
class Marker:
    """One fiducial marker: its id and its corners in mm, clockwise from the top left."""

    id: int
    corners_mm: tuple[Point, Point, Point, Point]


@dataclass(frozen=True)
class TextLine:
    """One line of text: its left end on the baseline in mm, the height of its type in mm."""

    x_mm: float
    y_mm: float
    size_mm: float
    text: str
    bold: bool = False


@dataclass(frozen=True)
class CardDesign:
    """A card as drawn.

    Origin at the sheet's top-left corner, x to the right, y down, millimetres.

    Parameters
    ----------
    name
        ``turf-a5``, ``turf-a4``, ``turf-letter``, ``chart24`` or ``chart24-1976``; a chart's may
        end in its size, as ``chart24:105``.
    width_mm, height_mm
        Size of the sheet, landscape.
    patches
        Colour and neutral patches; their order is the order of every ``(n, ...)`` array.
    markers
        Fiducial markers; none on a classic chart.
    scale_bar_mm
        Left and right end of the 100 mm bar; ``None`` where there is none.
    lines
        Words printed on the card.
    """

    name: str
    width_mm: float
    height_mm: float
    patches: tuple[Patch, ...]
    markers: tuple[Marker, ...] = ()
    scale_bar_mm: tuple[Point, Point] | None = None
    lines: tuple[TextLine, ...] = ()

    @property
    def corners_mm(self) -> tuple[Point, Point, Point, Point]:
        """Corners of the sheet, clockwise from the top left."""
        w, h = self.width_mm, self.height_mm
        return ((0.0, 0.0), (w, 0.0), (w, h), (0.0, h))

    @property
    def centre_mm(self) -> Point:
        """Centre of the sheet."""
        return (self.width_mm / 2, self.height_mm / 2)


SCALE_BAR_MM = 100.0
_COLUMNS, _ROWS = 14, 4
_PATCH_SHARE = 0.92
"""Side of a patch over the pitch of the patches: what is left is a paper-white seam."""

# Twelve neutral steps, near black to bare paper, evenly spaced in sRGB. They do not stand in order:
# lightness must not go with the place on the card, or a slanting light could not be told from the
# camera's tone curve. Its correlation with x and with x squared is below 0.01.
_RAMP = tuple(round(24 + 21 * step) for step in range(12))
_RAMP_ORDER = (5, 10, 0, 8, 3, 7, 2, 6, 9, 4, 11, 1)
_END_GREY = 118

_GREENS = (
    ("turf-deep", (28, 58, 32)),
    ("turf-dark", (44, 78, 36)),
    ("turf-olive", (78, 88, 38)),
    ("turf-mid", (66, 106, 48)),
    ("turf-blue", (48, 104, 76)),
    ("turf-fresh", (92, 134, 52)),
    ("turf-yellowing", (134, 140, 62)),
    ("turf-bright", (112, 158, 66)),
    ("turf-blue-pale", (110, 156, 124)),
    ("turf-lime", (146, 164, 100)),
    ("turf-pale", (160, 186, 124)),
    ("turf-grey", (124, 138, 110)),
)
_MORE_GREENS = (("moss", (104, 112, 34)), ("clover", (56, 128, 62)))
_GROUND = (
    ("straw-pale", (222, 204, 156)),
    ("straw", (196, 170, 112)),
    ("straw-old", (158, 136, 94)),
    ("thatch", (120, 98, 66)),
    ("tan", (206, 164, 122)),
    ("tan-deep", (168, 116, 76)),
    ("soil-dark", (46, 36, 28)),
    ("soil-brown", (84, 62, 44)),
    ("soil-red", (126, 70, 48)),
    ("soil-pale", (150, 128, 104)),
    ("sand", (206, 188, 160)),
    ("leaf-rust", (148, 72, 36)),
    ("leaf-gold", (202, 146, 44)),
    ("cast-wet", (66, 56, 46)),
)
# Hues 30 degrees apart in CIELAB, light (L* 62) and deep (L* 40) in turn, each as strong as an
# office printer prints it. `benchmarks/studies/card_patches.py` chose offset and levels: the fit
# over the colours that lawns show has a mean variance of 0.019 with this row and 0.042 without it,
# a condition number of 38 and of 143.
_VIVID = (
    ("hue-010-light", (235, 109, 136)),
    ("hue-040-deep", (145, 74, 57)),
    ("hue-070-light", (197, 138, 73)),
    ("hue-100-deep", (101, 95, 48)),
    ("hue-130-light", (98, 167, 55)),
    ("hue-160-deep", (38, 106, 76)),
    ("hue-190-light", (88, 162, 157)),
    ("hue-220-deep", (31, 103, 117)),
    ("hue-250-light", (31, 160, 216)),
    ("hue-280-deep", (82, 94, 125)),
    ("hue-310-light", (177, 126, 237)),
    ("hue-340-deep", (158, 52, 126)),
)


@dataclass(frozen=True)
class _Sheet:
    width_mm: float
    height_mm: float
    margin_mm: float
    marker_mm: float
    marker_ids: tuple[int, int, int, int]
    title: str


# The twelve ids whose mirror images differ most from every marker of the dictionary (10 bits or
# more), so that a mirrored photo never reads as another card.
_SHEETS = {
    "turf-a5": _Sheet(210.0, 148.0, 6.0, 34.0, (47, 45, 42, 6), "A5"),
    "turf-a4": _Sheet(297.0, 210.0, 8.5, 48.0, (34, 29, 28, 32), "A4"),
    "turf-letter": _Sheet(279.4, 215.9, 8.5, 48.0, (4, 46, 48, 27), "Letter"),
}


def _grid_names() -> list[list[tuple[str, tuple[int, int, int]]]]:
    grey = (_END_GREY,) * 3
    ramp = [(f"neutral-{step + 1:02d}", (_RAMP[step],) * 3) for step in _RAMP_ORDER]
    return [
        [("grey-nw", grey), *_GREENS, ("grey-ne", grey)],
        [_MORE_GREENS[0], *ramp, _MORE_GREENS[1]],
        list(_GROUND),
        [("grey-sw", grey), *_VIVID, ("grey-se", grey)],
    ]


def _patches(sheet: _Sheet) -> tuple[Patch, ...]:
    quiet = sheet.marker_mm / MARKER_MODULES * 1.1
    band_mm = sheet.height_mm - 2 * (sheet.margin_mm + sheet.marker_mm + quiet)
    pitch = min((sheet.width_mm - 2 * sheet.margin_mm) / _COLUMNS, band_mm / _ROWS)
    left = sheet.width_mm / 2 - pitch * (_COLUMNS - 1) / 2
    top = sheet.height_mm / 2 - pitch * (_ROWS - 1) / 2
    side = round(pitch * _PATCH_SHARE, 2)
    found = []
    for row, cells in enumerate(_grid_names()):
        for column, (name, srgb) in enumerate(cells):
            centre = (round(left + column * pitch, 3), round(top + row * pitch, 3))
            kind: Literal["neutral", "colour"] = (
                "neutral" if srgb[0] == srgb[1] == srgb[2] else "colour"
            )
            found.append(Patch(name, kind, centre, (side, side), srgb))
    return tuple(found)


def _markers(sheet: _Sheet) -> tuple[Marker, ...]:
    m, s = sheet.margin_mm, sheet.marker_mm
    right, low = sheet.width_mm - m - s, sheet.height_mm - m - s
    places = ((m, m), (right, m), (right, low), (m, low))
    return tuple(
        Marker(mark_id, ((x, y), (x + s, y), (x + s, y + s), (x, y + s)))
        for mark_id, (x, y) in zip(sheet.marker_ids, places, strict=True)
    )


def _lines(name: str, sheet: _Sheet) -> tuple[TextLine, ...]:
    k = sheet.width_mm / 210.0
    x, y = sheet.margin_mm + sheet.marker_mm + 7 * k, sheet.margin_mm
    low = sheet.height_mm - sheet.margin_mm
    words = (
        "Lay me flat on the turf, this side up, wholly in the picture, near its edge.",
        "Same light on me and on the lawn: both in sun or both in shade.",
        "Clear leaves and grass off me. No flash, no zoom.",
        "Hold the phone level at chest height and look straight down.",
    )
    top = tuple(
        TextLine(x, y + (13.2 + 5.0 * n) * k, 3.1 * k, text) for n, text in enumerate(words)
    )
    bar_y = low - 21 * k
    return (
        TextLine(x, y + 5.4 * k, 5.4 * k, "lawnscore turf card", bold=True),
        TextLine(x + 82 * k, y + 5.4 * k, 3.4 * k, f"{sheet.title}   {name}"),
        *top,
        TextLine(
            x, bar_y - 6.4 * k, 3.1 * k, "Print at 100 %. This bar must measure 100 mm:", bold=True
        ),
        TextLine(
            x, low - 8.0 * k, 3.1 * k, "Matt paper; laminate matt or not at all: gloss glares."
        ),
        TextLine(x, low - 1.2 * k, 3.1 * k, "Card no. ____________     Printed on ____________"),
    )


def _turf_card(name: str) -> CardDesign:
    sheet = _SHEETS[name]
    k = sheet.width_mm / 210.0
    x = sheet.margin_mm + sheet.marker_mm + 7 * k
    y = sheet.height_mm - sheet.margin_mm - 21 * k
    return CardDesign(
        name,
        sheet.width_mm,
        sheet.height_mm,
        _patches(sheet),
        _markers(sheet),
        ((x, y), (x + SCALE_BAR_MM, y)),
        _lines(name, sheet),
    )


# A classic 24-patch chart of usual size: patches at 42 mm in 6 columns and 4 rows on a frame of
# about 279 x 203 mm. From memory; a size in the name or a design read from JSON overrides it.
_CHART24_SPAN_MM = 210.0
"""From the middle of a row's first patch to the middle of its last: five times the pitch."""
_CHART24_SIZE_MM = (279.0, 203.0)
_SPANS_MM = (20.0, 500.0)
"""What such a span may be."""


def _chart24(name: str, edition: str, span_mm: float) -> CardDesign:
    width, height = (round(s * span_mm / _CHART24_SPAN_MM, 3) for s in _CHART24_SIZE_MM)
    pitch = span_mm / 5
    left = width / 2 - 2.5 * pitch
    top = height / 2 - 1.5 * pitch
    side = 0.9 * pitch
    patches = tuple(
        Patch(
            patch_name,
            "neutral" if n >= 18 else "colour",
            (left + n % 6 * pitch, top + n // 6 * pitch),
            (side, side),
            srgb,
        )
        for n, (patch_name, srgb) in enumerate(chart24_srgb(edition))
    )
    return CardDesign(name, width, height, patches)


def design_names() -> tuple[str, ...]:
    """Return the names that :func:`card_design` knows, sizes of charts apart."""
    return (*_SHEETS, *CHART24_EDITIONS)


def chart_edition(name: str) -> str:
    """Return whose published colours a chart of this name has; empty when it is no chart.

    Examples
    --------
    >>> chart_edition("chart24:105"), chart_edition("turf-a5")
    ('chart24', '')
    """
    edition = name.partition(":")[0]
    return edition if edition in CHART24_EDITIONS else ""


def is_card_name(name: str) -> bool:
    """Return whether a text is meant as a card's name, and not as a file's."""
    return name in _SHEETS or bool(chart_edition(name))


def size_warning(design: CardDesign) -> str:
    """Return what to mind where nobody has said how large a chart is; empty where it is known.

    A classic chart is sold in several sizes that look alike in a photo.
    """
    if design.name not in CHART24_EDITIONS or design != card_design(design.name):
        return ""
    return (
        f"the size of the chart is not known: {design.width_mm:g} x {design.height_mm:g} mm was "
        "taken, and lengths, areas and counts per m2 are wrong for any other. Measure from the "
        "middle of a row's first patch to the middle of its last, and name the card "
        f"{design.name}:MM ({_CHART24_SPAN_MM:g} for the size that was taken)"
    )


@lru_cache(maxsize=16)
def card_design(name: str) -> CardDesign:
    """Return the card of this name.

    A chart's name may end in a colon and its size: the millimetres from the middle of a row's first
    patch to the middle of its last. Without it the usual size is taken.

    Raises
    ------
    LawnscoreError
        When there is no such card, or it cannot be of such a size.

    Examples
    --------
    >>> card = card_design("turf-a5")
    >>> card.width_mm, card.height_mm, len(card.patches), len(card.markers)
    (210.0, 148.0, 56, 4)
    >>> card_design("chart24:105").width_mm
    139.5
    """
    if name in _SHEETS:
        return _turf_card(name)
    if chart_edition(name):
        return _chart24(name, chart_edition(name), _span_mm(name))
    raise LawnscoreError(f"no card is named `{name}`", f"Use one of: {', '.join(design_names())}.")


def _span_mm(name: str) -> float:
    _, colon, size = name.partition(":")
    try:
        span = float(size) if colon else _CHART24_SPAN_MM
    except ValueError:
        span = 0.0
    low, high = _SPANS_MM
    if low <= span <= high:
        return span
    raise LawnscoreError(
        f"`{name}`: `{size}` is no size of a chart",
        f"Give the millimetres from the middle of a row's first patch to the middle of its last, "
        f"{low:g} to {high:g}.",
    )


class _Designs(dict[str, CardDesign]):
    """Every card by its name, built when it is first asked for."""

    def __missing__(self, name: str) -> CardDesign:
        if not is_card_name(name):
            raise KeyError(name)
        self[name] = card_design(name)
        return self[name]


DESIGNS: dict[str, CardDesign] = _Designs()
"""Every card by its name."""
