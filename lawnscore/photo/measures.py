"""The measures of one photo, each with its standard error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import encode_srgb, linear_to_lab
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.photo.classes import SURFACES
from lawnscore.photo.condition import condition, condition_se

if TYPE_CHECKING:
    from lawnscore.contract.settings import ScoringSettings
    from lawnscore.photo.casts import Casts
    from lawnscore.photo.classes import ClassMap
    from lawnscore.photo.ground import Ground
    from lawnscore.photo.patches import BarePatches

Floats = NDArray[np.float64]

SQUARE_MM = 100.0
"""Side of the squares of `evenness` and of the tiles of the sampling error, mm."""

MIN_SQUARE_WEIGHT = 0.75
"""A square counts as full when at least this part of it was measured."""

QUADRAT_MM = 500.0
"""Side of the quadrats in which casts are counted to see how clumped they lie, mm: 0.25 m2 as
in Bartlett, Ritz, Harris & James 2006 (abstract)."""

CAST_REL_SE = 0.3
"""Error of a count of casts that is common to all of them, relative. Set by the
photos of the cast study of the set `choosing` (ACCURACY.md)."""

CAST_FLOOR_PER_M2 = 1.5
"""Error of a count that stays where none is seen, casts per m2 (set likewise)."""

CAST_HIDDEN_PER_M2 = 30.0
CAST_MISSED = 0.8
"""Error of a count on ground without any green: casts per m2 that may lie there unseen, and their
part of the count, relative. A cast on bare soil looks like soil: of rendered casts 9 in 10 are
counted where green covers over 80 %, 6 in 10 at 60 to 80 %, 3 in 10 at 30 to 60 %, hardly one in 20
below (the set `choosing` of ACCURACY.md)."""

PATCH_REL_SE = 0.10
"""Error of the area of bare patches, relative; also the share of patches doubtful by size."""

DOUBTFUL_PART = 0.5
"""Part of the doubtful ground that is one standard error of the ground in bare patches."""

SQUARE_PART, SQUARE_PART_SD = 0.18, 0.28
"""Part of the variance of green cover between squares that errors of the class stage make, and how
much that differs between photos (1 sigma). On 170 rendered pieces of 0.2 m2, half of them of the
family `report`, the covariance of true with seen was 0.82 of the variance seen."""

EVENNESS_REL_SE = 0.10
"""Error of the standard deviation between squares that is left, relative: the class stage draws
true differences a little too large or too small. Set likewise, to error over stated error of 1."""

MAX_CORRELATION = 0.9
"""Neighbouring tiles are never taken to be more alike than this."""

_SURFACE_COLUMN = {
    "green": "green_cover_pct",
    "straw": "straw_cover_pct",
    "soil": "bare_soil_pct",
    "cast": "cast_cover_pct",
    "litter": "litter_pct",
}


@dataclass(frozen=True, eq=False)
class Measures:
    """The measures of one photo by the names of :data:`lawnscore.contract.measures.MEASURES`.

    Parameters
    ----------
    values
        Value by measure; NaN where it is unknown.
    se
        Standard error by measure, 1 sigma, of the value for the very ground that was measured:
        classes, card, light and scale. More ground does not average it away.
    sampling_se
        What is to be added (in squares) when the photo speaks for the lawn around it. A visit
        learns that from how its photos differ, so it is kept apart.
    shade_pct
        Share of the measured ground in cast shade, %.
    """

    values: dict[str, float]
    se: dict[str, float]
    sampling_se: dict[str, float]
    shade_pct: float


@dataclass(frozen=True)
class _Estimate:
    value: float
    se: float
    sampling_se: float


def measure(
    class_map: ClassMap,
    casts: Casts,
    patches: BarePatches,
    ground: Ground,
    settings: ScoringSettings,
) -> Measures:
    """Return every measure of the contract with its standard error.

    Parameters
    ----------
    class_map, casts, patches
        What was seen on the ground.
    ground
        The flattened ground; gives the origin of the card frame.
    settings
        Gives the weights of condition.
    """
    tiles = square_shares(class_map)
    found: dict[str, _Estimate] = {}
    found.update(_shares(class_map, tiles))
    found.update(_cast_density(class_map, casts, ground))
    found.update(_patch_measures(class_map, patches))
    found.update(_leaf_colour(class_map))
    found["evenness"] = _evenness(tiles)
    values = {name: estimate.value for name, estimate in found.items()}
    se = {name: estimate.se for name, estimate in found.items()}
    sampling = {name: estimate.sampling_se for name, estimate in found.items()}
    for errors in (se, sampling):
        errors["condition"] = condition_se(values, errors, settings.condition)
    values["condition"] = condition(values, settings.condition)
    weight = class_map.weight
    return Measures(
        values={name: values[name] for name in MEASURES},
        se={name: se[name] for name in MEASURES},
        sampling_se={name: sampling[name] for name in MEASURES},
        shade_pct=100.0 * float((class_map.shade * weight).sum() / max(float(weight.sum()), 1e-9)),
    )


@dataclass(frozen=True, eq=False)
class Squares:
    """Shares averaged over 10 cm squares: (R, C, 5), and how much of each was measured, (R, C)."""

    shares: Floats
    weight: Floats


def square_shares(class_map: ClassMap) -> Squares:
    """Return the shares of the surfaces in squares of 10 cm; a rim that fills none is dropped."""
    side = max(1, round(SQUARE_MM / class_map.cell_mm))
    rows, cols = (max(1, n // side) for n in class_map.weight.shape)
    weight = class_map.weight[: rows * side, : cols * side]
    shares = class_map.shares[: rows * side, : cols * side]
    area = cv2.resize(weight, (cols, rows), interpolation=cv2.INTER_AREA)
    weighted = shares * weight[..., None]
    mean = cv2.resize(weighted, (cols, rows), interpolation=cv2.INTER_AREA)
    mean = mean / np.maximum(area, 1e-6)[..., None]
    return Squares(mean.astype(np.float64), area.astype(np.float64))


def _shares(class_map: ClassMap, tiles: Squares) -> dict[str, _Estimate]:
    weight = class_map.weight
    total = max(float(weight.sum(dtype=np.float64)), 1e-9)
    means = (weight.reshape(-1) @ class_map.shares.reshape(-1, 5)).astype(np.float64)
    means *= 100.0 / total
    means *= 100.0 / max(float(means.sum()), 1e-9)
    out = {}
    for k, surface in enumerate(SURFACES):
        sampling = 100.0 * sampling_se(tiles.shares[..., k], tiles.weight)
        model = 100.0 * float(class_map.model_se[k])
        out[_SURFACE_COLUMN[surface]] = _Estimate(float(means[k]), model, sampling)
    return {name: out[name] for name in SURFACE_SHARES}


def variance_inflation(n: int, rho: float) -> float:
    """Return how much the variance of a mean of `n` grows when neighbours correlate by `rho`.

    ``(1 + rho) / (1 - rho) - 2 rho (1 - rho^n) / (n (1 - rho)^2)``, exact for a first-order
    autoregressive row of values.

    Examples
    --------
    >>> round(variance_inflation(100, 0.5), 6)
    2.96
    """
    if n < 2 or rho == 0.0:
        return 1.0
    return (1 + rho) / (1 - rho) - 2 * rho * (1 - rho**n) / (n * (1 - rho) ** 2)


def sampling_se(tiles: Floats, weight: Floats) -> float:
    """Return the standard error of the mean over tiles that resemble their neighbours.

    The tiles are taken as a field whose correlation falls off in the same proportion from
    tile to tile, alike along rows and columns; the correlation of neighbours is estimated from
    the tiles themselves. NaN with fewer than four tiles.

    Parameters
    ----------
    tiles
        (R, C) value of each tile.
    weight
        (R, C) how much of each tile was measured, 0 to 1; the border tiles count by it.
    """
    used = weight > 0.2
    n = int(used.sum())
    if n < 4:
        return math.nan
    share = np.where(used, weight, 0.0)
    mean = float((tiles * share).sum() / share.sum())
    off = np.where(used, tiles - mean, 0.0)
    variance = float((share * off**2).sum() / share.sum())
    if variance < 1e-12:
        return 0.0
    rho = _neighbour_correlation(off, used, variance, n)
    across = variance_inflation(max(2, round(n / max(1, int(used.any(axis=1).sum())))), rho)
    down = variance_inflation(max(2, round(n / max(1, int(used.any(axis=0).sum())))), rho)
    effective = max(n / (across * down), 1.5)
    return math.sqrt(variance / (1.0 - 1.0 / effective) / effective)


def _neighbour_correlation(off: Floats, used: NDArray[np.bool_], variance: float, n: int) -> float:
    beside = used[:, 1:] & used[:, :-1]
    below = used[1:] & used[:-1]
    product = float((off[:, 1:] * off[:, :-1])[beside].sum() + (off[1:] * off[:-1])[below].sum())
    pairs = int(beside.sum() + below.sum())
    if not pairs:
        return 0.0
    # Taking the mean off pulls the correlation down by about 1/n at no correlation.
    return min(max(product / pairs / variance + 1.0 / n, 0.0), MAX_CORRELATION)


def _cast_density(class_map: ClassMap, casts: Casts, ground: Ground) -> dict[str, _Estimate]:
    """Expected number of casts over the area.

    Doubtful casts add p(1-p) to the variance of the count on this ground; those that may lie unseen
    add :data:`CAST_MISSED` of the count times the part that is not green, and where hardly anything
    is green :data:`CAST_HIDDEN_PER_M2` even if none is counted. As a sample, its variance is its
    mean times how clumped the casts lie, and one cast more, so that none seen on a small ground is
    not said to be none for sure.
    """
    area_m2 = area_of(class_map)
    if area_m2 <= 0:
        return {"casts_per_m2": _Estimate(math.nan, math.nan, math.nan)}
    count = casts.expected_count
    doubt = float((casts.probability * (1.0 - casts.probability)).sum())
    clumped = _clumping(class_map, casts, ground)
    weight = class_map.weight
    bare = 1.0 - float((weight * class_map.shares[..., 0]).sum() / weight.sum())
    relative = math.hypot(CAST_REL_SE, 2.0 * ground.scale_rel_se, CAST_MISSED * bare)
    common, hidden = relative * count / area_m2, CAST_HIDDEN_PER_M2 * bare**3
    return {
        "casts_per_m2": _Estimate(
            count / area_m2,
            math.hypot(math.sqrt(doubt) / area_m2, common, CAST_FLOOR_PER_M2, hidden),
            math.sqrt(count * clumped + 1.0) / area_m2,
        )
    }


def _clumping(class_map: ClassMap, casts: Casts, ground: Ground) -> float:
    """Variance to mean of the counts in 0.25 m2 quadrats; 1 where casts lie at random."""
    side = max(1, round(QUADRAT_MM / class_map.cell_mm))
    rows, cols = (n // side for n in class_map.weight.shape)
    if rows * cols < 4 or casts.probability.size < 10:
        return 1.0
    weight = class_map.weight[: rows * side, : cols * side]
    share = cv2.resize(weight, (cols, rows), interpolation=cv2.INTER_AREA)
    corner = np.asarray(ground.origin_mm, dtype=np.float64) - 0.5 * ground.mm_per_px
    step = side * class_map.cell_mm
    col = np.floor((casts.x_mm - corner[0]) / step).astype(int)
    row = np.floor((casts.y_mm - corner[1]) / step).astype(int)
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    counts = np.zeros((rows, cols))
    np.add.at(counts, (row[inside], col[inside]), casts.probability[inside])
    full = share > 0.6
    if int(full.sum()) < 4:
        return 1.0
    return max(1.0, index_of_dispersion(counts[full] / share[full]))


def index_of_dispersion(counts: NDArray[np.float64]) -> float:
    """Return the variance of counts over their mean; 1 for a mean of 0.

    Examples
    --------
    >>> round(index_of_dispersion(np.array([3, 0, 7, 1, 12, 2, 0, 5.0])), 6)
    4.552381
    """
    mean = float(counts.mean())
    return float(counts.var(ddof=1)) / mean if mean > 0 else 1.0


def area_of(class_map: ClassMap) -> float:
    """Return the measured ground of a class map in m2."""
    return float(class_map.weight.sum(dtype=np.float64)) * (class_map.cell_mm / 1000.0) ** 2


def _patch_measures(class_map: ClassMap, patches: BarePatches) -> dict[str, _Estimate]:
    """Patches as objects: their number varies as a count, their area as a sum of so many."""
    area_m2 = area_of(class_map)
    if area_m2 <= 0:
        unknown = _Estimate(math.nan, math.nan, math.nan)
        names = ("bare_patch_pct", "bare_patches_per_m2", "largest_bare_patch_cm2")
        return dict.fromkeys(names, unknown)
    sizes = patches.area_cm2 / 1e4
    share = 100.0 * float(sizes.sum()) / area_m2
    sampling = 100.0 * math.sqrt(float((sizes**2).sum()) + 0.0025**2) / area_m2
    doubt = 100.0 * DOUBTFUL_PART * patches.doubtful_cm2 / 1e4 / area_m2
    smallest = 100.0 * 0.00125 / area_m2
    largest = float(patches.area_cm2.max()) if patches.area_cm2.size else 0.0
    doubtful_count = PATCH_REL_SE * patches.count + DOUBTFUL_PART * patches.doubtful_cm2 / 50.0
    return {
        "bare_patch_pct": _Estimate(
            share, math.hypot(PATCH_REL_SE * share, doubt, smallest), sampling
        ),
        "bare_patches_per_m2": _Estimate(
            patches.count / area_m2,
            math.sqrt(doubtful_count + 0.25) / area_m2,
            math.sqrt(patches.count + 1.0) / area_m2,
        ),
        "largest_bare_patch_cm2": _Estimate(
            largest,
            math.hypot(PATCH_REL_SE * largest, DOUBTFUL_PART * patches.doubtful_cm2) + 2.0,
            0.5 * largest + 12.5,
        ),
    }


def _leaf_colour(class_map: ClassMap) -> dict[str, _Estimate]:
    """Colour index and CIELAB of the mean leaf colour.

    The error is carried by differences along the axes in which the channels err together.
    """
    names = ("colour_index", "leaf_L", "leaf_a", "leaf_b")
    leaf = np.asarray(class_map.leaf_linear, dtype=np.float64)
    if not np.isfinite(leaf).all():
        return dict.fromkeys(names, _Estimate(math.nan, math.nan, math.nan))
    value = _colour_values(leaf)
    covariance = class_map.leaf_covariance
    if covariance is None:
        covariance = np.diag(np.square(class_map.leaf_linear_se))
    variances, axes = np.linalg.eigh(covariance)
    spread = np.zeros(4)
    for step in (axes * np.sqrt(np.maximum(variances, 0.0))).T:
        spread += ((_colour_values(leaf + step) - _colour_values(leaf - step)) / 2.0) ** 2
    se = np.sqrt(spread)
    return {n: _Estimate(float(v), float(s), 0.0) for n, v, s in zip(names, value, se, strict=True)}


def _colour_values(linear: Floats) -> Floats:
    light = np.clip(linear, 1e-5, None)
    return np.array([dgci(encode_srgb(light)), *linear_to_lab(light)])


def dgci(rgb: Floats) -> float:
    """Return the dark green colour index of one sRGB colour, 0 to 1 per channel.

    ``((H - 60) / 60 + (1 - S) + (1 - B)) / 3``, hue in degrees, saturation and brightness 0 to 1
    (Karcher & Richardson 2003, Crop Sci. 43:943-951). A hue outside 60 to 120 degrees is not
    clipped: below 60 the index falls further, above 120 it may pass 1. NaN for a grey, which
    has no hue.

    Examples
    --------
    >>> round(dgci(np.array([70, 110, 50]) / 255), 5)
    0.56328
    """
    red, green, blue = (float(v) for v in rgb)
    high, low = max(red, green, blue), min(red, green, blue)
    if high - low < 1e-9:
        return math.nan
    step = high - low
    if high == red:
        hue = 60.0 * (((green - blue) / step) % 6)
    elif high == green:
        hue = 60.0 * ((blue - red) / step + 2)
    else:
        hue = 60.0 * ((red - green) / step + 4)
    return ((hue - 60.0) / 60.0 + (1.0 - step / high) + (1.0 - high)) / 3.0


def _evenness(tiles: Squares) -> _Estimate:
    """100 less twice the standard deviation of green cover over full 10 cm squares, in points.

    What the class stage gets wrong differs from square to square, and makes a lawn look less even
    than it is: that part of the variance is taken out.
    """
    full = tiles.weight >= MIN_SQUARE_WEIGHT
    green = 100.0 * tiles.shares[..., 0][full]
    n = green.size
    if n < 10:
        return _Estimate(math.nan, math.nan, math.nan)
    variance = float(green.var(ddof=1))
    fourth = float(((green - green.mean()) ** 4).mean())
    true = (1.0 - SQUARE_PART) * variance
    doubt = _root_error(true, SQUARE_PART_SD * variance)
    error = math.hypot(doubt, EVENNESS_REL_SE * math.sqrt(variance))
    sampling = _root_error(true, math.sqrt(max(fourth - variance**2, 0.0) / n))
    return _Estimate(max(0.0, 100.0 - 2.0 * math.sqrt(true)), 2.0 * error, 2.0 * sampling)


def _root_error(square: float, error: float) -> float:
    """Return the error of a root whose square has this error; near 0 the root bends, so by halves.

    Examples
    --------
    >>> round(_root_error(100.0, 2.0), 3), round(_root_error(0.0, 4.0), 3)
    (0.1, 1.0)
    """
    high, low = max(square + error, 0.0), max(square - error, 0.0)
    return (math.sqrt(high) - math.sqrt(low)) / 2.0
