"""Textures and blades: what a sward is drawn from.

A drawing is one (H, W, 3) uint8 array: palette number, height above the soil in 0.25 mm, and a
code for the direction of the surface (see :func:`code_of`). Blades are drawn one by one in
the order of their height, each in two or three convex pieces at a sixteenth of a pixel.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.demo.materials import GREEN, SOIL, STRAW, THATCH, YELLOWING

Drawing = NDArray[np.uint8]

HEIGHT_STEP_MM = 0.25
TILT_LEVELS_DEG = (6.0, 26.0, 46.0, 66.0)
TILE_PX = 1536
_SHIFT = 4  # fractional bits of drawn coordinates
_MANY = 2000  # polygons from which looking values up at the end pays; measured
_STRIP_ROWS = 16
_UNDERSTORY_COVER = 0.9  # share of the tile that is leaf; measured on the tile


def code_of(azimuth_rad: NDArray[np.floating], tilt_deg: NDArray[np.floating]) -> Drawing:
    """Pack surface directions into codes 0 to 63: 16 azimuths by 4 tilts from upright.

    The azimuth is where the upward normal leans to, counted from +x towards +y.
    """
    sector = np.round(np.asarray(azimuth_rad) * 8.0 / np.pi).astype(np.int64) % 16
    level = np.clip(np.round((np.asarray(tilt_deg) - 6.0) / 20.0), 0, 3).astype(np.int64)
    return np.asarray(sector + 16 * level, dtype=np.uint8)


def normals_of_codes() -> NDArray[np.float64]:
    """Return the unit normals (x, y, up) of the 64 codes, (64, 3)."""
    code = np.arange(64)
    azimuth = (code % 16) * np.pi / 8.0
    tilt = np.deg2rad(np.asarray(TILT_LEVELS_DEG)[code // 16])
    return np.column_stack(
        [np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)]
    )


def codes_of_relief(height_mm: NDArray[np.floating], mm_per_px: float) -> Drawing:
    """Return the codes of a height field."""
    h = np.asarray(height_mm, np.float32)
    gx = cv2.Scharr(h, cv2.CV_32F, 1, 0, scale=1 / 32) / mm_per_px
    gy = cv2.Scharr(h, cv2.CV_32F, 0, 1, scale=1 / 32) / mm_per_px
    tilt = np.rad2deg(np.arctan(np.hypot(gx, gy)))
    return code_of(np.arctan2(-gy, -gx), tilt)


def _character(variant: int, n: int) -> NDArray[np.float64]:
    """Return n factors about 1 in which a variant of a texture differs; all 1 for variant 0."""
    if variant == 0:
        return np.ones(n)
    return np.random.default_rng([variant, 17]).lognormal(0.0, 0.3, n)


@lru_cache(maxsize=24)
def soil_tile(grain: float, variant: int = 0) -> Drawing:
    """Return a seamless texture of soil crumbs, (TILE_PX, TILE_PX, 3), at 0.5 mm a pixel.

    Crumbs are cells around random seeds (Worley 1996) at three sizes; ``grain`` scales them.
    """
    rng = np.random.default_rng(11 if variant == 0 else [11, variant])
    character = _character(variant, 6)
    height = np.zeros((TILE_PX, TILE_PX), np.float32)
    tone = np.zeros_like(height)
    sizes = ((7.0, 0.8, 1.6), (22.0, 2.2, 1.3), (70.0, 4.0, 0.9))
    for k, (spacing_px, dome_mm, tone_sd) in enumerate(sizes):
        dome_mm, tone_sd = dome_mm * character[k], tone_sd * character[k + 3]
        distance, cell = _worley(rng, spacing_px * grain)
        size = rng.uniform(0.2, 1.0, cell.max() + 1).astype(np.float32) ** 1.5
        tone_of = rng.normal(0.0, tone_sd, cell.max() + 1).astype(np.float32)
        reach = size[cell] * spacing_px * grain * 0.8
        dome = np.sqrt(np.clip(1.0 - (distance / np.maximum(reach, 1e-3)) ** 2, 0.0, 1.0))
        height += dome * size[cell] * dome_mm
        tone += np.where(dome > 0, tone_of[cell], -0.5 * tone_sd)
    tone += rng.normal(0.0, 1.0, tone.shape).astype(np.float32)
    number = np.clip(np.round(SOIL.first + 7.5 + 1.1 * tone), SOIL.first, SOIL.first + 15)
    packed = np.clip(height / HEIGHT_STEP_MM, 0, 255)
    smooth = cv2.GaussianBlur(height, (0, 0), 0.8)
    return np.dstack([number, packed, codes_of_relief(0.8 * smooth, 0.5)]).astype(np.uint8)


def _worley(
    rng: np.random.Generator, spacing_px: float
) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Return the distance to the nearest of random seeds and that seed's number, seamless."""
    pad = int(4 * spacing_px)
    n = int((TILE_PX / spacing_px) ** 2)
    seeds = np.full((TILE_PX, TILE_PX), 255, np.uint8)
    seeds[rng.integers(0, TILE_PX, n), rng.integers(0, TILE_PX, n)] = 0
    wrapped = np.pad(seeds, pad, mode="wrap")
    distance, label = cv2.distanceTransformWithLabels(
        wrapped, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    inner = (slice(pad, -pad), slice(pad, -pad))
    return np.asarray(distance[inner], np.float32), np.asarray(label[inner], np.int32)


@lru_cache(maxsize=8)
def thatch_tile(variant: int = 0) -> tuple[Drawing, Drawing]:
    """Return a seamless felt of dead fibres and the rank (0 to 255) of each fibre.

    A pixel of rank r shows where the wanted share of thatch exceeds r / 255.
    """
    rng = np.random.default_rng(12 if variant == 0 else [12, variant])
    longer, wider = _character(variant, 2)
    n = round(26000 / (longer * wider))
    base = rng.uniform(0, TILE_PX, (n, 2))
    length = longer * rng.lognormal(np.log(26), 0.5, n)
    width = wider * rng.choice([1.0, 1.6, 2.4, 3.4], n, p=[0.35, 0.35, 0.2, 0.1])
    azimuth = rng.uniform(0, 2 * np.pi, n)
    number = rng.integers(THATCH.first, THATCH.first + THATCH.count, n)
    height = rng.integers(8, 26, n)
    code = code_of(azimuth + np.pi / 2 * rng.choice([-1, 1], n), rng.uniform(0, 40, n))
    rank = rng.integers(0, 256, n)
    return _wrapped_tile(
        base, azimuth, length, width, np.column_stack([number, height, code, rank])
    )


@lru_cache(maxsize=8)
def understory_tile(variant: int = 0) -> tuple[Drawing, Drawing]:
    """Return a seamless low, dense sward and the rank of each blade.

    Palette numbers are those of healthy leaf; :func:`lay_understory` turns a share to straw.
    """
    rng = np.random.default_rng(13 if variant == 0 else [13, variant])
    longer, wider = _character(variant, 2)
    n = round(52000 / (longer * wider))
    base = rng.uniform(0, TILE_PX, (n, 2))
    length = longer * rng.lognormal(np.log(24), 0.4, n)
    width = wider * rng.uniform(2.0, 4.6, n)
    azimuth = rng.uniform(0, 2 * np.pi, n)
    number = rng.integers(GREEN.first, GREEN.first + GREEN.count, n)
    height = np.sort(rng.integers(16, 60, n))
    code = code_of(azimuth + np.pi + rng.normal(0, 0.8, n), rng.uniform(5, 70, n))
    rank = rng.integers(0, 256, n)
    return _wrapped_tile(
        base, azimuth, length, width, np.column_stack([number, height, code, rank])
    )


def _wrapped_tile(
    base: NDArray[np.float64],
    azimuth: NDArray[np.float64],
    length: NDArray[np.float64],
    width: NDArray[np.float64],
    values: NDArray[np.integer],
) -> tuple[Drawing, Drawing]:
    """Draw tapered blades on a torus; a rank of 255 stays where nothing is drawn."""
    tile = np.zeros((TILE_PX, TILE_PX, 4), np.uint8)
    tile[..., 3] = 255
    values = values.copy()
    values[:, 3] = np.clip(values[:, 3], 0, 254)
    along = np.column_stack([np.cos(azimuth), np.sin(azimuth)])
    quads = _taper(base, base + along * length[:, None], width, 0.4)
    reach = 128.0
    for dx in (-TILE_PX, 0, TILE_PX):
        for dy in (-TILE_PX, 0, TILE_PX):
            offset = np.array([dx, dy])
            at = base + offset
            near = np.all((at > -reach) & (at < TILE_PX + reach), axis=1)
            fill(tile, quads[near] + offset, values[near])
    return np.ascontiguousarray(tile[..., :3]), np.ascontiguousarray(tile[..., 3])


def _taper(
    start: NDArray[np.float64], end: NDArray[np.float64], width: NDArray[np.float64], tip: float
) -> NDArray[np.float64]:
    """Return quadrilaterals (n, 4, 2) from start (full width) to end (``tip`` of the width)."""
    along = end - start
    across = np.column_stack([-along[:, 1], along[:, 0]])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-6)
    half = across * (width[:, None] / 2.0)
    return np.stack([start - half, start + half, end + tip * half, end - tip * half], axis=1)


