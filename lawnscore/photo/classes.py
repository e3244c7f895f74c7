"""Shares of green leaf, straw, soil, cast and litter over the flattened ground."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.photo.class_net import CELL_PX, STRIDE_PX, by_cell, load_net, sigmoid
from lawnscore.photo.leaf import leaf_colour

if TYPE_CHECKING:
    from lawnscore.photo.colour import ColourFit
    from lawnscore.photo.ground import Ground

Floats = NDArray[np.float32]

SURFACES = ("green", "straw", "soil", "cast", "litter")
"""Order of the last axis of :attr:`ClassMap.shares`."""

LEVEL_BITS = 5
"""Each channel is told apart in 32 levels: 32,768 colours."""

_STRIP_ROWS = 32
"""Rows of pixels whose colours are numbered together."""

_LIT_BELOW = 0.35
"""Shade of a cell up to which its leaf counts as lit like the card."""

_SMALL_SE = np.array([0.004, 0.006, 0.006, 0.002, 0.003])
"""Error of a share, however sure the stage is of it."""

_OTHER_SE_SLOPE = np.array([0.07, 0.08])
"""Error of the shares of casts and litter over sqrt(s (1 - s)); set on rendered photos
(ACCURACY.md): no photograph with known casts or litter was at hand."""

_N = len(SURFACES)

_SPLIT_RIGHT = 0.10
"""The split of straw and soil counts as right when straw is off by no more than this share."""

_DF = 5
"""Degrees of freedom of the t distribution that the errors of photos were seen to follow."""

_LIKE_KNOWN = 0.9
"""Strangeness up to which a photo is like what is known: half of the photos of rendered lawns, in
cameras, soils and leaf that no network was trained on, lie below; few fields kept back do."""

_LIKE_NOTHING = 1.4
"""Strangeness from which a photo has the errors of worlds left out: of rendered lawns 1 in 100 lies
above, of fields kept back 9, of fields to a network that never saw any 79."""

UNLIKE_KNOWN = 1.6
"""Strangeness from which a photo is called unlike anything known: no rendered lawn is, of fields
kept back 4 in 100 are, of fields to a network that never saw any 60."""


@dataclass(frozen=True, eq=False)
class ClassMap:
    """What covers the ground, cell by cell.

    Parameters
    ----------
    shares
        (Hc, Wc, 5) float32 shares in the order of :data:`SURFACES`; they add up to 1.
    weight
        (Hc, Wc) float32, 0 to 1: share of the cell that is measured ground.
    cell_mm
        Side of a cell, mm.
    cast_score
        (Hc, Wc) float32, 0 to 1: how much a cell looks like the middle of a cast.
    shade
        (Hc, Wc) float32, 0 to 1: cast shade.
    model_se
        (5,) standard error of the photo-mean shares that no further ground averages away.
    straw_soil_confidence
        0 to 1: chance that straw, and so its split from soil, is right to 10 points.
    leaf_linear, leaf_linear_se
        (3,) mean corrected linear sRGB of the leaf that is lit like the card; NaN when there is
        hardly any leaf.
    leaf_covariance
        (3, 3) covariance of the error of leaf_linear; without it the channels err apart.
    leaf_seen_linear
        (3,) plain mean of the leafiest cells, for the check of the light.
    strangeness
        How far the photo's traits lie from the nearest world of the training, in spreads.
    """

    shares: Floats
    weight: Floats
    cell_mm: float
    cast_score: Floats
    shade: Floats
    model_se: NDArray[np.float64]
    straw_soil_confidence: float
    leaf_linear: NDArray[np.float64]
    leaf_linear_se: NDArray[np.float64]
    leaf_covariance: NDArray[np.float64] | None = None
    leaf_seen_linear: NDArray[np.float64] | None = None
    strangeness: float = 1.0


def classify(ground: Ground, colour_fit: ColourFit) -> ClassMap:
    """Estimate the shares of the five surfaces in each cell of the ground.

    The ground should come at :data:`~lawnscore.photo.class_net.GROUND_MM_PER_PX`. Cells that are
    not wholly measured take no part. The leaf colour is that of the cells that are not in cast
    shade.
    """
    net = load_net()
    height, width = (side // STRIDE_PX * STRIDE_PX for side in ground.mask.shape)
    rgb = ground.rgb[:height, :width]
    keep = _whole_cells(ground.mask[:height, :width])
    levels = levels_of(rgb)
    index = levels.cells(rgb)
    linear = colour_fit.grid(levels.value / 255.0)
    out, traits = net.cells(linear, index, keep)
    shares = _softmax(out[..., :_N])
    cast_score = sigmoid(out[..., _N])
    shade = sigmoid(out[..., -1])
    weight = keep.astype(np.float32)
    strangeness = net.strangeness(traits)
    model_se = share_errors(
        shares, keep, strangeness, net.weights["error.weight"],
        known=net.weights["error.known"],
    )  # fmt: skip
    lit = keep & (shade < _LIT_BELOW)
    leaf = leaf_colour(index, linear, shares[..., 0], lit, net.weights)
    return ClassMap(
        shares=shares,
        weight=weight,
        cell_mm=CELL_PX * ground.mm_per_px,
        cast_score=cast_score,
        shade=shade,
        model_se=model_se,
        straw_soil_confidence=_chance_right(float(model_se[1])),
        leaf_linear=leaf.linear,
        leaf_linear_se=np.sqrt(np.diag(leaf.covariance)),
        leaf_covariance=leaf.covariance,
        leaf_seen_linear=leaf.seen,
        strangeness=strangeness,
    )


@dataclass(frozen=True, eq=False)
class Levels:
    """Steps that tell 32 levels of each channel apart, finest where a photo has most pixels.

    Parameters
    ----------
    step
        (1, 256, 3) uint8: level of each channel's value.
    value
        (3, 32) float64: mean value, 0 to 255, of each level.
    """

    step: NDArray[np.uint8]
    value: NDArray[np.float64]

    def colours(self) -> NDArray[np.float64]:
        """Return the 32,768 colours, (n, 3), camera-encoded 0 to 1, red slowest."""
        red, green, blue = np.meshgrid(*self.value, indexing="ij")
        return np.stack([red, green, blue], axis=-1).reshape(-1, 3) / 255.0

    def index(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint16]:
        """Return the colour number (H, W) of each pixel."""
        return np.concatenate(list(self._strips(rgb)))

    def cells(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint16]:
        """Return the colour numbers (H / 4, W / 4, 16) of the pixels of each cell, by rows."""
        height, width = rgb.shape[0] // CELL_PX, rgb.shape[1] // CELL_PX
        out = np.empty((height, width, CELL_PX**2), np.uint16)
        first = 0
        for strip in self._strips(rgb):
            last = first + len(strip) // CELL_PX
            by_cell(strip, out=out[first:last])
            first = last
        return out

    def _strips(self, rgb: NDArray[np.uint8]) -> Iterator[NDArray[np.uint16]]:
        """Yield the colour numbers of a few rows at a time: they stay in the processor's cache."""
        shifts = np.array([2, 1, 0], np.uint16) * LEVEL_BITS
        red, green, blue = (self.step[0].astype(np.uint16) << shifts).T.copy()
        for top in range(0, len(rgb), _STRIP_ROWS):
            r, g, b = cv2.split(rgb[top : top + _STRIP_ROWS])
            level = cv2.bitwise_or(cv2.LUT(r, red), cv2.LUT(g, green))
            yield np.asarray(cv2.bitwise_or(level, cv2.LUT(b, blue)), dtype=np.uint16)


