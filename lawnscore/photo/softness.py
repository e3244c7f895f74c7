"""How soft a picture is, read from its own edges in every direction."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Slopes = NDArray[np.float32]

_SECTORS = 8
"""Directions of edges that are told apart, over half a turn."""
_ACROSS = np.roll(np.arange(_SECTORS), _SECTORS // 2)
_SHARPEST = 0.0005
"""Share of the pixels, of each direction, that are taken to be its edges."""
_FEWEST = 50
"""Fewest pixels that are."""
_SOFT_PX = 1.6
"""Blur of the sharpest edges beyond which a photo is out of focus, px. Rendered photos: out of
focus 1.8 and more, sharp 1.4 and less."""
_OPERATOR = 1 / 3
"""Variance of the difference of two neighbours as a blur, a box of 2 px, square px."""
_ONE_WAY = 0.7
"""Detail, and its strongest edges, along one direction over those across it, below which the camera
moved. Rendered: moved 0.37 to 0.53 and 0.48 to 0.62, still 0.78 and more in one of the two."""


def is_soft(grey: Bytes) -> bool:
    """Return whether a photo is out of focus, or smeared by a movement.

    In a photo in focus edges are sharp in two directions at right angles, and detail is about as
    strong in all. Out of focus nothing is sharp; a movement smears what lies across it.

    Parameters
    ----------
    grey
        ``(h, w)``.
    """
    slopes = _slopes(grey, 1.0)
    edges = _edges(slopes, _slopes(grey, 2.0), _SHARPEST)
    if _blur_px(edges) > _SOFT_PX:
        return True
    x, y = (s.ravel() for s in slopes)
    least, most = np.linalg.eigvalsh(np.array([[x @ x, x @ y], [x @ y, y @ y]], dtype=np.float64))
    detail = math.sqrt(max(least, 0.0) / max(most, 1e-9))
    strongest = edges[:, 1] / np.maximum(edges[_ACROSS, 1], 1e-6)
    return max(detail, float(strongest.min())) < _ONE_WAY


def edge_blur_px(grey: Bytes, *, share: float = _SHARPEST) -> float:
    """Return the blur (standard deviation) of the sharpest edges that cross at right angles, px.

    Parameters
    ----------
    grey
        ``(h, w)``.
    share
        Share of the pixels, of each direction, that are taken to be its edges.

    Notes
    -----
    A step blurred by a Gaussian of s px and seen through another of t px has a slope in proportion
    to ``1 / sqrt(s^2 + t^2)``; seen at t = 1 and 2 px, the ratio r of its slopes gives
    ``s^2 = (4 - r^2) / (r^2 - 1)``, less what the slope itself is taken over. Beyond about 4 px
    the ratio is too near 1 to tell how much.
    """
    return _blur_px(_edges(_slopes(grey, 1.0), _slopes(grey, 2.0), share))


def _blur_px(edges: Array) -> float:
    ratio = edges[:, 0] / np.maximum(edges[:, 1], 1e-6)
    square = float(np.minimum(ratio, ratio[_ACROSS]).max()) ** 2
    return math.sqrt(max((4.0 - square) / max(square - 1.0, 1e-3) - _OPERATOR, 0.0))


def _slopes(grey: Bytes, sigma_px: float) -> tuple[Slopes, Slopes]:
    soft = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), sigma_px)
    across, down = cv2.Scharr(soft, cv2.CV_32F, 1, 0), cv2.Scharr(soft, cv2.CV_32F, 0, 1)
    return np.asarray(across, dtype=np.float32), np.asarray(down, dtype=np.float32)


def _edges(fine: tuple[Slopes, Slopes], broad: tuple[Slopes, Slopes], share: float) -> Array:
    """Return slopes at 1 and at 2 px of the strongest edges of each direction, ``(8, 2)``."""
    soft, angle = cv2.cartToPolar(*broad)
    sector = (cv2.convertScaleAbs(angle, alpha=_SECTORS / math.pi) % _SECTORS).ravel()
    order = np.argsort(sector, kind="stable")
    soft, sharp = soft.ravel()[order], cv2.magnitude(*fine).ravel()[order]
    wanted = max(_FEWEST, int(share * sector.size))
    found = np.zeros((_SECTORS, 2))
    last = np.cumsum(np.bincount(sector, minlength=_SECTORS))
    for n, here in enumerate(np.split(soft, last[:-1])):
        if here.size > wanted:
            edges = np.argpartition(here, -wanted)[-wanted:]
            sharp_here = sharp[last[n] - here.size : last[n]][edges]
            found[n] = float(np.median(sharp_here)), float(np.median(here[edges]))
    return found