def fill(drawing: Drawing, polygons_px: NDArray[np.float64], values: NDArray[np.integer]) -> None:
    """Fill convex polygons (n, k, 2) in order, each with its values (n, channels)."""
    fixed = np.round(polygons_px * (1 << _SHIFT)).astype(np.int32)
    if len(fixed) < _MANY:
        for polygon, value in zip(fixed, values.tolist(), strict=True):
            cv2.fillConvexPoly(drawing, polygon, value, cv2.LINE_8, _SHIFT)
        return
    # One number a polygon is quicker to hand over than its values; those are looked up at the end.
    top = np.zeros(drawing.shape[:2], np.int32)
    for number, polygon in enumerate(fixed, 1):
        cv2.fillConvexPoly(top, polygon, number, cv2.LINE_8, _SHIFT)
    table = np.vstack([np.zeros(values.shape[1]), values]).astype(np.uint8)
    for rows in strips(drawing.shape):
        drawn = np.take(table, top[rows], axis=0, mode="clip")
        cv2.copyTo(drawn, (top[rows] > 0).astype(np.uint8), drawing[rows])


def strips(shape: tuple[int, ...]) -> Iterator[slice]:
    """Yield the rows of an image in strips that the processor's cache holds."""
    for start in range(0, shape[0], _STRIP_ROWS):
        yield slice(start, start + _STRIP_ROWS)


