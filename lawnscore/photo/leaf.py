"""The mean colour of the green leaf, from cells that are only partly leaf.

A ground pixel is wider than many blades, so hardly any is leaf alone: the mean colour of leafy
pixels is too light and too yellow by what lies between the blades. So cells are weighted by powers
of their green share, and what still is mixed in is taken off by a regression on the logarithms
of those means, fitted on every world (`benchmarks/training/leaf_colour.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.photo.class_net import Floats

Array = NDArray[np.float64]

_MOST_CELLS = 6000
"""Cells looked at; more would not change the mean."""

_LEAST_SHARE = 0.02
"""Mean green share of the lit cells below which the leaf has no colour to tell."""

_FEWEST_CELLS = 100
"""Lit cells below which nothing is told (25 cm2)."""

_SCARCE_SHARE = 0.12
"""Mean green share at which the error is 1.4 times that of a full sward."""


@dataclass(frozen=True, eq=False)
class LeafColour:
    """Corrected linear sRGB (3,) of the leaf; NaN when unknown.

    ``linear`` is the estimate of its mean, ``covariance`` (3, 3) that of its error (the channels
    err together: mostly in lightness), ``seen`` the plain mean of the
    leafiest cells, which a light unlike the card's carries far out of the range of leaf.
    """

    linear: Array
    covariance: Array
    seen: Array


def leaf_colour(
    index: NDArray[np.uint16],
    linear: Floats,
    green: Floats,
    lit: NDArray[np.bool_],
    weights: dict[str, Floats],
) -> LeafColour:
    """Estimate the mean colour of the leaf in the cells that are lit like the card.

    Parameters
    ----------
    index
        (Hc, Wc, 16) colour number of each cell's pixels.
    linear
        (n, 3) corrected linear sRGB of the colours.
    green
        (Hc, Wc) green share of each cell.
    lit
        (Hc, Wc) cells that are measured and not in cast shade.
    weights
        Has ``leaf.weight`` (10, 3) and ``leaf.covariance`` (3, 3), of the relative error.
    """
    unknown = LeafColour(np.full(3, np.nan), np.full((3, 3), np.nan), np.full(3, np.nan))
    n_lit = int(np.count_nonzero(lit))
    mean_green = float((green * lit).sum(dtype=np.float64)) / max(n_lit, 1)
    if n_lit < _FEWEST_CELLS or mean_green < _LEAST_SHARE:
        return unknown
    features, pure = leaf_features(index, linear, green, lit)
    colour = pure * np.exp(features @ weights["leaf.weight"].astype(np.float64))
    relative = weights["leaf.covariance"].astype(np.float64) * scarcity(mean_green) ** 2
    return LeafColour(colour, relative * np.outer(colour, colour), pure)


def scarcity(mean_green: float | np.floating) -> float:
    """Return by how much the error grows where the leaf covers this share of the ground."""
    return float(np.hypot(1.0, _SCARCE_SHARE / mean_green))


def leaf_features(
    index: NDArray[np.uint16], linear: Floats, green: Floats, lit: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Return the regression's features (10,) and the mean colour (3,) of the purest cells."""
    cells = np.flatnonzero(lit)
    cells = cells[:: max(1, len(cells) // _MOST_CELLS)]
    pixels = index.reshape(lit.size, -1)[cells]
    table = np.zeros((3, 1 << 16), np.float32)
    table[:, : len(linear)] = linear.T
    colour = np.stack([cv2.LUT(pixels, of).mean(axis=1) for of in table], axis=1)
    colour = colour.astype(np.float64)
    share = green.reshape(-1)[cells].astype(np.float64) + 1e-6
    means = {power: (share**power) @ colour / (share**power).sum() for power in (1, 4, 8)}
    means = {power: np.maximum(mean, 1e-4) for power, mean in means.items()}
    purity = float((share**9).sum() / (share**8).sum())
    level = np.log(means[4].sum())
    features = [*np.log(means[8]), *np.log(means[1]), level, share.mean(), purity, 1.0]
    return np.array(features), means[8]
