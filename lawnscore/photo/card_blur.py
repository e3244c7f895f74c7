"""Blur of a photo on the card's own edges, whose true shape is a known step."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import MARKER_MODULES, CardDesign
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.read import Photo

Floats = NDArray[np.float64]

_FLAT_PART = 0.8
"""Part of a marker's black border, one module wide, that a profile reaches into."""
_GAP_PART = 0.15
"""Part of a chart patch, and of the gap beside it, that a profile reaches into."""
_PROFILE_STEPS = 33
_EDGE_SAMPLES = 16
_MIN_CONTRAST = 25.0


def card_blur_mm(photo: Photo, card_fit: CardFit) -> float:
    """Return the blur across the card's edges, as the standard deviation of the spread, in mm.

    Edges of the markers, or of the patches of a chart that has none, are cut across; each
    profile is lined up on its own middle, so that a warped card does not look blurred. The
    worse of the two directions counts, because hands move along one. NaN when no edge has
    contrast enough.
    """
    grey, corner = grey_card(photo, card_fit)
    edges = _edges(card_fit.design)
    spread = _edge_spreads_mm(grey, corner, (card_fit, photo.reduction), edges)
    upright = np.abs(edges[:, 2, 0]) > np.abs(edges[:, 2, 1])
    known = np.isfinite(spread)
    one, other = (_median(spread[known & way]) for way in (upright, ~upright))
    return float(np.fmax(one, other))


def grey_card(photo: Photo, card_fit: CardFit) -> tuple[NDArray[np.uint8], Floats]:
    """Return the part of the photo around the card in grey, and where it starts (x, y)."""
    place = np.asarray(card_fit.sheet_px, dtype=np.float64) / photo.reduction
    height, width = photo.rgb.shape[:2]
    low = np.clip(np.floor(place.min(axis=0)) - 4, 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(place.max(axis=0)) + 4, low + 2, [width, height]).astype(int)
    part = np.ascontiguousarray(photo.rgb[low[1] : high[1], low[0] : high[0]])
    grey = cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)
    return np.asarray(grey, dtype=np.uint8), low.astype(np.float64)


@lru_cache(maxsize=4)
def _edges(design: CardDesign) -> Floats:
    """Return the edges to cut across ``(k, 3, 2)``, mm: start, end, and the outward vector that
    is flat on both sides.
    """
    boxes = [
        (np.asarray(m.corners_mm, dtype=float), _FLAT_PART / MARKER_MODULES) for m in design.markers
    ]
    if not boxes:
        for patch in design.patches:
            corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.asarray(patch.size_mm) / 2
            boxes.append((np.asarray(patch.centre_mm) + corner, _GAP_PART))
    edges = []
    for box, part in boxes:
        reach = part * float(np.linalg.norm(box[1] - box[0]))
        for start, end in zip(box, np.roll(box, -1, axis=0), strict=True):
            outward = (start + end) / 2 - box.mean(axis=0)
            edges.append((start, end, reach * outward / np.linalg.norm(outward)))
    return np.array(edges)


def _edge_spreads_mm(
    grey: NDArray[np.uint8], corner: Floats, view: tuple[CardFit, int], edges: Floats
) -> Floats:
    card_fit, reduction = view
    start, end, outward = edges[:, None, None].transpose(3, 0, 1, 2, 4)
    along = np.linspace(0.15, 0.85, _EDGE_SAMPLES)[:, None, None]
    across = np.linspace(-1.0, 1.0, _PROFILE_STEPS)[:, None]
    points = start + along * (end - start) + across * outward
    pixels = cv2.perspectiveTransform(points.reshape(-1, 1, 2), card_fit.pose.homography)
    place = (pixels.reshape(-1, _PROFILE_STEPS, 2) + 0.5) / reduction - 0.5 - corner
    place = place.astype(np.float32)
    profiles = cv2.remap(grey, place[..., 0], place[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    steps = np.linalg.norm(edges[:, 2], axis=1) / (_PROFILE_STEPS // 2)
    return edge_spreads(profiles.reshape(points.shape[:-1]), steps)


def edge_spreads(profiles: Floats, steps: Floats) -> Floats:
    """Return the standard deviation of the blur of each step seen in `profiles`, (k,).

    Parameters
    ----------
    profiles
        (k, n, m) grey values across k edges; each row is lined up on its own middle.
    steps
        (k,) distance between samples, in the unit wanted.

    Notes
    -----
    The 25 to 75 % rise of a step blurred by a Gaussian is 1.349 standard deviations.
    NaN when the step is lower than 25 grey levels.
    """
    k, _, m = profiles.shape
    ends = max(2, m // 8)
    inner, outer = (
        np.median(side.reshape(k, -1), axis=1)[:, None, None]
        for side in (profiles[..., :ends], profiles[..., -ends:])
    )
    contrast = outer - inner
    rise = (profiles - inner) / np.where(contrast == 0.0, 1.0, contrast)
    high = np.argmax(rise >= 0.75, axis=2)
    # The last sample under a quarter before that: noise on the flat is no start of the edge.
    under = (rise < 0.25) & (np.arange(m) < high[..., None])
    low = m - 1 - np.argmax(under[..., ::-1], axis=2)
    clear = (high > 0) & under.any(axis=2)
    found = np.full(k, np.nan)
    for n in np.flatnonzero((np.abs(contrast.ravel()) >= _MIN_CONTRAST) & (clear.mean(1) >= 0.5)):
        row, a, b = np.flatnonzero(clear[n]), low[n][clear[n]], high[n][clear[n]]
        edge = rise[n]
        start = a + (0.25 - edge[row, a]) / (edge[row, a + 1] - edge[row, a])
        end = b - (edge[row, b] - 0.75) / (edge[row, b] - edge[row, b - 1])
        found[n] = np.median(end - start) * steps[n] / 1.349
    return found


def _median(values: Floats) -> float:
    return float(np.median(values)) if values.size else float("nan")
