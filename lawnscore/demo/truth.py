"""True measures of a piece of rendered ground.

Shares are areas of what lies on top, pixel by pixel. Measures that need a rule (bare patches,
condition) apply the rule of :mod:`lawnscore.photo` to the true shares:

* bare patches: :func:`~lawnscore.photo.patches.find_patches` on the true shares of 4 mm cells;
* evenness: 100 less twice the standard deviation of green cover over 10 cm squares of which at
  least three quarters are measured;
* leaf colour: mean over green pixels, all in open light, of linear sRGB under D65, as lit in the
  photo relative to level white ground (``colour_index``), and of the same lawn under an overcast
  D65 sky (``colour_index_overcast``), which does not depend on the light of the photo. Lab and hue
  are scikit-image's, so that a fault in our own colour arithmetic is none of the truth.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.demo import lighting, spectra
from lawnscore.demo.camera import Light
from lawnscore.demo.geometry import View, card_to_scene
from lawnscore.demo.materials import SURFACES
from lawnscore.demo.printed_card import PrintedCard
from lawnscore.demo.scene import Scene
from lawnscore.demo.spectra import Floats

CELL_MM = 4.0
FARTHEST_DEPTHS = 3.0
"""Ground deeper in the photo than this many times its middle is left out: towards the horizon it
has no end."""
_SQUARE_MM = 100.0
_SQUARE_WEIGHT = 0.75
_SHARE_NAMES = {
    "green": "green_cover_pct",
    "straw": "straw_cover_pct",
    "soil": "bare_soil_pct",
    "litter": "litter_pct",
    "cast": "cast_cover_pct",
}


class Photographed(Protocol):
    """What a rendered photo says of how it came about (:mod:`lawnscore.demo.photograph`)."""

    @property
    def rgb(self) -> NDArray[np.uint8]:
        """(h, w, 3) pixels."""

    @property
    def scene(self) -> Scene:
        """What was photographed."""

    @property
    def light(self) -> Light:
        """Light on it."""

    @property
    def view(self) -> View:
        """Where the camera stood."""

    @property
    def card(self) -> PrintedCard | None:
        """The card that lay there."""

    @property
    def scene_to_px(self) -> Floats:
        """(3, 3) homography from scene mm to photo px."""


def measures_within(
    photo: Photographed,
    polygon_px: Floats | None,
    *,
    rim_mm: float = 0.0,
    min_patch_cm2: float = 25.0,
) -> dict[str, float]:
    """Return the true measures inside a polygon (k, 2) of the photo, the card left out.

    Ground more than :data:`FARTHEST_DEPTHS` times as deep as the middle of the photo is left out.
    """
    h, w = photo.rgb.shape[:2]
    if polygon_px is None:
        polygon_px = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64)
    polygon = np.asarray(polygon_px, np.float64)
    if photo.view.mirrored:
        polygon = np.column_stack([w - 1 - polygon[:, 0], polygon[:, 1]])
    back = np.asarray(np.linalg.inv(photo.scene_to_px), np.float64)
    polygon = near_part(polygon, back, ((w - 1) / 2, (h - 1) / 2))
    corners = cv2.perspectiveTransform(polygon.reshape(1, -1, 2), back)[0]
    sheets = []
    if photo.card is not None:
        sheets.append(_sheet_mm(photo, rim_mm))
    return scene_measures(
        photo.scene, corners, without_mm=sheets, light=photo.light, min_patch_cm2=min_patch_cm2
    )


def near_part(polygon_px: Floats, back: Floats, middle_px: tuple[float, float]) -> Floats:
    """Return the part (k, 2) of a polygon of the photo whose ground is not too deep.

    The depth of a plane is inverse to the third coordinate of the homography ``back`` (3, 3) from
    photo to plane; the polygon is cut along the line of the greatest depth.
    """
    from lawnscore.photo.ground import clip_polygon

    nearness = back[2] / (back[2] @ np.array([*middle_px, 1.0])) - [0, 0, 1 / FARTHEST_DEPTHS]
    return clip_polygon(np.asarray(polygon_px, np.float64), nearness)


def _sheet_mm(photo: Photographed, rim_mm: float) -> Floats:
    assert photo.card is not None
    design = photo.card.design
    corners = np.array(
        [
            [-rim_mm, -rim_mm],
            [design.width_mm + rim_mm, -rim_mm],
            [design.width_mm + rim_mm, design.height_mm + rim_mm],
            [-rim_mm, design.height_mm + rim_mm],
        ]
    )
    to_scene = card_to_scene(photo.view, design)
    return np.asarray(cv2.perspectiveTransform(corners.reshape(1, 4, 2), to_scene)[0])


def scene_measures(
    scene: Scene,
    polygon_mm: Floats,
    *,
    without_mm: list[Floats] | None = None,
    light: Light | None = None,
    min_patch_cm2: float = 25.0,
) -> dict[str, float]:
    """Return the true measures of a polygon (k, 2) of a scene, mm; mirrored beyond its edges."""
    step = scene.mm_per_px
    low = np.floor(polygon_mm.min(axis=0) / step).astype(int)
    high = np.ceil(polygon_mm.max(axis=0) / step).astype(int)
    part = _part(scene.number.shape, low, high)
    surface = scene.surface[part]
    inside = _mask(polygon_mm, surface.shape, low, step)
    for other in without_mm or []:
        inside[_mask(other, surface.shape, low, step)] = False
    area_m2 = float(inside.sum()) * step**2 * 1e-6
    seen = cv2.calcHist(
        [surface], [0], inside.astype(np.uint8), [len(SURFACES)], [0, len(SURFACES)]
    )
    counts = np.asarray(seen, np.float64).ravel()
    out = {"area_m2": area_m2}
    for name, count in zip(SURFACES, counts, strict=True):
        out[_SHARE_NAMES[name]] = 100.0 * float(count) / max(float(counts.sum()), 1.0)
    out["casts_per_m2"] = len(casts_inside(scene, inside, low)) / area_m2
    out |= _patch_measures(surface, inside, step, min_patch_cm2)
    out["evenness"] = _evenness(surface, inside, step)
    out |= _leaf(scene, part, inside & (surface == SURFACES.index("green")), light)
    out["condition"] = _condition(out)
    return out


def _condition(values: dict[str, float]) -> float:
    """Return the condition of true measures, with the weights a round has by default."""
    from lawnscore.contract.settings import ConditionWeights
    from lawnscore.photo.condition import condition

    known = {"colour_index": math.nan, **values}
    return condition(known, ConditionWeights())


def casts_inside(scene: Scene, inside: NDArray[np.bool_], low: NDArray[np.int_]) -> Floats:
    """Return the casts (n, 3) whose centre is in a mask that starts at scene pixel ``low``."""
    if not len(scene.casts):
        return scene.casts
    w_mm, h_mm = scene.number.shape[1] * scene.mm_per_px, scene.number.shape[0] * scene.mm_per_px
    found = []
    for x, y, d in scene.casts:
        for px in (x, -x, 2 * w_mm - x):
            for py in (y, -y, 2 * h_mm - y):
                col = int(np.floor(px / scene.mm_per_px)) - low[0]
                row = int(np.floor(py / scene.mm_per_px)) - low[1]
                if 0 <= row < inside.shape[0] and 0 <= col < inside.shape[1] and inside[row, col]:
                    found.append((px, py, d))
    return np.array(found).reshape(-1, 3)


Part = tuple[slice, slice] | tuple[NDArray[np.int_], ...]
"""Rows and columns of a scene, as an index."""


def _part(shape: tuple[int, ...], low: NDArray[np.int_], high: NDArray[np.int_]) -> Part:
    """Return the index of the pixels (x, y) from low to high; mirrored beyond the edges."""
    if low.min() >= 0 and high[1] <= shape[0] and high[0] <= shape[1]:
        return slice(low[1], high[1]), slice(low[0], high[0])
    rows = _mirror(np.arange(low[1], high[1]), shape[0])
    return np.ix_(rows, _mirror(np.arange(low[0], high[0]), shape[1]))


def _mirror(index: NDArray[np.int_], n: int) -> NDArray[np.int_]:
    folded = index % (2 * n)
    return np.where(folded < n, folded, 2 * n - 1 - folded)


def _mask(
    polygon_mm: Floats, shape: tuple[int, ...], low: NDArray[np.int_], step: float
) -> NDArray[np.bool_]:
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(polygon_mm / step - low - 0.5).astype(np.int32)], 1)
    return mask.astype(bool)


def cell_shares(
    surface: NDArray[np.uint8], mm_per_px: float, *, cell_mm: float = CELL_MM
) -> NDArray[np.float32]:
    """Return the share of each surface in square cells, (Hc, Wc, 5); odd rims are dropped."""
    n = round(cell_mm / mm_per_px)
    hc, wc = surface.shape[0] // n, surface.shape[1] // n
    out = np.empty((hc, wc, len(SURFACES)), np.float32)
    part = surface[: hc * n, : wc * n]
    for k in range(len(SURFACES)):
        hit = _f32(part == k)
        out[..., k] = cv2.resize(hit, (wc, hc), interpolation=cv2.INTER_AREA)
    return out


def _patch_measures(
    surface: NDArray[np.uint8], inside: NDArray[np.bool_], step: float, min_area_cm2: float
) -> dict[str, float]:
    """Return the bare patches by the rule of the measure, applied to the true shares."""
    from lawnscore.photo.classes import ClassMap
    from lawnscore.photo.patches import TRUE_LEAF_SHARE, find_patches

    shares = cell_shares(surface, step)
    n = round(CELL_MM / step)
    hc, wc = shares.shape[:2]
    weight = _f32(
        cv2.resize(_f32(inside[: hc * n, : wc * n]), (wc, hc), interpolation=cv2.INTER_AREA)
    )
    nothing = np.zeros_like(weight)
    true_map = ClassMap(
        shares, weight, CELL_MM, nothing, nothing, np.zeros(5), 1.0, np.zeros(3), np.zeros(3)
    )
    patches = find_patches(true_map, min_area_cm2=min_area_cm2, bare_below=TRUE_LEAF_SHARE)
    area_cm2 = float(weight.sum()) * CELL_MM**2 / 100.0
    return {
        "bare_patch_pct": 100.0 * float(patches.area_cm2.sum()) / area_cm2,
        "bare_patches_per_m2": patches.count / (area_cm2 * 1e-4),
        "largest_bare_patch_cm2": float(patches.area_cm2.max(initial=0.0)),
    }


def _evenness(surface: NDArray[np.uint8], inside: NDArray[np.bool_], step: float) -> float:
    n = round(_SQUARE_MM / step)
    rows, cols = surface.shape[0] // n, surface.shape[1] // n
    if rows < 1 or cols < 1:
        return float("nan")

    def blocks(values: NDArray[np.bool_]) -> Floats:
        trimmed = values[: rows * n, : cols * n]
        return np.asarray(trimmed.reshape(rows, n, cols, n).mean(axis=(1, 3)))

    measured = blocks(inside)
    green = blocks(inside & (surface == 0))
    enough = measured >= _SQUARE_WEIGHT
    if enough.sum() < 2:
        return float("nan")
    cover = 100.0 * green[enough] / measured[enough]
    return float(np.clip(100.0 - 2.0 * cover.std(ddof=1), 0.0, 100.0))


def _leaf(
    scene: Scene, part: Part, green: NDArray[np.bool_], light: Light | None
) -> dict[str, float]:
    """Return leaf colour: as lit (when a light is given) and under an overcast D65 sky."""
    every = 2  # a pixel in two is enough for a mean
    out: dict[str, float] = {}
    if not green.any():
        names = ("colour_index", "leaf_L", "leaf_a", "leaf_b", "colour_index_overcast")
        return dict.fromkeys(names, float("nan"))
    overcast = Light(sun_share=0.0)
    number, height, code = (
        np.ascontiguousarray(plane[part]) for plane in (scene.number, scene.height, scene.code)
    )
    # Openness to the sky is the same in any light: it is worked out once.
    open_light = replace(overcast if light is None else light, shade="none")
    fall = lighting.fall_of_light(number, height, code, open_light, mm_per_px=scene.mm_per_px)
    leaf = fall.at(green[::every, ::every], every=every)
    for name, lit in (("", light), ("_overcast", overcast)):
        if lit is not None:
            colour = _mean_colour(leaf, scene, lit)
            out |= {f"{key}{name}": value for key, value in _colour_of(colour).items()}
    return out


def _colour_of(linear: Floats) -> dict[str, float]:
    """Return the dark green colour index and CIELAB (D65) of linear sRGB (3,).

    Karcher & Richardson 2003, "Quantifying turfgrass color using digital image analysis", Crop Sci.
    43:943-951: the mean of (hue - 60) / 60, 1 - saturation and 1 - brightness.
    """
    from skimage.color import rgb2hsv, rgb2lab

    from lawnscore.card.colourspace import encode_srgb

    encoded = encode_srgb(np.clip(linear, 0.0, 1.0))
    hue, saturation, brightness = (float(v) for v in rgb2hsv(encoded))
    index = ((360.0 * hue - 60.0) / 60.0 + (1.0 - saturation) + (1.0 - brightness)) / 3.0
    lab = (float(v) for v in rgb2lab(encoded))
    return {"colour_index": index} | dict(zip(("leaf_L", "leaf_a", "leaf_b"), lab, strict=True))


def mean_colour(
    planes: list[NDArray[np.uint8]], scene: Scene, light: Light, pick: NDArray[np.bool_]
) -> Floats:
    """Return the mean linear sRGB (3,) of picked pixels, the light's colour taken out."""
    fall = lighting.fall_of_light(planes[0], planes[1], planes[2], light, mm_per_px=scene.mm_per_px)
    return _mean_colour(fall.at(pick), scene, light)


def _mean_colour(fall: lighting.GroundLight, scene: Scene, light: Light) -> Floats:
    white = light.as_d65()
    return lighting.mean_radiance(fall, scene.reflectance, white, spectra.d65_matrix())


def _f32(values: object) -> NDArray[np.float32]:
    return np.asarray(values, dtype=np.float32)
