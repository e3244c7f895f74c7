"""Draw a card true to size: vector PDF, PNG with a JSON beside it, or the raster alone."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import MARKER_DICTIONARY, MARKER_MODULES, CardDesign, Marker
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import MARK, check_output, picture_bytes, write_whole

MM_PER_INCH = 25.4
_POINTS_PER_MM = 72.0 / MM_PER_INCH
_BLACK, _WHITE = (0, 0, 0), (255, 255, 255)
_TICK_EVERY_MM, _TICK_MM, _LONG_TICK_MM, _BAR_LINE_MM = 10.0, 2.0, 3.6, 0.35
_DPI_RANGE = (20, 1200)


@dataclass(frozen=True)
class _Box:
    """A filled rectangle of the sheet, millimetres."""

    x0: float
    y0: float
    x1: float
    y1: float
    srgb: tuple[int, int, int]


def marker_code(marker_id: int) -> NDArray[np.bool_]:
    """Return the modules of a marker, ``(8, 8)``, border included; True is black."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    image = cv2.aruco.generateImageMarker(dictionary, marker_id, MARKER_MODULES, borderBits=1)
    return np.asarray(image == 0, dtype=np.bool_)


def _runs(modules: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.r_[True, modules, True]))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _marker_boxes(marker: Marker) -> Iterator[_Box]:
    (x0, y0), _, (x1, y1), _ = marker.corners_mm
    step = (x1 - x0) / MARKER_MODULES
    black = marker_code(marker.id)
    yield _Box(x0, y0, x1, y1, _BLACK)
    # White runs along the rows and again along the columns: no hairline is left between them.
    for n in range(MARKER_MODULES):
        for start, end in _runs(black[n]):
            low, high = y0 + n * step, y0 + (n + 1) * step
            yield _Box(x0 + start * step, low, x0 + end * step, high, _WHITE)
        for start, end in _runs(black[:, n]):
            low, high = x0 + n * step, x0 + (n + 1) * step
            yield _Box(low, y0 + start * step, high, y0 + end * step, _WHITE)


def _scale_bar_boxes(design: CardDesign) -> Iterator[_Box]:
    if design.scale_bar_mm is None:
        return
    (x0, y), (x1, _) = design.scale_bar_mm
    yield _Box(x0, y - _BAR_LINE_MM / 2, x1, y + _BAR_LINE_MM / 2, _BLACK)
    for n in range(round((x1 - x0) / _TICK_EVERY_MM) + 1):
        at, half = x0 + n * _TICK_EVERY_MM, _BAR_LINE_MM / 2
        tall = _LONG_TICK_MM if n % 5 == 0 else _TICK_MM
        # The end ticks lie inside the bar, so that it measures its length from edge to edge.
        left = min(max(at - half, x0), x1 - 2 * half)
        yield _Box(left, y - tall, left + 2 * half, y + _BAR_LINE_MM / 2, _BLACK)


def _boxes(design: CardDesign) -> Iterator[_Box]:
    for marker in design.markers:
        yield from _marker_boxes(marker)
    for patch in design.patches:
        (x, y), (w, h) = patch.centre_mm, patch.size_mm
        yield _Box(x - w / 2, y - h / 2, x + w / 2, y + h / 2, patch.srgb)
    yield from _scale_bar_boxes(design)


def _coverage(low: float, high: float, n: int) -> tuple[slice, NDArray[np.float32]]:
    """Return the pixels that an interval touches and how much of each it covers."""
    first, last = max(int(np.floor(low)), 0), min(int(np.ceil(high)), n)
    at = np.arange(first, last)
    share = np.clip(np.minimum(at + 1, high) - np.maximum(at, low), 0.0, 1.0)
    return slice(first, last), share.astype(np.float32)


def _fonts() -> tuple[Path, Path]:
    import reportlab

    folder = Path(reportlab.__file__).parent / "fonts"
    return folder / "Vera.ttf", folder / "VeraBd.ttf"


def card_image(design: CardDesign, *, dpi: float = 300) -> NDArray[np.uint8]:
    """Return the whole sheet as sRGB, ``(H, W, 3)``.

    Edges between pixels are drawn by their share, so that a coarse raster keeps its sizes.

    Parameters
    ----------
    design
        The card.
    dpi
        Pixels an inch, 20 to 1200.

    Raises
    ------
    LawnscoreError
        When ``dpi`` is out of range.
    """
    if not _DPI_RANGE[0] <= dpi <= _DPI_RANGE[1]:
        raise LawnscoreError(
            f"{dpi:g} dots per inch is out of range",
            f"Choose {_DPI_RANGE[0]} to {_DPI_RANGE[1]}; 300 is right for print.",
        )
    scale = dpi / MM_PER_INCH
    height, width = round(design.height_mm * scale), round(design.width_mm * scale)
    image = np.full((height, width, 3), 255, np.float32)
    for box in _boxes(design):
        rows, share_y = _coverage(box.y0 * scale, box.y1 * scale, height)
        columns, share_x = _coverage(box.x0 * scale, box.x1 * scale, width)
        share = (share_y[:, None] * share_x[None, :])[..., None]
        under = image[rows, columns]
        under += share * (np.array(box.srgb, np.float32) - under)
    return _with_words(np.rint(image).astype(np.uint8), design, scale)


