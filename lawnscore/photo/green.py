"""Green leaf in a photograph without a card: a mask, pixel by pixel.

This is not the class stage. That one (`classes`) gives shares of five surfaces on ground whose
colours and scale the card has settled. Here neither is known, so what is used is what stays the
same without them: ratios of light, along an axis on which a change between sun and sky light
cancels, and the fact that soil lies in nearly the same place on it in every photo.
"""

from __future__ import annotations

from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import decode_srgb

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

SKY_SLOPE = 0.35
"""Change of log(G/R) for a change of log(B/R) as light goes from sun to sky. CIE daylight of 5000
to 20000 K is 0.38 in linear sRGB; a little less keeps blue-green leaf away from soil in shade."""

SOIL_GREENNESS = -0.05
"""Greenness of soil under daylight: -0.08 to 0.03 in the ten photographs it was read off."""

LEAF_GREENNESS = 0.40
"""Greenness of leaf, between 0.06 (withered) and 0.61 in the same photographs."""

PRIOR_SHARE = 0.04
"""Weight of these two values, as a share of the photo's pixels."""

SOIL_SPREADS = 2.0
"""The limit stays at least this many spreads of the soil above soil."""

SMOOTH_MM = 0.9
"""Standard deviation of the smoothing along the ground, mm: less than half a narrow blade."""

SMOOTH_PX = 2.5
"""The same where the scale is not known, px."""

SMOOTH_LOG = 0.5
"""Contrast, in logs of light, across which the smoothing does not reach."""

FLARE = 0.01
"""Light added to each channel: below it, ratios are noise."""

SPECK = 2.0
"""Specks of fewer pixels than this times the squared smoothing are not leaf."""

_MOST_SMOOTH_PX, _LEAST_SMOOTH_PX = 5.0, 0.5


def green_mask(rgb: NDArray[np.uint8], *, mm_per_px: float | None = None) -> Mask:
    """Return where green leaf is in a photograph without a card.

    Each pixel's greenness is ``log(G/R) - 0.35 log(B/R)`` of linear light, smoothed but not across
    edges. The limit between soil and leaf is halfway between the means of what lies above and of
    what lies below it (the iterative selection of Ridler & Calvard 1978), where both means lean
    on values that are common to photographs; so a photo of bare soil does not get split in two.
    Specks are dropped.

    This is a method of its own, measured against hand-drawn masks by
    `benchmarks/accuracy/real_photos.py`; it is not the network of the class stage, which needs the
    card's colours and scale. A pixel is leaf or not: blades should be several pixels wide, or mixed
    pixels make too much of it. Yellow and dead leaf is not found, nor moss told from grass.

    Parameters
    ----------
    rgb
        (h, w, 3) uint8, sRGB-encoded, white-balanced as cameras do.
    mm_per_px
        Ground under a pixel, for the smoothing; about 0.4 is assumed when ``None``.

    Returns
    -------
    ndarray
        (h, w) bool, True where leaf is.

    Raises
    ------
    ValueError
        When the picture is not (h, w, 3) uint8 with pixels, or the scale is not positive.

    Examples
    --------
    >>> picture = np.full((40, 40, 3), (120, 100, 80), np.uint8)
    >>> picture[:, 20:] = (70, 120, 50)
    >>> green_mask(picture)[0, [0, 39]].tolist()
    [False, True]
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8 or rgb.size == 0:
        raise ValueError(f"rgb must be (h, w, 3) uint8, not {rgb.shape} {rgb.dtype}")
    if mm_per_px is not None and not mm_per_px > 0:
        raise ValueError(f"mm_per_px must be above 0, not {mm_per_px}")
    wanted = SMOOTH_PX if mm_per_px is None else SMOOTH_MM / mm_per_px
    sigma_px = float(np.clip(wanted, _LEAST_SMOOTH_PX, _MOST_SMOOTH_PX))
    index = greenness(rgb, sigma_px=sigma_px)
    return _without_specks(index > leaf_limit(index), SPECK * sigma_px**2)


def greenness(rgb: NDArray[np.uint8], *, sigma_px: float = SMOOTH_PX) -> Floats:
    """Return ``log(G/R) - 0.35 log(B/R)`` of linear light, smoothed within edges.

    Parameters
    ----------
    rgb
        (h, w, 3) uint8, sRGB-encoded.
    sigma_px
        Standard deviation of the smoothing along the picture.

    Returns
    -------
    ndarray
        (h, w) float32; 0 for grey of any brightness.
    """
    table = np.log(decode_srgb(np.arange(256) / 255.0) + FLARE).astype(np.float32)
    logs = cv2.bilateralFilter(table[rgb], 0, SMOOTH_LOG, sigma_px)
    red, green, blue = cv2.split(logs)
    index = green - red - np.float32(SKY_SLOPE) * (blue - red)
    return cast(Floats, index.astype(np.float32))


def leaf_limit(index: Floats) -> float:
    """Return the greenness above which a pixel is leaf, from all (h, w) of a photo.

    It is never above :data:`LEAF_GREENNESS`: a closed sward is not split into dark and pale leaf.
    """
    values = index.astype(np.float64).ravel()
    prior = PRIOR_SHARE * values.size
    limit = 0.5 * (SOIL_GREENNESS + LEAF_GREENNESS)
    soil = SOIL_GREENNESS
    for _ in range(30):
        above = values > limit
        n_leaf = int(np.count_nonzero(above))
        total, leaf_total = float(values.sum()), float(values[above].sum())
        leaf = (leaf_total + prior * LEAF_GREENNESS) / (n_leaf + prior)
        soil = (total - leaf_total + prior * SOIL_GREENNESS) / (values.size - n_leaf + prior)
        moved, limit = limit, 0.5 * (soil + leaf)
        if abs(moved - limit) < 1e-4:
            break
    return min(max(limit, _top_of_soil(values[values <= limit], soil)), LEAF_GREENNESS)


def _top_of_soil(below: NDArray[np.float64], soil: float) -> float:
    """Return the greenness that soil hardly passes; its spread is read on the side off leaf."""
    if below.size == 0:
        return soil
    middle, low = np.quantile(below, [0.5, 0.1587])
    return float(middle + SOIL_SPREADS * (middle - low))


def _without_specks(mask: Mask, least_px: float) -> Mask:
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    kept = stats[:, cv2.CC_STAT_AREA] >= least_px
    kept[0] = False
    if n == 1:
        return mask
    return cast(Mask, kept[labels])
