"""Things in the frame that are no lawn: smoother than any ground, over more than a hand's breadth.

A mat, a board or a shoe is looked at by the class stage as if it were ground, and a green one
counts as leaf. Grass, straw and soil are rough at the scale of blades and crumbs; a surface that is
not, over 0.03 m2 in one piece, is named in words. A woven mat is rougher and is not noticed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import decode_srgb

if TYPE_CHECKING:
    from lawnscore.photo.ground import Ground

SMOOTH = 0.09
"""Standard deviation of the logarithm of the green light within a block of 4 cm, up to which it is
smoother than ground. Of 924 pictures of rendered and sketched turf, fields, young wheat and
textures, 9 had more than a twentieth of their blocks below 0.10 and 2 below 0.08; of the blocks of
each of these, 99 in 100 had 0.11 or more."""

MIN_M2 = 0.03
"""Smallest smooth piece that is named, m2: two hands."""

_BLOCK_PX = 32
_DARK = 0.01  # added to the light, so that noise in deep shade is not roughness
_LINEAR = np.log(_DARK + decode_srgb(np.arange(256) / 255.0)).astype(np.float32)


def foreign_doubt(ground: Ground) -> str:
    """Return in words how much of the frame is smooth as no lawn is; empty where none is."""
    area = smooth_m2(ground)
    if area < MIN_M2:
        return ""
    return (
        f"{area:.2f} m2 in one piece is smoother than any lawn, as a mat, a board or a shoe: if "
        "one lies there, take it away and retake the photo"
    )


def smooth_m2(ground: Ground) -> float:
    """Return the area of the largest smooth piece of the measured ground, m2."""
    rows, cols = (side // _BLOCK_PX for side in ground.mask.shape)
    if not rows or not cols:
        return 0.0
    inner, size = (slice(0, rows * _BLOCK_PX), slice(0, cols * _BLOCK_PX)), (cols, rows)
    green = np.ascontiguousarray(ground.rgb[inner][..., 1])
    light = np.asarray(cv2.LUT(green, _LINEAR), np.float64)

    def mean(of: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(cv2.resize(of, size, interpolation=cv2.INTER_AREA), np.float64)

    spread = np.sqrt(np.maximum(mean(light * light) - mean(light) ** 2, 0.0))
    left_out = mean(ground.mask[inner].astype(np.float64))
    smooth = ((spread < SMOOTH) & (left_out == 0)).astype(np.uint8)
    n, _, found, _ = cv2.connectedComponentsWithStats(smooth, connectivity=4)
    largest = int(found[1:, cv2.CC_STAT_AREA].max()) if n > 1 else 0
    return largest * (_BLOCK_PX * ground.mm_per_px / 1000.0) ** 2
