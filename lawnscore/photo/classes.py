"""Shares of green leaf, straw, soil, cast and litter over the flattened ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from lawnscore.photo.colour import ColourFit
    from lawnscore.photo.ground import Ground

Floats = NDArray[np.float32]

SURFACES = ("green", "straw", "soil", "cast", "litter")
"""Order of the last axis of :attr:`ClassMap.shares`."""

CELL_PX = 4
"""Ground pixels along the side of a cell: 4 mm at 1 mm per pixel."""


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


def classify(ground: Ground, colour_fit: ColourFit) -> ClassMap:
    """Estimate the shares of the five surfaces in each cell of the ground."""
    bits = 5
    table = colour_fit.table(bits)
    index = colour_index_of(ground.rgb, bits)
    soft = soft_labels(table)
    pixel_shares = soft[index]
    keep = (~ground.mask).astype(np.float32)
    weight = _cells(keep)
    shares = _cells(pixel_shares * keep[..., None]) / np.maximum(weight, 1e-6)[..., None]
    shares[weight == 0] = 0.2
    green = pixel_shares[..., 0] * keep
    total = float(green.sum())
    corrected = table[index]
    leaf = np.full(3, np.nan)
    if total > 500:
        leaf = np.einsum("ij,ijk->k", green, corrected) / total
    return ClassMap(
        shares=shares,
        weight=weight,
        cell_mm=CELL_PX * ground.mm_per_px,
        cast_score=shares[..., 3].copy(),
        shade=np.zeros_like(weight),
        model_se=np.full(5, 0.05),
        straw_soil_confidence=0.5,
        leaf_linear=leaf,
        leaf_linear_se=np.full(3, 0.01),
    )


def colour_index_of(rgb: NDArray[np.uint8], bits: int) -> NDArray[np.uint16]:
    """Index of each pixel's colour in a table of ``2 ** (3 * bits)`` colours."""
    small = cv2.LUT(rgb, (np.arange(256) >> (8 - bits)).astype(np.uint8))
    index: NDArray[np.uint16] = small[..., 0].astype(np.uint16)
    index <<= bits
    index |= small[..., 1]
    index <<= bits
    index |= small[..., 2]
    return index


def soft_labels(linear: Floats) -> Floats:
    """Shares of surfaces from corrected colour alone: the simple method."""
    total = np.maximum(linear.sum(axis=-1), 1e-4)
    red, green = linear[..., 0] / total, linear[..., 1] / total
    leafy = 1.0 / (1.0 + np.exp(-(green - red - 0.02) / 0.02))
    bright = 1.0 / (1.0 + np.exp(-(linear.mean(axis=-1) - 0.14) / 0.03))
    rest = 1.0 - leafy
    out = np.stack([leafy, rest * bright, rest * (1 - bright), 0 * rest, 0 * rest], axis=-1)
    return out.astype(np.float32)


def _cells(pixels: Floats) -> Floats:
    height, width = (side // CELL_PX for side in pixels.shape[:2])
    cropped = pixels[: height * CELL_PX, : width * CELL_PX]
    out: Floats = cv2.resize(cropped, (width, height), interpolation=cv2.INTER_AREA)
    return out
