"""A picture of what was seen: classes over the flattened ground, beside the photo itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.photo.classes import SURFACES

if TYPE_CHECKING:
    from PIL import ImageDraw

    from lawnscore.photo.score import PhotoViews

Picture = NDArray[np.uint8]

PALETTE: dict[str, tuple[int, int, int]] = {
    "green": (38, 114, 96),
    "straw": (242, 226, 130),
    "soil": (74, 36, 10),
    "cast": (255, 82, 160),
    "litter": (98, 204, 250),
}
"""sRGB of each surface; apart in lightness, so that they stay apart in every kind of colour
vision (checked by simulation). Our own choice."""

NAMES = {
    "green": "green leaf",
    "straw": "straw",
    "soil": "bare soil",
    "cast": "cast",
    "litter": "litter",
}

PANEL_PX = 1150
"""Longer side of each of the two panels, px."""

DRAWN_PX = 1500
"""Longer side of the ground as drawn, before it is turned and fitted to its panel, px."""

_RING = (255, 255, 255)
_RING_EDGE = (40, 10, 30)
_PATCH_EDGE = (255, 255, 255)
_HATCH = (205, 208, 212)
_HATCH_LINE = (160, 165, 172)
_PAPER = (255, 255, 255)
_INK = (33, 37, 41)
_MARGIN = 24


def corrected_ground(
    views: PhotoViews, *, window_mm: tuple[float, float, float, float] | None = None
) -> Picture:
    """Return the flattened ground as it would look in daylight, (H, W, 3) uint8 sRGB.

    Parameters
    ----------
    views
        What the stages saw (`score_photo(..., keep_views=True)`).
    window_mm
        Left, top, right and bottom in the card frame, mm; all of it when ``None``. What lies
        outside the ground is cut off.

    Raises
    ------
    ValueError
        When the window does not meet the ground.
    """
    rgb = views.ground.rgb
    if window_mm is not None:
        scale, (x0, y0) = views.ground.mm_per_px, views.ground.origin_mm
        left, top, right, bottom = (
            round((edge - start) / scale)
            for edge, start in zip(window_mm, (x0, y0, x0, y0), strict=True)
        )
        rgb = rgb[max(0, top) : max(0, bottom), max(0, left) : max(0, right)]
        if rgb.size == 0:
            raise ValueError(f"the window {window_mm} does not meet the ground")
    return _daylight(rgb, views)


def _daylight(rgb: Picture, views: PhotoViews) -> Picture:
    from lawnscore.card.colourspace import encode_srgb

    bits = 6
    linear = np.clip(views.colour_fit.table(bits), 0, 1)
    table = np.round(255 * encode_srgb(linear)).astype(np.uint8)
    red, green, blue = (rgb[..., k].astype(np.int32) >> (8 - bits) for k in range(3))
    out: Picture = table[red << 2 * bits | green << bits | blue]
    return out


def draw_overlay(views: PhotoViews) -> Picture:
    """Draw the photo and, beside it, what was seen in it; (h, w, 3) uint8 sRGB.

    Left the photo with the measured ground outlined; right the ground from straight above, each
    cell in the mixed colour of its surfaces, casts ringed, bare patches outlined, what was not
    measured hatched; below a legend and a scale bar.
    """
    left = _photo_panel(views)
    right, mm_per_px = _class_panel(views)
    return _sheet(left, right, mm_per_px, views)


def _photo_panel(views: PhotoViews) -> Picture:
    photo = views.photo
    scale = PANEL_PX / max(photo.rgb.shape[:2])
    panel = cv2.resize(photo.rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    for corners, colour in (
        (views.ground.measured_polygon_px, (255, 255, 255)),
        (views.card_fit.sheet_px, (255, 170, 0)),
    ):
        points = (np.asarray(corners, dtype=np.float64) / photo.reduction * scale).round()
        line = [points.astype(np.int32).reshape(-1, 1, 2)]
        cv2.polylines(panel, line, True, (0, 0, 0), 5, cv2.LINE_AA)
        cv2.polylines(panel, line, True, colour, 2, cv2.LINE_AA)
    return np.asarray(panel, dtype=np.uint8)


def _class_panel(views: PhotoViews) -> tuple[Picture, float]:
    ground = views.ground
    scale = DRAWN_PX / max(ground.rgb.shape[:2])
    size = (round(ground.rgb.shape[1] * scale), round(ground.rgb.shape[0] * scale))
    seen = cv2.resize(_daylight(ground.rgb, views), size, interpolation=cv2.INTER_AREA)
    panel = _tinted(np.asarray(seen, dtype=np.uint8), views)
    _outline_patches(panel, views)
    _ring_casts(panel, views, scale)
    mask = cv2.resize(_left_out(views), size, interpolation=cv2.INTER_NEAREST)
    panel, left_out = _turned_as_photo(panel, np.asarray(mask, dtype=np.uint8), views)
    fit = PANEL_PX / max(panel.shape[:2])
    fitted = np.array(cv2.resize(panel, None, fx=fit, fy=fit, interpolation=cv2.INTER_AREA))
    hidden = cv2.resize(left_out, fitted.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
    fitted[hidden] = _hatched(fitted.shape[:2])[hidden]
    return fitted.astype(np.uint8), ground.mm_per_px / scale / fit


def _left_out(views: PhotoViews) -> NDArray[np.uint8]:
    """Return 1 for ground pixels in no measured cell, else 0; the last few rows have no cell."""
    height, width = views.ground.mask.shape
    out = np.ones((height, width), np.uint8)
    side = round(views.classes.cell_mm / views.ground.mm_per_px)
    weight = views.classes.weight
    fine = (side * weight.shape[1], side * weight.shape[0])
    cells = cv2.resize((weight <= 0).astype(np.uint8), fine, interpolation=cv2.INTER_NEAREST)
    out[: fine[1], : fine[0]] = cells[:height, :width]
    return out


def _turned_as_photo(panel: Picture, mask: Picture, views: PhotoViews) -> tuple[Picture, Picture]:
    """Turn the panel as the photo is turned, and cut off what was not measured around it."""
    top_left, top_right = views.card_fit.sheet_px[:2]
    along = np.asarray(top_right) - np.asarray(top_left)
    angle = float(np.degrees(np.arctan2(along[1], along[0])))
    height, width = mask.shape
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), -angle, 1.0)
    turned = _row_ends(mask == 0) @ matrix[:, :2].T + matrix[:, 2]
    low = turned.min(axis=0) - _MARGIN / 2
    matrix[:, 2] -= low
    size = tuple(int(v) for v in np.ceil(turned.max(axis=0) + _MARGIN / 2 - low))
    out = cv2.warpAffine(panel, matrix, size, flags=cv2.INTER_LINEAR)
    hidden = cv2.warpAffine(
        mask,
        matrix,
        size,
        flags=cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(1,),
    )
    return np.asarray(out, dtype=np.uint8), np.asarray(hidden, dtype=np.uint8)


def _row_ends(shown: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the first and the last shown pixel of each row, (n, 2) x and y: all hull corners."""
    rows = np.flatnonzero(shown.any(axis=1))
    first = shown[rows].argmax(axis=1)
    last = shown.shape[1] - 1 - shown[rows, ::-1].argmax(axis=1)
    return np.column_stack([np.concatenate([first, last]), np.concatenate([rows, rows])])


