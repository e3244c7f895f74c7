"""Detect square markers and read their codes, sharp or soft, in any light.

OpenCV finds the quads and reads most. It counts the light pixels of a whole module against one
threshold, and so loses markers on paper that is nearly burnt out: there the white flows over the
dark modules. Quads that it cannot read are read again here, at the middle of each module.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import MARKER_DICTIONARY, MARKER_MODULES, card_design

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Quads = dict[int, Array]
"""Corners ``(4, 2)`` of each marker, clockwise from its own top left."""

TURF_DESIGNS = ("turf-a5", "turf-a4", "turf-letter")
_MIDDLE = (-0.18, 0.0, 0.18)
"""Samples along a module, off its middle: inside of it where the next one flows over a third."""
_LEVELS = (0.8, 0.65, 0.5)
"""Light modules are above this share of the way from the dark border to the white."""
_LEAST_CONTRAST = 14.0
"""Grey levels (0-255) between dark and light modules."""
_LIGHT_BORDER = 0.15
"""Share of the dark border that may be light: a blade of grass on it."""
_CORRECTED = 0.5
"""Share of the bits that the dictionary can correct (6) which are corrected: 3 of 36."""
_SAME_PLACE = 0.5
"""Two quads whose middles are nearer than this share of a side are one marker."""


@dataclass(frozen=True, eq=False)
class Detected:
    """Markers in one raster, and those that read in the mirror only."""

    found: Quads
    mirrored: Quads


@lru_cache(maxsize=1)
def _dictionary() -> Any:
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))


@lru_cache(maxsize=1)
def _known_ids() -> frozenset[int]:
    return frozenset(m.id for name in TURF_DESIGNS for m in card_design(name).markers)


@lru_cache(maxsize=8)
def _detector(smallest: float, thorough: bool) -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 5 if thorough else 13
    parameters.adaptiveThreshWinSizeMax = 65 if thorough else 45
    parameters.adaptiveThreshWinSizeStep = 12 if thorough else 16
    parameters.minMarkerPerimeterRate = smallest
    parameters.maxMarkerPerimeterRate = 4.0
    parameters.polygonalApproxAccuracyRate = 0.05
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    return cv2.aruco.ArucoDetector(_dictionary(), parameters)


def detect_markers(grey: Grey, *, least_px: float, thorough: bool = False) -> Detected:
    """Return the markers of our cards in a raster.

    Parameters
    ----------
    grey
        ``(h, w)``.
    least_px
        Least side of a marker.
    thorough
        Threshold at five scales, not at three.

    Returns
    -------
    Detected
        A marker seen at two places is left out: nobody knows which one is meant.
    """
    smallest = round(4 * least_px / max(grey.shape), 3)
    corners, ids, rest = _detector(smallest, thorough).detectMarkers(grey)
    numbers = [] if ids is None else ids.ravel().tolist()
    found = [
        (n, c.reshape(4, 2).astype(np.float64))
        for n, c in zip(numbers, corners, strict=True)
        if n in _known_ids()
    ]
    mirrored: list[tuple[int, Array]] = []
    quads = [q.reshape(4, 2).astype(np.float64) for q in rest]
    quads = [q for q in quads if cv2.contourArea(q.astype(np.float32)) > 0.5 * least_px**2]
    for quad, cells in zip(quads, _cells(grey, quads), strict=True):
        for bits in _bits(cells):
            code = _code(bits)
            if code is not None:
                found.append((code[0], np.roll(quad, code[1], axis=0)))
                break
            code = _code(bits.T)
            if code is not None:
                mirrored.append((code[0], quad))
                break
    return Detected(_once(found), _once(mirrored))


def _cells(grey: Grey, quads: list[Array]) -> Array:
    """Return the mean grey at the middle of each module, ``(n, 8, 8)``."""
    if not quads:
        return np.zeros((0, MARKER_MODULES, MARKER_MODULES))
    at = (np.arange(MARKER_MODULES)[:, None] + 0.5 + np.array(_MIDDLE)).ravel()
    points = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 1, 2)
    square = MARKER_MODULES * np.array([(0, 0), (1, 0), (1, 1), (0, 1)], dtype=np.float32)
    places = np.stack(
        [
            cv2.perspectiveTransform(
                points, cv2.getPerspectiveTransform(square, quad.astype(np.float32))
            ).reshape(-1, 2)
            for quad in quads
        ]
    ).astype(np.float32)
    # Quads along the rows: a remap may hold 32767 of them.
    values = cv2.remap(
        grey, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    shape = (len(quads), MARKER_MODULES, len(_MIDDLE), MARKER_MODULES, len(_MIDDLE))
    return np.asarray(values.reshape(shape).mean(axis=(2, 4)), dtype=np.float64)


def _bits(cells: Array) -> list[NDArray[np.uint8]]:
    """Return what the code may be, ``(6, 6)``; nothing where no dark border is round it."""
    border = np.r_[cells[0], cells[-1], cells[1:-1, 0], cells[1:-1, -1]]
    dark, light = np.median(border), np.percentile(cells, 90)
    if light - dark < _LEAST_CONTRAST:
        return []
    levels = [dark + share * (light - dark) for share in _LEVELS]
    return [
        np.ascontiguousarray(cells[1:-1, 1:-1] > level, dtype=np.uint8)
        for level in levels
        if np.mean(border > level) <= _LIGHT_BORDER
    ]


def _code(bits: NDArray[np.uint8]) -> tuple[int, int] | None:
    """Return the id and the quarter turns of a code of ours."""
    known, marker_id, turns = _dictionary().identify(np.ascontiguousarray(bits), _CORRECTED)
    return (int(marker_id), int(turns)) if known and marker_id in _known_ids() else None


def _once(seen: list[tuple[int, Array]]) -> Quads:
    """Return the markers seen at one place; the first quad counts there."""
    found: Quads = {}
    twice = set()
    for marker_id, quad in seen:
        if marker_id not in found:
            found[marker_id] = quad
            continue
        side = np.sqrt(cv2.contourArea(quad.astype(np.float32)))
        apart = np.linalg.norm(found[marker_id].mean(axis=0) - quad.mean(axis=0))
        if apart > _SAME_PLACE * side:
            twice.add(marker_id)
    return {i: quad for i, quad in found.items() if i not in twice}


def sharpen_corners(grey: Grey, found: Quads) -> Quads:
    """Return the corners to a fraction of a pixel."""
    refined = {}
    for marker_id, quad in found.items():
        module = np.sqrt(cv2.contourArea(quad.astype(np.float32))) / MARKER_MODULES
        radius = int(np.clip(round(0.8 * module), 2, 8))
        points = quad.astype(np.float32).reshape(-1, 1, 2)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        better = cv2.cornerSubPix(grey, points, (radius, radius), (-1, -1), stop).reshape(4, 2)
        moved = np.hypot(*(better - quad).T)
        refined[marker_id] = np.where((moved < 2 * radius)[:, None], better, quad)
    return refined