def _with_words(image: NDArray[np.uint8], design: CardDesign, scale: float) -> NDArray[np.uint8]:
    from PIL import Image, ImageDraw, ImageFont

    sheet = Image.fromarray(image)
    pen = ImageDraw.Draw(sheet)
    for line in design.lines:
        font = ImageFont.truetype(str(_fonts()[line.bold]), max(line.size_mm * scale, 1.0))
        place = (line.x_mm * scale, line.y_mm * scale)
        pen.text(place, line.text, font=font, fill=_BLACK, anchor="ls")
    return np.asarray(sheet)


def card_json(design: CardDesign) -> dict[str, Any]:
    """Return what the JSON beside a PNG holds: sizes, patches, markers; millimetres, sRGB 0-255."""
    return {
        "name": design.name,
        "design": design.name,
        "made_by": MARK,
        "width_mm": design.width_mm,
        "height_mm": design.height_mm,
        "marker_dictionary": MARKER_DICTIONARY,
        "patches": [
            {
                "name": p.name,
                "kind": p.kind,
                "srgb": list(p.srgb),
                "centre_mm": list(p.centre_mm),
                "size_mm": list(p.size_mm),
            }
            for p in design.patches
        ],
        "markers": [
            {"id": m.id, "corners_mm": [list(c) for c in m.corners_mm]} for m in design.markers
        ],
        "scale_bar_mm": None
        if design.scale_bar_mm is None
        else [list(p) for p in design.scale_bar_mm],
    }


def _pdf(design: CardDesign) -> bytes:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    for name, file in zip(("card-text", "card-bold"), _fonts(), strict=True):
        pdfmetrics.registerFont(TTFont(name, str(file)))
    mm, height = _POINTS_PER_MM, design.height_mm
    out = io.BytesIO()
    canvas = Canvas(
        out,
        pagesize=(design.width_mm * mm, height * mm),
        invariant=1,
        initialFontName="card-text",
    )
    canvas.setTitle(f"lawnscore reference card {design.name}")
    canvas.setCreator(MARK)
    canvas.setViewerPreference("PrintScaling", "None")
    for box in _boxes(design):
        canvas.setFillColorRGB(*(v / 255 for v in box.srgb))
        canvas.rect(
            box.x0 * mm,
            (height - box.y1) * mm,
            (box.x1 - box.x0) * mm,
            (box.y1 - box.y0) * mm,
            stroke=0,
            fill=1,
        )
    canvas.setFillColorRGB(0, 0, 0)
    for line in design.lines:
        canvas.setFont("card-bold" if line.bold else "card-text", line.size_mm * mm)
        canvas.drawString(line.x_mm * mm, (height - line.y_mm) * mm, line.text)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _write_png(design: CardDesign, path: Path, dpi: float) -> None:
    beside = path.with_suffix(".json")
    check_output(path, ".png")
    check_output(beside, ".json")
    write_whole(path, picture_bytes(card_image(design, dpi=dpi), ".png", dpi=dpi))
    text = json.dumps(card_json(design), indent=1, ensure_ascii=False)
    write_whole(beside, (text + "\n").encode("utf-8"))


def draw_card(design: CardDesign, path: Path | str, *, dpi: float = 300) -> None:
    """Draw the whole sheet, true to size.

    A ``.pdf`` holds vectors; a ``.png`` has a ``.json`` of the same name beside it.

    Raises
    ------
    LawnscoreError
        When the suffix is another, the design is a bought chart, a file is there that this program
        did not make, or the file cannot be written.
    """
    path = Path(path)
    if not design.markers:
        raise LawnscoreError(
            f"`{design.name}` is a bought chart, not drawn here", "Draw one of the turf cards."
        )
    if path.suffix.lower() not in {".pdf", ".png"}:
        raise LawnscoreError(
            f"a card is drawn as .pdf or .png, not `{path.suffix}`",
            "Name the file OUT.pdf or OUT.png.",
        )
    if path.suffix.lower() == ".pdf":
        check_output(path, ".pdf")
        write_whole(path, _pdf(design))
    else:
        _write_png(design, path, dpi)