def levels_of(rgb: NDArray[np.uint8]) -> Levels:
    """Choose the levels of a ground so that each holds about as many pixels.

    Equal steps would leave a dark photo with a handful of colours.
    """
    n = 1 << LEVEL_BITS
    step = np.zeros((1, 256, 3), np.uint8)
    value = np.zeros((3, n))
    codes = np.arange(256)
    for channel in range(3):
        count = np.bincount(rgb[::4, ::4, channel].ravel(), minlength=256) + 0.0
        count += 0.15 * count.mean()  # empty codes still get levels of their own
        share = (np.cumsum(count) - 0.5 * count) / count.sum()
        level = np.minimum((n * share).astype(int), n - 1)
        step[0, :, channel] = level
        total = np.bincount(level, count, minlength=n)
        mean = np.bincount(level, count * codes, minlength=n) / np.maximum(total, 1e-9)
        value[channel] = np.where(total > 0, mean, np.interp(np.arange(n), level, codes))
    return Levels(step, value)


def _whole_cells(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the cells without any pixel that is left out, (H / 4, W / 4)."""
    four = np.ascontiguousarray(mask).view(np.uint32)  # the four pixels of a cell's row at once
    rows = four.reshape(-1, CELL_PX, four.shape[1])
    kept: NDArray[np.bool_] = (rows[:, 0] | rows[:, 1] | rows[:, 2] | rows[:, 3]) == 0
    return kept


def share_errors(
    shares: Floats,
    keep: NDArray[np.bool_],
    strangeness: float,
    weights: Floats,
    *,
    known: Floats | None = None,
) -> NDArray[np.float64]:
    """Return the standard errors (5,) of the mean shares that no further ground averages away.

    Those of green, straw and soil were fitted twice: on worlds that the network was not trained on
    (`benchmarks/training/stated_error.py`), and on whole photos of ground like what it knows: lawns
    in soils and cameras that it does not, and fields of groups kept back (`known_error.py`). The
    logarithm of each is a line in the logarithms of the binomial spread of the share, of the doubt
    within cells, and of how strange the photo is. Up to :data:`_LIKE_KNOWN` the second counts, from
    :data:`_LIKE_NOTHING` the first, where it is the wider; between them their variances are mixed.

    Parameters
    ----------
    shares
        (Hc, Wc, 5) shares of each cell.
    keep
        (Hc, Wc) cells that are measured.
    strangeness
        Distance from what is known, in spreads.
    weights
        (3, 4) of green, straw, soil: constant, spread, doubt, strangeness.
    known
        The same for ground like what is known; without it the others count everywhere.
    """
    measured = keep.astype(np.float32).ravel()
    n = float(measured.sum())
    if not n:
        return np.full(len(SURFACES), np.nan)
    each = shares.reshape(-1, len(SURFACES))
    mean = (measured @ each).astype(np.float64) / n
    spread = np.sqrt(np.clip(mean * (1.0 - mean), 0.0, None))
    green, straw, soil = each.T[:3]
    unsure = float(measured @ (green * (1.0 - green))) / n
    torn = float(measured @ (straw * soil / (straw + soil + np.float32(1e-6)))) / n
    out = np.empty(len(SURFACES))
    for k, doubt in enumerate((unsure, torn, torn)):
        terms = error_terms(float(spread[k]), doubt, strangeness)
        out[k] = math.exp(terms @ weights[k])
        if known is not None:
            out[k] = mixed_error(math.exp(terms @ known[k]), out[k], strangeness)
    out[3:] = _OTHER_SE_SLOPE * spread[3:]
    return np.asarray(np.hypot(out, _SMALL_SE))


def mixed_error(like: float, left_out: float, strangeness: float) -> float:
    """Return the error of a share: that of ground like what is known, or of worlds left out.

    The second counts where it is the wider: no photo gains by being strange.
    """
    part = (strangeness - _LIKE_KNOWN) / (_LIKE_NOTHING - _LIKE_KNOWN)
    part = min(max(part, 0.0), 1.0)
    return math.sqrt((1.0 - part) * like**2 + part * max(left_out, like) ** 2)


def error_terms(spread: float, doubt: float, strangeness: float) -> NDArray[np.float64]:
    """Return (4,): what the logarithm of a share's error is a line of."""
    return np.array(
        [1.0, math.log(spread + 0.03), math.log(doubt + 0.004), math.log(max(strangeness, 0.2))]
    )


def _chance_right(straw_se: float) -> float:
    """Return the chance that an error of this size leaves straw right to 10 points.

    Of 100 photos of worlds left out, so many were; see ACCURACY.md. The t distribution is that to
    which the errors were fitted.
    """
    if not math.isfinite(straw_se):
        return 0.0
    reach = _SPLIT_RIGHT / straw_se
    root = math.sqrt(_DF)
    # Student's t with 5 degrees of freedom in closed form (Abramowitz & Stegun 1964, 26.7.3).
    angle = math.atan(reach / root)
    cosine = math.cos(angle)
    return 2.0 / math.pi * (angle + math.sin(angle) * (cosine + 2.0 / 3.0 * cosine**3))


def _softmax(logits: Floats) -> Floats:
    powers = np.exp(logits - logits.max(axis=-1, keepdims=True))
    out: Floats = powers / powers.sum(axis=-1, keepdims=True)
    return out