def _tinted(seen: Picture, views: PhotoViews) -> Picture:
    """Mix the colours of the surfaces by their shares, shaded by the ground's own texture."""
    colours = np.array([PALETTE[name] for name in SURFACES], dtype=np.float32)
    cells = views.classes.shares @ colours
    mixed = cv2.resize(_spread_to_ground(cells, views), seen.shape[1::-1])
    grey = cv2.cvtColor(seen, cv2.COLOR_RGB2GRAY).astype(np.float32)
    texture = np.clip(grey / max(float(np.median(grey)), 1.0), 0.3, 1.6)[..., None]
    out: Picture = np.clip(mixed * (0.72 + 0.28 * texture), 0, 255).astype(np.uint8)
    return out


def _spread_to_ground(cells: NDArray[np.floating], views: PhotoViews) -> NDArray[np.float32]:
    """Bring (Hc, Wc, ...) cells to ground pixels at a quarter size, edges repeated to fill."""
    height, width = views.ground.rgb.shape[:2]
    per_cell = views.classes.cell_mm / views.ground.mm_per_px
    rows = np.minimum((np.arange(0, height, 2) / per_cell).astype(int), cells.shape[0] - 1)
    cols = np.minimum((np.arange(0, width, 2) / per_cell).astype(int), cells.shape[1] - 1)
    return np.asarray(cells[rows][:, cols], dtype=np.float32)


def _hatched(shape: tuple[int, ...]) -> Picture:
    row, col = np.indices(shape[:2])
    out = np.empty((*shape[:2], 3), dtype=np.uint8)
    out[:] = _HATCH
    out[(row + col) % 14 < 2] = _HATCH_LINE
    return out


def _outline_patches(panel: Picture, views: PhotoViews) -> None:
    inside = _spread_to_ground((views.patches.labels > 0).astype(np.float32), views)
    mask = cv2.resize(inside, panel.shape[1::-1], interpolation=cv2.INTER_LINEAR) > 0.5
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(panel, outlines, -1, (0, 0, 0), 5, cv2.LINE_AA)
    cv2.drawContours(panel, outlines, -1, _PATCH_EDGE, 2, cv2.LINE_AA)


