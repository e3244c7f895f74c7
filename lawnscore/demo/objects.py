"""Things on a sward: earthworm casts, fallen leaves, broad-leaved weeds, moss, stones.

All are drawn into a drawing of :mod:`lawnscore.demo.sward` at a known place and size.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.demo.materials import CAST, LITTER, MOSS, STONE, WEED, Block
from lawnscore.demo.sward import HEIGHT_STEP_MM, Drawing, code_of, codes_of_relief, fill

Floats = NDArray[np.float64]


def draw_cast(
    drawing: Drawing,
    centre_mm: tuple[float, float],
    diameter_mm: float,
    *,
    state: str,
    mm_per_px: float,
    rng: np.random.Generator,
) -> float:
    """Draw one cast; return the diameter of the circle of the same area, mm.

    ``dry`` and ``wet`` casts are heaps of coils: short worms of soil, 2 to 5 mm thick, stacked
    towards the middle. ``smeared`` ones are trodden flat: an uneven film with few lumps.
    """
    size = int(diameter_mm * (1.9 if state == "smeared" else 1.5) / mm_per_px) + 8
    relief = _smear(size, diameter_mm, mm_per_px, rng) if state == "smeared" else _coils(
        size, diameter_mm, mm_per_px, rng
    )  # fmt: skip
    mask = relief > 0.05
    tone = cv2.GaussianBlur(rng.normal(0, 6.0, relief.shape).astype(np.float32), (0, 0), 3)
    number = CAST.first + 5.5 + tone + rng.normal(0, 0.7, relief.shape) + rng.normal(0, 1.5)
    number = np.clip(np.round(number), CAST.first, CAST.first + CAST.count - 1)
    lift = 6.0 if state == "smeared" else 10.0
    patch = np.dstack(
        [
            number,
            np.clip((relief + lift) / HEIGHT_STEP_MM, 0, 255),
            codes_of_relief(
                np.asarray(cv2.GaussianBlur(relief, (0, 0), 0.9), np.float32), mm_per_px
            ),
        ]
    ).astype(np.uint8)
    _paste(drawing, patch, mask, centre_mm, mm_per_px)
    return float(2.0 * np.sqrt(mask.sum() * mm_per_px**2 / np.pi))


def _coils(
    size: int, diameter_mm: float, mm_per_px: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    relief = np.zeros((size, size), np.float32)
    yy, xx = np.mgrid[:size, :size].astype(np.float32)
    n = int(np.clip(0.09 * diameter_mm**2 / 3.0, 5, 60))
    radius = diameter_mm / 2.0 / mm_per_px
    squash, turn = rng.uniform(0.7, 1.0), rng.uniform(0, np.pi)
    for _ in range(n):
        r = radius * np.sqrt(rng.random()) * 0.82
        a = rng.uniform(0, 2 * np.pi)
        u, v = r * np.cos(a), r * np.sin(a) * squash
        thick = rng.uniform(1.6, 3.4) / mm_per_px * (0.7 + diameter_mm / 60.0)
        x, y = (
            size / 2 + u * np.cos(turn) - v * np.sin(turn),
            size / 2 + u * np.sin(turn) + v * np.cos(turn),
        )
        stretch, heading = rng.uniform(1.0, 2.2), rng.uniform(0, np.pi)
        du, dv = xx - x, yy - y
        p = (du * np.cos(heading) + dv * np.sin(heading)) / stretch
        q = -du * np.sin(heading) + dv * np.cos(heading)
        dome = np.sqrt(np.clip(1.0 - (p * p + q * q) / thick**2, 0.0, 1.0)) * thick * mm_per_px
        stack = 0.22 * diameter_mm * (1.0 - r / radius)
        relief = np.maximum(relief, np.where(dome > 0, dome + stack, 0.0))
    return relief


def _smear(
    size: int, diameter_mm: float, mm_per_px: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    yy, xx = np.mgrid[:size, :size].astype(np.float32) - size / 2.0
    heading, stretch = rng.uniform(0, np.pi), rng.uniform(1.1, 2.0)
    p = (xx * np.cos(heading) + yy * np.sin(heading)) / stretch**0.5
    q = (-xx * np.sin(heading) + yy * np.cos(heading)) * stretch**0.5
    noise = rng.normal(0, 1, (size, size)).astype(np.float32)
    ragged = np.asarray(cv2.GaussianBlur(noise, (0, 0), 4), np.float32)
    ragged = ragged / np.float32(max(float(ragged.std()), 1e-6))
    inside = 1.0 - np.hypot(p, q) * mm_per_px / (diameter_mm / 2.0) + 0.22 * ragged
    film = np.clip(inside, 0.0, 0.25) * 6.0
    film = np.where(inside > 0, film + 0.4 + 0.25 * np.abs(ragged), 0.0)
    return np.asarray(film, dtype=np.float32)


def draw_leaf(
    drawing: Drawing,
    centre_mm: tuple[float, float],
    length_mm: float,
    *,
    block: Block = LITTER,
    mm_per_px: float,
    rng: np.random.Generator,
) -> None:
    """Draw one fallen leaf: two curled halves along a midrib, outline smooth or lobed.

    With ``block`` the leaf of something else that lies flat, as of a creeping weed.
    """
    t = np.linspace(0.0, 1.0, 24)
    lobes = rng.choice([0.0, 0.0, 0.22]) * np.abs(np.sin(rng.uniform(4, 7) * np.pi * t))
    half = rng.uniform(0.22, 0.42) * np.sin(np.pi * t**0.85) * (1.0 - lobes)
    bow = rng.normal(0, 0.06) * np.sin(np.pi * t)
    heading = rng.uniform(0, 2 * np.pi)
    number = int(rng.integers(block.first, block.first + block.count))
    height = int(rng.uniform(14, 30) / HEIGHT_STEP_MM)
    along = np.array([np.cos(heading), np.sin(heading)])
    across = np.array([-along[1], along[0]])
    spine = np.asarray(centre_mm) + length_mm * ((t - 0.5)[:, None] * along + bow[:, None] * across)
    curl = rng.uniform(5, 45)
    for side in (1.0, -1.0):
        edge = spine + side * length_mm * half[:, None] * across
        code = int(code_of(np.array(heading + side * np.pi / 2), np.array(curl)))
        outline = np.concatenate([spine, edge[::-1]]) / mm_per_px
        cv2.fillPoly(drawing, [np.round(outline * 16).astype(np.int32)],
                     (number, height, code), cv2.LINE_8, 4)  # fmt: skip
    for at in rng.uniform(0.2, 0.8, rng.poisson(3.0)):  # blotches: no old leaf is of one colour
        spot = spine[int(at * 23)] + rng.normal(0, 0.08 * length_mm) * across
        tone = int(rng.integers(block.first, block.first + block.count))
        code = int(code_of(np.array(heading + rng.normal(0, 1)), np.array(rng.uniform(0, 40))))
        radius = max(int(length_mm * rng.uniform(0.02, 0.09) / mm_per_px * 16), 8)
        centre = np.round(spot / mm_per_px * 16).astype(int).tolist()
        cv2.circle(drawing, centre, radius, (tone, height, code), -1, cv2.LINE_8, 4)
    other = min(number + 1, block.first + block.count - 1)
    flat = int(code_of(np.array(heading), np.array(6.0)))
    cv2.polylines(drawing, [np.round(spine / mm_per_px * 16).astype(np.int32)], False,
                  (other, height, flat), 1, cv2.LINE_8, 4)  # fmt: skip


def draw_rosette(
    drawing: Drawing,
    centre_mm: tuple[float, float],
    length_mm: float,
    *,
    mm_per_px: float,
    rng: np.random.Generator,
) -> None:
    """Draw a broad-leaved weed: 5 to 9 leaves around a root, each in two halves."""
    n = int(rng.integers(5, 10))
    start = rng.uniform(0, 2 * np.pi)
    slim = rng.uniform(0.12, 0.3)
    t = np.linspace(0.0, 1.0, 10)
    for i in range(n):
        heading = start + 2 * np.pi * i / n + rng.normal(0, 0.2)
        reach = length_mm * rng.uniform(0.6, 1.0)
        along = np.array([np.cos(heading), np.sin(heading)])
        across = np.array([-along[1], along[0]])
        spine = np.asarray(centre_mm) + reach * t[:, None] * along
        half = slim * reach * np.sin(np.pi * t**1.6)
        number = int(rng.integers(WEED.first, WEED.first + WEED.count))
        height = int(rng.uniform(10, 25) / HEIGHT_STEP_MM)
        for side in (1.0, -1.0):
            edge = spine + side * half[:, None] * across
            code = int(code_of(np.array(heading - side * 1.3), np.array(rng.uniform(10, 40))))
            outline = np.concatenate([spine, edge[::-1]]) / mm_per_px
            cv2.fillPoly(drawing, [np.round(outline * 16).astype(np.int32)],
                         (number, height, code), cv2.LINE_8, 4)  # fmt: skip


def draw_clover(
    drawing: Drawing,
    centre_mm: tuple[float, float],
    spread_mm: float,
    *,
    mm_per_px: float,
    rng: np.random.Generator,
) -> None:
    """Draw a patch of clover: leaves of three round leaflets."""
    n = int(0.012 * spread_mm**2)
    places = np.asarray(centre_mm) + rng.normal(0, spread_mm / 2.5, (n, 2))
    for x, y in places:
        size = rng.uniform(3.0, 5.5)
        start = rng.uniform(0, 2 * np.pi)
        number = int(rng.integers(WEED.first, WEED.first + WEED.count))
        height = int(rng.uniform(18, 36) / HEIGHT_STEP_MM)
        for k in range(3):
            a = start + k * 2 * np.pi / 3
            at = np.array([x + size * np.cos(a), y + size * np.sin(a)]) / mm_per_px * 16
            code = int(code_of(np.array(a), np.array(rng.uniform(5, 35))))
            cv2.circle(drawing, (int(at[0]), int(at[1])), int(size * 0.95 / mm_per_px * 16),
                       (number, height, code), -1, cv2.LINE_8, 4)  # fmt: skip


def draw_moss(
    drawing: Drawing, share: NDArray[np.float32], mm_per_px: float, rng: np.random.Generator
) -> None:
    """Draw moss where ``share`` (0 to 1, coarse grid over the scene) says: small cushions."""
    h, w = drawing.shape[:2]
    n = int(float(share.mean()) * h * w * mm_per_px**2 / 9.0)
    if n == 0:
        return
    rows, cols = share.shape
    flat = share.ravel().astype(np.float64)
    cell = rng.choice(flat.size, n, p=flat / flat.sum())
    x = (cell % cols + rng.random(n)) * w / cols
    y = (cell // cols + rng.random(n)) * h / rows
    size = rng.uniform(1.0, 3.2, n) / mm_per_px
    angle = rng.uniform(0, 2 * np.pi, n)
    star = angle[:, None] + np.arange(6) * np.pi / 3
    polygons = np.stack([x[:, None] + size[:, None] * np.cos(star),
                         y[:, None] + size[:, None] * np.sin(star)], axis=2)  # fmt: skip
    values = np.column_stack([
        rng.integers(MOSS.first, MOSS.first + MOSS.count, n),
        np.sort(rng.integers(10, 45, n)),
        code_of(angle, rng.uniform(0, 60, n)),
    ])  # fmt: skip
    fill(drawing, polygons, values)


def draw_stone(
    drawing: Drawing,
    centre_mm: tuple[float, float],
    diameter_mm: float,
    *,
    mm_per_px: float,
    rng: np.random.Generator,
) -> None:
    """Draw one stone: a rounded, faceted lump."""
    size = int(1.3 * diameter_mm / mm_per_px) + 4
    yy, xx = np.mgrid[:size, :size].astype(np.float32) - size / 2.0
    angle = np.arctan2(yy, xx)
    ragged = sum(rng.uniform(0, 0.12) * np.cos(k * angle + rng.uniform(0, 6)) for k in (2, 3, 4, 5))
    r = np.hypot(xx, yy) * mm_per_px / (diameter_mm / 2.0) / (1.0 + ragged)
    relief = np.sqrt(np.clip(1.0 - r**2, 0.0, 1.0)).astype(np.float32) * 0.4 * diameter_mm
    number = int(rng.integers(STONE.first, STONE.first + STONE.count))
    patch = np.dstack([
        np.full((size, size), number),
        np.clip((relief + 4.0) / HEIGHT_STEP_MM, 0, 255),
        codes_of_relief(relief, mm_per_px),
    ]).astype(np.uint8)  # fmt: skip
    _paste(drawing, patch, r < 1.0, centre_mm, mm_per_px)


def _paste(
    drawing: Drawing,
    patch: Drawing,
    mask: NDArray[np.bool_],
    centre_mm: tuple[float, float],
    mm_per_px: float,
) -> None:
    h, w = patch.shape[:2]
    top = round(centre_mm[1] / mm_per_px - h / 2)
    left = round(centre_mm[0] / mm_per_px - w / 2)
    y0, x0 = max(top, 0), max(left, 0)
    y1, x1 = min(top + h, drawing.shape[0]), min(left + w, drawing.shape[1])
    if y1 <= y0 or x1 <= x0:
        return
    inner = (slice(y0 - top, y1 - top), slice(x0 - left, x1 - left))
    target = drawing[y0:y1, x0:x1]
    target[mask[inner]] = patch[inner][mask[inner]]
