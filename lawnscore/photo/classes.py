"""Shares of green leaf, straw, soil, cast and litter over the flattened ground."""

from __future__ import annotations

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

_MODEL_SE_FLOOR = np.array([0.006, 0.006, 0.006, 0.002, 0.003])
_MODEL_SE_SLOPE = np.array([0.066, 0.082, 0.112, 0.07, 0.08])
"""Systematic error of a photo's mean share s: floor + slope * sqrt(s (1 - s)). The slopes of green,
straw and soil were set on 120 photos of the set `choosing` (ACCURACY.md), the others on 48 like
them; the set `reporting` checks them."""


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
        0 to 1: how surely straw is told from soil in this photo.
    leaf_linear, leaf_linear_se
        (3,) mean corrected linear sRGB of the leaf that is lit like the card; NaN when there is
        hardly any leaf.
    leaf_covariance
        (3, 3) covariance of the error of leaf_linear; without it the channels err apart.
    leaf_seen_linear
        (3,) plain mean of the leafiest cells, for the check of the light.
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
    out = net.cells(linear, index, keep)
    shares = _softmax(out[..., : len(SURFACES)])
    cast_score, shade = sigmoid(out[..., 5]), sigmoid(out[..., 6])
    weight = keep.astype(np.float32)
    mean = _mean_shares(shares, weight)
    lit = keep & (shade < _LIT_BELOW)
    leaf = leaf_colour(index, linear, shares[..., 0], lit, net.weights)
    return ClassMap(
        shares=shares,
        weight=weight,
        cell_mm=CELL_PX * ground.mm_per_px,
        cast_score=cast_score,
        shade=shade,
        model_se=_MODEL_SE_FLOOR + _MODEL_SE_SLOPE * np.sqrt(mean * (1.0 - mean)),
        straw_soil_confidence=_straw_soil_confidence(shares, weight),
        leaf_linear=leaf.linear,
        leaf_linear_se=np.sqrt(np.diag(leaf.covariance)),
        leaf_covariance=leaf.covariance,
        leaf_seen_linear=leaf.seen,
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


def _mean_shares(shares: Floats, weight: Floats) -> NDArray[np.float64]:
    """Return the mean shares (5,) of the measured cells; NaN where there are none."""
    total = float(weight.sum())
    if total == 0.0:
        return np.full(len(SURFACES), np.nan)
    summed = weight.ravel() @ shares.reshape(-1, len(SURFACES))
    return np.asarray(summed / total, dtype=np.float64)


def _straw_soil_confidence(shares: Floats, weight: Floats) -> float:
    """Return 0 to 1: how far cells of straw and soil are one or the other, not half and half."""
    straw, soil = shares[..., 1] * weight, shares[..., 2] * weight
    total = float(straw.sum() + soil.sum())
    if total < 1e-6:
        return 1.0
    return float(np.abs(straw - soil).sum() / total)


def _softmax(logits: Floats) -> Floats:
    powers = np.exp(logits - logits.max(axis=-1, keepdims=True))
    out: Floats = powers / powers.sum(axis=-1, keepdims=True)
    return out