def _ring_casts(panel: Picture, views: PhotoViews, scale: float) -> None:
    """Ring each likely cast; a doubtful one (less than even) gets a thin ring."""
    ground, casts = views.ground, views.casts
    x = (casts.x_mm - ground.origin_mm[0]) / ground.mm_per_px * scale
    y = (casts.y_mm - ground.origin_mm[1]) / ground.mm_per_px * scale
    radius = casts.diameter_mm / 2 / ground.mm_per_px * scale + 3
    for cx, cy, r, chance in zip(x, y, radius, casts.probability, strict=True):
        if chance < 0.2:
            continue
        centre = (round(float(cx)), round(float(cy)))
        cv2.circle(panel, centre, round(float(r)), _RING_EDGE, 4, cv2.LINE_AA)
        width = 2 if chance >= 0.5 else 1
        cv2.circle(panel, centre, round(float(r)), _RING, width, cv2.LINE_AA)


def _sheet(left: Picture, right: Picture, mm_per_px: float, views: PhotoViews) -> Picture:
    from PIL import Image, ImageDraw, ImageFont

    title_px, legend_px = 54, 118
    height = max(left.shape[0], right.shape[0])
    width = 3 * _MARGIN + left.shape[1] + right.shape[1]
    sheet = Image.new("RGB", (width, height + title_px + legend_px + _MARGIN), _PAPER)
    draw = ImageDraw.Draw(sheet)
    right_x = 2 * _MARGIN + left.shape[1]
    sheet.paste(Image.fromarray(left), (_MARGIN, title_px))
    sheet.paste(Image.fromarray(right), (right_x, title_px))
    font = ImageFont.load_default(size=24)
    draw.text((_MARGIN, 14), f"photo: {views.photo.path.name}", _INK, font)
    area = float(views.classes.weight.sum()) * (views.classes.cell_mm / 1000) ** 2
    draw.text(
        (right_x, 14), f"what was seen, from straight above ({area:.2f} square metres)", _INK, font
    )
    below = title_px + height + 18
    _draw_legend(draw, _MARGIN, below, views)
    _draw_scale_bar(draw, width - _MARGIN, below, mm_per_px)
    return np.asarray(sheet, dtype=np.uint8)


def _draw_legend(draw: ImageDraw.ImageDraw, x: int, y: int, views: PhotoViews) -> None:
    from PIL import ImageFont

    font = ImageFont.load_default(size=22)
    weight = views.classes.weight
    share = np.einsum("ijk,ij->k", views.classes.shares, weight) / max(float(weight.sum()), 1e-9)
    at = x
    for name, part in zip(SURFACES, share, strict=True):
        draw.rectangle((at, y, at + 34, y + 28), PALETTE[name], _INK)
        words = f"{NAMES[name]} {100 * part:.1f} %"
        draw.text((at + 44, y), words, _INK, font)
        at += 44 + round(font.getlength(words)) + 34
    y, at = y + 48, x
    draw.ellipse((at + 3, y, at + 31, y + 28), PALETTE["cast"], _RING_EDGE, 5)
    draw.ellipse((at + 5, y + 2, at + 29, y + 26), None, _RING, 2)
    words = f"cast ({views.casts.probability.sum():.0f} counted)"
    draw.text((at + 44, y), words, _INK, font)
    at += 44 + round(font.getlength(words)) + 34
    draw.rectangle((at, y, at + 34, y + 28), PALETTE["soil"], (0, 0, 0), 4)
    draw.rectangle((at + 2, y + 2, at + 32, y + 26), None, _PATCH_EDGE, 2)
    words = f"bare patch ({views.patches.area_cm2.size} seen)"
    draw.text((at + 44, y), words, _INK, font)
    at += 44 + round(font.getlength(words)) + 34
    draw.rectangle((at, y, at + 34, y + 28), _HATCH, _INK)
    for step in (6, 16, 26):
        draw.line((at + step, y + 28, at + step + 8, y), _HATCH_LINE, 2)
    draw.text((at + 44, y), "not measured: card, rim, too far or too oblique", _INK, font)


def _draw_scale_bar(draw: ImageDraw.ImageDraw, right: int, y: int, mm_per_px: float) -> None:
    from PIL import ImageFont

    length_mm = next(mm for mm in (1000, 500, 200, 100, 50) if mm / mm_per_px < 420 or mm == 50)
    length = round(length_mm / mm_per_px)
    draw.rectangle((right - length, y + 8, right, y + 18), _INK)
    draw.rectangle((right - length // 2, y + 10, right - 2, y + 16), _PAPER)
    font = ImageFont.load_default(size=22)
    words = f"{length_mm / 10:.0f} cm"
    draw.text((right - font.getlength(words), y + 26), words, _INK, font)
