"""Grow a lawn: ground seen from straight above, every pixel's material known.

`grow_lawn` lays soil, thatch, a low sward, moss, blades, weeds, casts, stones and fallen leaves
in this order; what ends up on top is the truth. Not modelled: parallax of standing blades (the
scene is a relief on one plane), flowers, mowing clippings, worm holes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.demo import objects, sward
from lawnscore.demo.materials import SURFACES, WEED, Tint, palette, surface_of_number
from lawnscore.demo.spectra import Floats
from lawnscore.demo.sward import Blades, Drawing

FIELD_PX = 64  # scene pixels a pixel of the coarse fields
MIN_SEEN_CAST = 1.0 / 3.0  # share of a cast that must be seen from above to count in the truth


@dataclass(frozen=True)
class LawnSpec:
    """What to grow.

    Parameters
    ----------
    width_mm, height_mm
        Size of the scene.
    green, straw
        Wanted shares (0 to 1) of green leaf and of dead leaf seen from above, outside bare
        patches; what grows differs a little, the truth is what grew.
    thatch
        Share of the ground between blades that is covered by dead fibre rather than bare.
    patchiness, patch_mm
        Unevenness of the cover (standard deviation in logits) and its scale.
    yellowing
        Share of green blades with little chlorophyll.
    blade_width_mm, mowing_height_mm
        Mean width (1 to 4) and height (10 to 60).
    stripes, stripe_mm
        Strength 0 to 1 and width of mowing stripes.
    casts_per_m2, cast_mm, cast_state, cast_clusters
        Density, median diameter, ``dry``, ``wet`` or ``smeared``, clustering 0 to 1.
    bare_patches_per_m2, bare_patch_cm2
        Density and median area of bare patches.
    leaves_per_m2, leaf_mm, leaves_under
        Fallen leaves, their median length, and the share of them that lies below the blades.
    weeds_per_m2, clover_per_m2, broadleaf_per_m2, moss, stones_per_m2
        Rosettes, clover patches, single leaves of creeping weeds, share of moss, stones.
    grain, soil_smooth
        Size of soil crumbs, 1 is a fine seedbed; 0 crumbs to 1 trodden smooth.
    texture
        Which of many soils, thatches and low swards of the same make.
    tint
        Colours.
    """

    width_mm: float = 1200.0
    height_mm: float = 1000.0
    green: float = 0.85
    straw: float = 0.08
    thatch: float = 0.4
    patchiness: float = 0.6
    patch_mm: float = 180.0
    yellowing: float = 0.06
    blade_width_mm: float = 2.0
    mowing_height_mm: float = 30.0
    stripes: float = 0.0
    stripe_mm: float = 400.0
    casts_per_m2: float = 0.0
    cast_mm: float = 24.0
    cast_state: str = "dry"
    cast_clusters: float = 0.0
    bare_patches_per_m2: float = 0.0
    bare_patch_cm2: float = 80.0
    leaves_per_m2: float = 0.0
    leaf_mm: float = 50.0
    leaves_under: float = 0.0
    weeds_per_m2: float = 0.0
    clover_per_m2: float = 0.0
    broadleaf_per_m2: float = 0.0
    moss: float = 0.0
    stones_per_m2: float = 0.0
    grain: float = 1.0
    soil_smooth: float = 0.0
    texture: int = 0
    tint: Tint = field(default_factory=Tint)


@dataclass(frozen=True, eq=False)
class Scene:
    """A grown lawn.

    Parameters
    ----------
    spec
        What was asked for.
    mm_per_px
        Size of a scene pixel.
    number, height, code
        (H, W) uint8 each: palette number, height in 0.25 mm, direction of the surface.
    reflectance
        (256, 31), of the palette.
    casts
        (n, 3): x, y, diameter in mm in the frame of the scene (origin at its top-left corner).
    """

    spec: LawnSpec
    mm_per_px: float
    number: NDArray[np.uint8]
    height: NDArray[np.uint8]
    code: NDArray[np.uint8]
    reflectance: Floats
    casts: Floats

    @cached_property
    def surface(self) -> NDArray[np.uint8]:
        """Surface of each pixel, an index into SURFACES, (H, W)."""
        return np.asarray(cv2.LUT(self.number, surface_of_number()), dtype=np.uint8)

    def shares(self) -> dict[str, float]:
        """Return the share of each surface over the whole scene."""
        counts = np.bincount(self.surface.ravel(), minlength=len(SURFACES))
        return {name: float(c) / self.number.size for name, c in zip(SURFACES, counts, strict=True)}


def grow_lawn(spec: LawnSpec, *, seed: int, mm_per_px: float = 0.5) -> Scene:
    """Grow a lawn.

    Parameters
    ----------
    spec
        What to grow.
    seed
        Same spec and seed, same lawn.
    mm_per_px
        Scene resolution; textures are made for 0.5.

    Returns
    -------
    Scene
    """
    rng = np.random.default_rng(seed)
    h, w = round(spec.height_mm / mm_per_px), round(spec.width_mm / mm_per_px)
    vegetation = _cover_field(spec, (h, w), mm_per_px, rng)
    drawing = _ground(spec, vegetation, (h, w), rng)
    if spec.moss > 0:
        blotch = _noise(vegetation.shape, 150.0 / (FIELD_PX * mm_per_px), rng)
        wanted = 1.0 / (1.0 + np.exp(-(3.0 * blotch + _logit(spec.moss))))
        objects.draw_moss(drawing, np.asarray(wanted, np.float32), mm_per_px, rng)
    _scatter_leaves(drawing, spec, spec.leaves_under, mm_per_px, rng)
    sward.draw_blades(drawing, _blades(spec, vegetation, mm_per_px, rng), mm_per_px)
    _scatter_plants(drawing, spec, mm_per_px, rng)
    casts = _scatter_casts(drawing, spec, mm_per_px, rng)
    _scatter_stones(drawing, spec, mm_per_px, rng)
    _scatter_leaves(drawing, spec, 1.0 - spec.leaves_under, mm_per_px, rng)
    scene = Scene(
        spec, mm_per_px, np.ascontiguousarray(drawing[..., 0]),
        np.ascontiguousarray(drawing[..., 1]), np.ascontiguousarray(drawing[..., 2]),
        palette(spec.tint, rng), casts,
    )  # fmt: skip
    return _with_seen_casts(scene)


def _cover_field(
    spec: LawnSpec, shape: tuple[int, int], mm_per_px: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return the wanted share of green and dead leaf together, coarse grid, 0 to 1."""
    small = (-(-shape[0] // FIELD_PX) * 4, -(-shape[1] // FIELD_PX) * 4)
    cell_mm = FIELD_PX * mm_per_px / 4
    total = float(np.clip(spec.green + spec.straw, 0.0, 0.995))
    if total < 0.003:
        return np.zeros(small, np.float32)
    wave = 0.8 * _noise(small, spec.patch_mm / cell_mm, rng)
    wave += 0.6 * _noise(small, 0.35 * spec.patch_mm / cell_mm, rng)
    shift = spec.patchiness * wave
    level = _logit(total)
    for _ in range(12):  # the mean over the scene, not of the logit, is what was asked for
        cover = 1.0 / (1.0 + np.exp(-(shift + level)))
        level += (total - float(cover.mean())) / max(total * (1 - total), 0.02)
    bare = _bare_patches(spec, small, cell_mm, rng)
    return np.asarray(cover * (1.0 - bare), dtype=np.float32)


def _bare_patches(
    spec: LawnSpec, shape: tuple[int, int], cell_mm: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return a mask (0 to 1) of bare patches: ragged discs."""
    area_m2 = spec.width_mm * spec.height_mm * 1e-6
    mask = np.zeros(shape, np.float32)
    n = rng.poisson(spec.bare_patches_per_m2 * area_m2)
    yy, xx = np.mgrid[: shape[0], : shape[1]] * cell_mm
    for _ in range(n):
        area_cm2 = spec.bare_patch_cm2 * rng.lognormal(0.0, 0.6)
        radius = np.sqrt(area_cm2 * 100.0 / np.pi)
        x, y = rng.uniform(0, spec.width_mm), rng.uniform(0, spec.height_mm)
        squash, turn = rng.uniform(0.6, 1.0), rng.uniform(0, np.pi)
        u = (xx - x) * np.cos(turn) + (yy - y) * np.sin(turn)
        v = (-(xx - x) * np.sin(turn) + (yy - y) * np.cos(turn)) / squash
        angle = np.arctan2(v, u)
        ragged = 1.0 + sum(
            rng.normal(0, 0.1) * np.cos(k * angle + rng.uniform(0, 6.3)) for k in (2, 3, 5)
        )
        mask = np.maximum(mask, np.hypot(u, v) < radius / np.sqrt(squash) * ragged)
    return mask.astype(np.float32)


def _ground(
    spec: LawnSpec,
    vegetation: NDArray[np.float32],
    shape: tuple[int, int],
    rng: np.random.Generator,
) -> Drawing:
    """Lay soil, thatch and the low sward."""
    drawing = sward.spread_tile(sward.soil_tile(spec.grain, spec.texture), shape, rng)
    if spec.soil_smooth > 0:
        sward.tread(drawing, spec.soil_smooth)
    damp = _noise(vegetation.shape, 10.0, rng) * 1.5
    steps = cv2.resize(damp.astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR)
    moved = drawing[..., 0].astype(np.float32) + steps
    drawing[..., 0] = np.clip(np.round(moved), 0, 15).astype(np.uint8)
    near = np.clip(0.35 + 0.9 * vegetation, 0, 1)  # little dead fibre lies on a bare patch
    for share, lay in ((spec.thatch * near, "thatch"), (vegetation**2, "low")):
        wide = cv2.resize(np.asarray(share * 255, np.float32), shape[::-1]).astype(np.uint8)
        if lay == "thatch":
            sward.lay_thatch(drawing, wide, rng, variant=spec.texture)
        else:
            sward.lay_understory(drawing, wide, _straw_ratio(spec), rng, variant=spec.texture)
    return drawing


def _straw_ratio(spec: LawnSpec) -> float:
    return spec.straw / max(spec.green + spec.straw, 1e-9)


def _blades(
    spec: LawnSpec, vegetation: NDArray[np.float32], mm_per_px: float, rng: np.random.Generator
) -> Blades:
    """Draw up the blades of the scene, tiller by tiller."""
    length_mm = 8.0 + 0.6 * spec.mowing_height_mm
    blade_mm2 = 0.72 * length_mm * spec.blade_width_mm
    low = 1.0 - 0.9 * vegetation**2
    layers = np.clip(-np.log(np.clip((1.0 - vegetation) / low, 0.02, 1.0)), 0.0, 3.2)
    cell_mm2 = spec.width_mm * spec.height_mm / vegetation.size
    expected = layers * cell_mm2 / blade_mm2
    per_tiller = 4
    count = rng.poisson(expected / per_tiller).ravel()
    cell = np.repeat(np.arange(count.size), count)
    rows, cols = vegetation.shape
    x = (cell % cols + rng.random(cell.size)) * spec.width_mm / cols
    y = (cell // cols + rng.random(cell.size)) * spec.height_mm / rows
    x, y = np.repeat(x, per_tiller), np.repeat(y, per_tiller)
    n = x.size
    lean = _lean(spec, x, n, rng)
    straw = _straw_ratio(spec)
    number = sward.healthy_numbers(n, yellowing=spec.yellowing, straw=straw, rng=rng)
    faded = sward.healthy_numbers(n, yellowing=0.5, straw=0.5, rng=rng)
    tip_number = np.where(rng.random(n) < 0.05 + 0.5 * spec.yellowing, faded, number)
    dead = number < 64
    length = np.clip(length_mm * rng.lognormal(-0.08, 0.4, n), 4.0, 110.0)
    height = spec.mowing_height_mm * np.clip(rng.beta(2.2, 1.6, n), 0.08, 1.0)
    height = np.where(dead & (rng.random(n) < 0.75), 0.45 * height, height)
    return Blades(
        x_mm=x + rng.normal(0, 3.0, n), y_mm=y + rng.normal(0, 3.0, n), azimuth_rad=lean,
        length_mm=length * np.where(dead, 1.15, 1.0),
        width_mm=np.clip(spec.blade_width_mm * rng.lognormal(0, 0.28, n), 0.7, 6.0)
        * np.where(dead, 0.8, 1.0),
        tip_height_mm=height, bend=rng.normal(0, 0.16, n), roll_deg=rng.normal(0, 28.0, n),
        number=number, tip_number=tip_number,
    )  # fmt: skip


def _lean(spec: LawnSpec, x_mm: Floats, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the direction each blade points to; stripes lean to and fro."""
    free = rng.uniform(0, 2 * np.pi, n)
    if spec.stripes <= 0:
        return free
    heading = np.where((x_mm // spec.stripe_mm) % 2 == 0, 0.5 * np.pi, 1.5 * np.pi)
    rolled = heading + rng.normal(0, 0.6, n)
    return np.where(rng.random(n) < 0.85 * spec.stripes, rolled, free)


def _scatter_plants(
    drawing: Drawing, spec: LawnSpec, mm_per_px: float, rng: np.random.Generator
) -> None:
    for x, y in _places(spec, spec.weeds_per_m2, rng):
        size = rng.uniform(25, 80)
        objects.draw_rosette(drawing, (x, y), size, mm_per_px=mm_per_px, rng=rng)
    for x, y in _places(spec, spec.clover_per_m2, rng):
        size = rng.uniform(40, 160)
        objects.draw_clover(drawing, (x, y), size, mm_per_px=mm_per_px, rng=rng)
    for x, y in _places(spec, spec.broadleaf_per_m2, rng, clusters=0.6):
        size = float(np.clip(rng.lognormal(np.log(14), 0.4), 5, 45))
        objects.draw_leaf(drawing, (x, y), size, block=WEED, mm_per_px=mm_per_px, rng=rng)


def _scatter_casts(
    drawing: Drawing, spec: LawnSpec, mm_per_px: float, rng: np.random.Generator
) -> Floats:
    """Draw casts and a few blades over their rims; return x, y, diameter of each."""
    rows = []
    for x, y in _places(spec, spec.casts_per_m2, rng, clusters=spec.cast_clusters):
        wanted = float(np.clip(spec.cast_mm * rng.lognormal(0, 0.35), 9.0, 55.0))
        got = objects.draw_cast(
            drawing, (x, y), wanted, state=spec.cast_state, mm_per_px=mm_per_px, rng=rng
        )
        rows.append((x, y, got))
        n = int(rng.poisson(0.35 * wanted * spec.green))
        if n:
            sward.draw_blades(drawing, _rim_blades(spec, (x, y), wanted, n, rng), mm_per_px)
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def _rim_blades(
    spec: LawnSpec,
    centre_mm: tuple[float, float],
    diameter_mm: float,
    n: int,
    rng: np.random.Generator,
) -> Blades:
    around = rng.uniform(0, 2 * np.pi, n)
    reach = diameter_mm / 2 * rng.uniform(0.6, 1.3, n)
    number = sward.healthy_numbers(n, yellowing=spec.yellowing, straw=0.1, rng=rng)
    return Blades(
        x_mm=centre_mm[0] + reach * np.cos(around), y_mm=centre_mm[1] + reach * np.sin(around),
        azimuth_rad=rng.uniform(0, 2 * np.pi, n),
        length_mm=np.clip(0.5 * spec.mowing_height_mm * rng.lognormal(0, 0.3, n), 4, 40),
        width_mm=np.clip(spec.blade_width_mm * rng.lognormal(0, 0.25, n), 0.7, 5.0),
        tip_height_mm=spec.mowing_height_mm * rng.uniform(0.6, 1.0, n),
        bend=rng.normal(0, 0.15, n), roll_deg=rng.normal(0, 28, n),
        number=number, tip_number=number,
    )  # fmt: skip


def _scatter_stones(
    drawing: Drawing, spec: LawnSpec, mm_per_px: float, rng: np.random.Generator
) -> None:
    for x, y in _places(spec, spec.stones_per_m2, rng):
        size = float(np.clip(rng.lognormal(np.log(9), 0.5), 4, 40))
        objects.draw_stone(drawing, (x, y), size, mm_per_px=mm_per_px, rng=rng)


def _scatter_leaves(
    drawing: Drawing, spec: LawnSpec, share: float, mm_per_px: float, rng: np.random.Generator
) -> None:
    if share <= 0 or spec.leaves_per_m2 <= 0:
        return
    for x, y in _places(spec, share * spec.leaves_per_m2, rng, clusters=0.4):
        size = float(np.clip(spec.leaf_mm * rng.lognormal(0, 0.35), 12, 140))
        objects.draw_leaf(drawing, (x, y), size, mm_per_px=mm_per_px, rng=rng)


def _places(
    spec: LawnSpec, per_m2: float, rng: np.random.Generator, *, clusters: float = 0.0
) -> list[tuple[float, float]]:
    """Return random places (x, y) mm; a share ``clusters`` of them gathers around few centres."""
    n = rng.poisson(per_m2 * spec.width_mm * spec.height_mm * 1e-6)
    x, y = rng.uniform(0, spec.width_mm, n), rng.uniform(0, spec.height_mm, n)
    if n and clusters > 0:
        centres = rng.integers(0, n, max(1, n // 8))
        gather = rng.random(n) < clusters
        chosen = rng.choice(centres, n)
        x = np.where(gather, x[chosen] + rng.normal(0, 70, n), x) % spec.width_mm
        y = np.where(gather, y[chosen] + rng.normal(0, 70, n), y) % spec.height_mm
    return list(zip(x.tolist(), y.tolist(), strict=True))


def _with_seen_casts(scene: Scene) -> Scene:
    """Keep in the truth the casts of which enough is seen from above."""
    if not len(scene.casts):
        return scene
    seen = scene.surface == SURFACES.index("cast")
    keep = []
    for x, y, diameter in scene.casts:
        r = max(int(diameter / 2 / scene.mm_per_px), 1)
        cx, cy = int(x / scene.mm_per_px), int(y / scene.mm_per_px)
        window = seen[max(cy - r, 0) : cy + r, max(cx - r, 0) : cx + r]
        keep.append(window.sum() > MIN_SEEN_CAST * np.pi * r * r)
    return Scene(
        scene.spec, scene.mm_per_px, scene.number, scene.height, scene.code,
        scene.reflectance, scene.casts[np.array(keep)],
    )  # fmt: skip


def _noise(
    shape: tuple[int, int], scale_px: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return smooth noise of unit spread."""
    wide = cv2.GaussianBlur(rng.normal(size=shape), (0, 0), max(scale_px / 2.5, 0.6))
    spread = float(wide.std())
    return np.asarray((wide - wide.mean()) / max(spread, 1e-9))


def _logit(p: float) -> float:
    q = float(np.clip(p, 0.003, 0.997))
    return float(np.log(q / (1.0 - q)))