def spread_tile(
    tile: NDArray[np.uint8], shape: tuple[int, int], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Cover a scene with a seamless tile, started at a random place."""
    h, w = shape
    side = tile.shape[0]
    oy, ox = (int(v) for v in rng.integers(0, side, 2))
    out = np.empty((h, w, *tile.shape[2:]), np.uint8)
    for y in range(-oy, h, side):
        for x in range(-ox, w, side):
            rows, cols = slice(max(y, 0), min(y + side, h)), slice(max(x, 0), min(x + side, w))
            out[rows, cols] = tile[rows.start - y : rows.stop - y, cols.start - x : cols.stop - x]
    return out


def tread(drawing: Drawing, share: float) -> None:
    """Press soil flat: ``share`` 0 leaves the crumbs as they are, 1 a level, even surface."""
    keep = 1.0 - share
    steps = np.arange(256)
    middle = SOIL.first + 7.5
    number = np.where(
        steps < SOIL.first + SOIL.count, middle + (steps - middle) * (0.3 + 0.7 * keep), steps
    )
    code = steps % 16 + 16 * np.round(steps // 16 * keep)
    for channel, table in enumerate((np.round(number), steps * keep, code)):
        lut = np.clip(table, 0, 255).astype(np.uint8)
        drawing[..., channel] = cv2.LUT(np.ascontiguousarray(drawing[..., channel]), lut)


def lay_thatch(
    drawing: Drawing, share: NDArray[np.uint8], rng: np.random.Generator, *, variant: int = 0
) -> None:
    """Lay thatch over the soil where its rank is below the wanted share (0 to 255)."""
    layer, rank = _spread_both(thatch_tile(variant), drawing, rng)
    cv2.copyTo(layer, cv2.compare(rank, share, cv2.CMP_LT), drawing)


def _spread_both(
    tiles: tuple[Drawing, Drawing], drawing: Drawing, rng: np.random.Generator
) -> tuple[Drawing, Drawing]:
    """Cover the scene with a texture and its ranks, both started at the same place."""
    state = rng.bit_generator.state
    layer = spread_tile(tiles[0], drawing.shape[:2], rng)
    rng.bit_generator.state = state
    return layer, spread_tile(tiles[1], drawing.shape[:2], rng)


def lay_understory(
    drawing: Drawing,
    share: NDArray[np.uint8],
    straw_share: float,
    rng: np.random.Generator,
    *,
    variant: int = 0,
) -> None:
    """Lay the low sward where its rank is below the wanted share; turn some leaf to straw."""
    layer, rank = _spread_both(understory_tile(variant), drawing, rng)
    # The numbers of healthy leaf are shuffled and the first of them read as straw: which blades
    # are dead follows from the palette number and the code, so whole blades turn, not pixels.
    table = rng.permutation(GREEN.count) + GREEN.first
    n_straw = round(straw_share * GREEN.count)
    straw = rng.integers(STRAW.first, STRAW.first + STRAW.count, GREEN.count)
    table[:n_straw] = straw[:n_straw]
    lut = np.arange(256, dtype=np.uint8)
    lut[GREEN.first : GREEN.first + GREEN.count] = table
    layer[..., 0] = cv2.LUT(layer[..., 0], lut)
    cv2.copyTo(layer, cv2.compare(rank, share, cv2.CMP_LT), drawing)


def draw_blades(drawing: Drawing, blades: Blades, mm_per_px: float) -> None:
    """Draw blades from the lowest to the highest."""
    order = np.argsort(blades.tip_height_mm, kind="stable")
    polygons, values = _pieces(blades.take(order), mm_per_px)
    fill(drawing, polygons, values)


class Blades:
    """Blades of grass: root, direction, length, width, heights, palette number.

    Arrays of one length n; millimetres in the frame of the scene; ``azimuth_rad`` is where
    the blade points to, seen from above.
    """

    fields = (
        "x_mm",
        "y_mm",
        "azimuth_rad",
        "length_mm",
        "width_mm",
        "tip_height_mm",
        "bend",
        "roll_deg",
        "number",
        "tip_number",
    )

    def __init__(self, **arrays: NDArray[np.floating] | NDArray[np.integer]) -> None:
        for name in self.fields:
            setattr(self, name, np.asarray(arrays[name]))

    x_mm: NDArray[np.floating]
    y_mm: NDArray[np.floating]
    azimuth_rad: NDArray[np.floating]
    length_mm: NDArray[np.floating]
    width_mm: NDArray[np.floating]
    tip_height_mm: NDArray[np.floating]
    bend: NDArray[np.floating]
    roll_deg: NDArray[np.floating]
    number: NDArray[np.integer]
    tip_number: NDArray[np.integer]

    def __len__(self) -> int:
        return len(self.x_mm)

    def take(self, index: NDArray[np.integer] | NDArray[np.bool_]) -> Blades:
        """Return the blades chosen by an index or a mask."""
        return Blades(**{name: getattr(self, name)[index] for name in self.fields})


def _pieces(b: Blades, mm_per_px: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the convex pieces (3n, 4, 2) px and their values (3n, 3), blade by blade."""
    along = np.column_stack([np.cos(b.azimuth_rad), np.sin(b.azimuth_rad)])
    across = np.column_stack([-along[:, 1], along[:, 0]])
    root = np.column_stack([b.x_mm, b.y_mm])
    reach = b.length_mm[:, None]
    middle = root + 0.5 * reach * along
    tip = root + reach * along + (b.bend * b.length_mm)[:, None] * across
    width = np.asarray(b.width_mm / mm_per_px, dtype=np.float64)
    root, middle, tip = root / mm_per_px, middle / mm_per_px, tip / mm_per_px
    lower = _taper(root, middle, width, 1.0)
    upper = _taper(middle, tip, width, 0.35)
    fold = _taper(root + 0.22 * width[:, None] * across, middle + 0.22 * width[:, None] * across,
                  0.56 * width, 1.0)  # fmt: skip
    steep = np.rad2deg(np.arctan2(b.tip_height_mm, b.length_mm))
    back = b.azimuth_rad + np.pi  # a rising blade's upper face leans back over its root
    lean_low = np.clip(steep * 1.3, 0, 72)
    lean_top = np.clip(np.abs(steep * 0.6 + 0.5 * b.roll_deg), 0, 72)
    turn = np.deg2rad(b.roll_deg)
    low = np.column_stack([b.number, b.tip_height_mm * 0.55 / HEIGHT_STEP_MM,
                           code_of(back + turn, lean_low)])  # fmt: skip
    side = np.column_stack([b.number, b.tip_height_mm * 0.5 / HEIGHT_STEP_MM,
                            code_of(back + turn + 1.2, lean_low + 15)])  # fmt: skip
    top = np.column_stack([b.tip_number, b.tip_height_mm * 0.9 / HEIGHT_STEP_MM,
                           code_of(back + 1.5 * turn, lean_top)])  # fmt: skip
    polygons = np.stack([lower, fold, upper], axis=1)
    values = np.clip(np.stack([low, side, top], axis=1), 0, 255).astype(np.int64)
    keep = np.ones((len(b), 3), bool)
    keep[:, 1] = width > 2.5  # a fold narrower than a pixel is not worth its time
    return polygons[keep], values[keep]


def healthy_numbers(
    n: int, *, yellowing: float, straw: float, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Draw palette numbers of n blades, of which shares are yellowing and dead."""
    number = rng.integers(GREEN.first, GREEN.first + GREEN.count, n)
    pick = rng.random(n)
    yellow = pick < yellowing
    number[yellow] = rng.integers(YELLOWING.first, YELLOWING.first + YELLOWING.count, yellow.sum())
    dead = rng.random(n) < straw
    number[dead] = rng.integers(STRAW.first, STRAW.first + STRAW.count, dead.sum())
    return number
