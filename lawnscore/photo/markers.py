"""Find a card's markers: cheaply where the card is plain to see, thoroughly where it is not.

Turf is full of small dark quads, so the marker detector is slow on a whole photo. A bright, hardly
coloured patch of paper is found first at a quarter of the size, and the detector looks there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import MARKER_DICTIONARY, MARKER_MODULES, CardDesign, card_design
from lawnscore.contract.errors import PhotoRefused

if TYPE_CHECKING:
    from lawnscore.photo.read import Photo

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Box = tuple[int, int, int, int]
"""Rows and columns: top, bottom, left, right."""

_TURF_DESIGNS = ("turf-a5", "turf-a4", "turf-letter")
_SHRINK = 4
"""Paper is looked for at this fraction of the photo as read."""
_PAPER_LEVELS = (0.82, 0.68, 0.55, 0.42)
"""Paper is brighter than this share of the brightest paper-like pixels."""
_PAPER_AREA = (0.002, 0.6)
"""Share of the frame that a card may take."""
_MAX_CANDIDATES = 4
_MIN_MARKER_PX = 13.0
_MARKER_SHARE = 0.085
"""Least side of a marker over the longer side of the card's box: patches stay below it."""
_MIN_MARKERS = 2
_LARGEST_PART_PX = 3_000_000
"""Part of the full-size photo that is searched thoroughly."""
_BURNT, _MOSTLY, _DARK = 250, 0.35, 24
"""Camera values (8 bit) of burnt and of dark photos without a card, and a share of the frame."""
_SOFT, _MOVED = 0.6, 0.7
"""Contrast at 1 to 2 px over that at 4 to 8 px, and of one axis over the other, below which a photo
without a card is blurred (sharp rendered photos: 0.98 and 0.8 or more)."""


@dataclass(frozen=True, eq=False)
class MarkersSeen:
    """Markers of one card: ids and their corners ``(n, 4, 2)`` in full-size pixels."""

    design: CardDesign
    ids: tuple[int, ...]
    corners_px: Array
    pixel_step: float

    @property
    def points_mm(self) -> Array:
        """The same corners on the card, ``(n, 4, 2)``."""
        known = {m.id: m.corners_mm for m in self.design.markers}
        return np.array([known[i] for i in self.ids], dtype=np.float64)


@lru_cache(maxsize=4)
def _detector(smallest: float, thorough: bool) -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 5 if thorough else 13
    parameters.adaptiveThreshWinSizeMax = 65 if thorough else 45
    parameters.adaptiveThreshWinSizeStep = 12 if thorough else 16
    parameters.minMarkerPerimeterRate = smallest
    parameters.maxMarkerPerimeterRate = 4.0
    parameters.polygonalApproxAccuracyRate = 0.05
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    return cv2.aruco.ArucoDetector(dictionary, parameters)


def _detect(
    grey: Grey, *, thorough: bool = False, least_px: float = _MIN_MARKER_PX
) -> dict[int, Array]:
    """Return each marker's ``(4, 2)`` corners in pixels of ``grey``; twice seen is not seen."""
    smallest = round(4 * least_px / max(grey.shape), 3)
    corners, ids, _ = _detector(smallest, thorough).detectMarkers(grey)
    if ids is None:
        return {}
    found: dict[int, Array] = {}
    twice = set()
    for quad, marker_id in zip(corners, ids.ravel().tolist(), strict=True):
        if marker_id in found:
            twice.add(marker_id)
        found[marker_id] = quad.reshape(4, 2).astype(np.float64)
    return {i: quad for i, quad in found.items() if i not in twice}


def _sharpen_corners(grey: Grey, found: dict[int, Array]) -> dict[int, Array]:
    """Return the corners to a fraction of a pixel."""
    if not found:
        return found
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


def _paper_boxes(rgb: NDArray[np.uint8]) -> Iterator[Box]:
    """Yield where a sheet of paper may lie, likeliest first, in pixels of ``rgb``."""
    height, width = rgb.shape[0] // _SHRINK, rgb.shape[1] // _SHRINK
    small = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_NEAREST)
    red, green, blue = cv2.split(cv2.blur(small, (3, 3)))
    least = np.asarray(cv2.min(cv2.min(red, green), blue), dtype=np.uint8)
    chroma = cv2.max(cv2.max(red, green), blue) - least
    paper = np.where(chroma < 20 + (least >> 2) + (least >> 3), least, 0).astype(np.uint8)
    counts = np.cumsum(np.bincount(paper.ravel(), minlength=256))
    top = int(np.searchsorted(counts, 0.995 * counts[-1]))
    kernel = np.ones((3, 3), np.uint8)
    seen: list[Box] = []
    for level in _PAPER_LEVELS:
        mask = cv2.morphologyEx((paper > level * top).astype(np.uint8), cv2.MORPH_CLOSE, kernel)
        _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        for x, y, w, h, area in sorted(stats[1:].tolist(), key=lambda s: -s[4])[:2]:
            share = w * h / (width * height)
            if not _PAPER_AREA[0] < share < _PAPER_AREA[1] or area < 0.25 * w * h:
                continue
            pad = 2 + round(0.08 * max(w, h))
            box = (
                max(y - pad, 0) * _SHRINK,
                min(y + h + pad, height) * _SHRINK,
                max(x - pad, 0) * _SHRINK,
                min(x + w + pad, width) * _SHRINK,
            )
            if not any(_alike(box, other) for other in seen):
                seen.append(box)
                yield box
        if len(seen) >= _MAX_CANDIDATES:
            return


def _alike(a: Box, b: Box) -> bool:
    return all(abs(p - q) <= 4 * _SHRINK for p, q in zip(a, b, strict=True))


def _crop(grey: Grey, box: Box) -> Grey:
    return np.ascontiguousarray(grey[box[0] : box[1], box[2] : box[3]])


def _grey(rgb: NDArray[np.uint8]) -> Grey:
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _of_one_card(
    found: dict[int, Array], design: CardDesign | None
) -> tuple[CardDesign | None, dict[int, Array]]:
    """Return the card with most markers seen, and those markers alone."""
    designs = [card_design(n) for n in _TURF_DESIGNS] if design is None else [design]
    owned = [{m.id: found[m.id] for m in d.markers if m.id in found} for d in designs]
    best = int(np.argmax([len(o) for o in owned]))
    return (designs[best], owned[best]) if owned[best] else (None, {})


@dataclass(frozen=True, eq=False)
class _Sight:
    """Markers in pixels of one raster, and the step from it to full-size pixels."""

    design: CardDesign | None
    found: dict[int, Array]
    step: float

    @property
    def n(self) -> int:
        return len(self.found)


def _look(
    grey: Grey,
    shift: Array,
    design: CardDesign | None,
    step: float,
    *,
    thorough: bool = False,
    least_px: float = _MIN_MARKER_PX,
) -> _Sight:
    """Return the markers in a raster whose first pixel lies at ``shift`` in the photo."""
    found = _sharpen_corners(grey, _detect(grey, thorough=thorough, least_px=least_px))
    card, own = _of_one_card({i: quad + shift for i, quad in found.items()}, design)
    return _Sight(card, own, step)


def _complete(grey: Grey, sight: _Sight) -> _Sight:
    """Look again, closer, where the markers not yet seen must be."""
    if sight.design is None or not _MIN_MARKERS <= sight.n < len(sight.design.markers):
        return sight
    known = {m.id: np.array(m.corners_mm) for m in sight.design.markers}
    here = np.concatenate([known[i] for i in sight.found])
    h, _ = cv2.findHomography(here, np.concatenate(list(sight.found.values())))
    found = dict(sight.found)
    for marker_id, corners in known.items():
        if h is None or marker_id in found:
            continue
        middle = corners.mean(axis=0)
        wide = (middle + 1.45 * (corners - middle)).reshape(-1, 1, 2)
        place = cv2.perspectiveTransform(wide, h).reshape(-1, 2)
        box = _clip_box(np.asarray(place, dtype=np.float64), grey.shape)
        if box is None:
            continue
        part = _grown(_crop(grey, box))
        again = _sharpen_corners(part, _detect(part, thorough=True))
        if marker_id in again:
            found[marker_id] = (again[marker_id] - 0.5) / 2 + np.array([box[2], box[0]])
    return _Sight(sight.design, found, sight.step)


def _grown(grey: Grey) -> Grey:
    shape = (2 * grey.shape[1], 2 * grey.shape[0])
    return np.asarray(cv2.resize(grey, shape, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def _stretched(grey: Grey) -> Grey:
    return np.asarray(cv2.createCLAHE(4.0, (8, 8)).apply(grey), dtype=np.uint8)


def _clip_box(points: Array, shape: tuple[int, ...]) -> Box | None:
    left, top = np.floor(points.min(axis=0)).astype(int)
    right, low = np.ceil(points.max(axis=0)).astype(int)
    box = (max(top, 0), min(low, shape[0]), max(left, 0), min(right, shape[1]))
    return box if box[1] - box[0] > 8 and box[3] - box[2] > 8 else None


def _quick(rgb: NDArray[np.uint8], grey: Grey, design: CardDesign | None, step: float) -> _Sight:
    best = _Sight(None, {}, step)
    for box in _paper_boxes(rgb):
        shift = np.array([box[2], box[0]], dtype=np.float64)
        part = _crop(grey, box)
        least = max(_MIN_MARKER_PX, _MARKER_SHARE * max(part.shape))
        sight = _complete(grey, _look(part, shift, design, step, least_px=least))
        if sight.design is not None and sight.n == len(sight.design.markers):
            return sight
        best = sight if sight.n > best.n else best
    return best


def _mirrored(photo: Photo, design: CardDesign | None) -> bool:
    flipped = np.ascontiguousarray(photo.rgb[:, ::-1])
    grey = _grey(flipped)
    sight = _quick(flipped, grey, design, 1.0)
    if sight.n < _MIN_MARKERS:
        sight = _look(grey, np.zeros(2), design, 1.0)
    return sight.n >= _MIN_MARKERS


def find_markers(photo: Photo, design: CardDesign | None = None) -> MarkersSeen:
    """Return the markers of the card in the photo.

    Parameters
    ----------
    photo
        The photo.
    design
        The card that must be there; ``None`` takes the turf card with most markers in sight.

    Raises
    ------
    PhotoRefused
        ``mirrored`` when the card reads in the mirror only; ``covered`` when a single marker is in
        sight; ``cardless`` when none is.
    """
    grey = _grey(photo.rgb)
    best = _quick(photo.rgb, grey, design, float(photo.reduction))
    if best.n < _MIN_MARKERS:
        if _mirrored(photo, design):
            raise PhotoRefused("mirrored", where=photo.path)
        best = _thorough(photo, design, best)
    if best.design is None:
        raise _absent(photo)
    if best.n < _MIN_MARKERS:
        raise PhotoRefused("covered", "one marker of the card is in sight", photo.path)
    full = {i: (quad + 0.5) * best.step - 0.5 for i, quad in sorted(best.found.items())}
    return MarkersSeen(best.design, tuple(full), np.stack(list(full.values())), best.step)


def _thorough(photo: Photo, design: CardDesign | None, best: _Sight) -> _Sight:
    """Look at papers at full size, then at the whole of the photo as read."""
    for sight in (*_full_size(photo, design), *_whole(photo, design)):
        best = sight if sight.n > best.n else best
        if best.n >= _MIN_MARKERS:
            break
    return best


def _full_size(photo: Photo, design: CardDesign | None) -> Iterator[_Sight]:
    boxes = list(_paper_boxes(photo.rgb))
    step = photo.reduction
    full = photo.rgb
    if step > 1:
        from lawnscore.photo.read import read_photo

        full = read_photo(photo.path, reduction=1).rgb
    for box in boxes:
        at = (box[0] * step, box[1] * step, box[2] * step, box[3] * step)
        part = _grey(full[at[0] : at[1], at[2] : at[3]])
        if part.size > _LARGEST_PART_PX:
            continue
        shift = np.array([at[2], at[0]], dtype=np.float64)
        yield _look(part, shift, design, 1.0, thorough=True)
        yield _look(_stretched(part), shift, design, 1.0, thorough=True)


def _whole(photo: Photo, design: CardDesign | None) -> Iterator[_Sight]:
    grey, step = _grey(photo.rgb), float(photo.reduction)
    for raster in (grey, _stretched(grey)):
        yield _complete(raster, _look(raster, np.zeros(2), design, step))


def _absent(photo: Photo) -> PhotoRefused:
    """Return why no card is seen: the photo itself may be at fault."""
    grey = _grey(photo.rgb)
    burnt = float(np.mean(photo.rgb[::4, ::4].max(axis=2) >= _BURNT))
    if burnt > _MOSTLY:
        return PhotoRefused("overexposed", f"{100 * burnt:.0f} % is burnt out", photo.path)
    if float(np.percentile(grey[::4, ::4], 90)) < _DARK:
        return PhotoRefused("underexposed", where=photo.path)
    if _is_soft(grey):
        return PhotoRefused("blurred", "nothing in the photo is sharp", photo.path)
    return PhotoRefused("cardless", where=photo.path)


def _is_soft(grey: Grey) -> bool:
    """Return whether fine detail is missing, all of it or along one axis (motion)."""
    levels = [cv2.GaussianBlur(grey.astype(np.float32), (0, 0), s) for s in (1.0, 2.0, 4.0, 8.0)]
    fine, broad = float((levels[0] - levels[1]).std()), float((levels[2] - levels[3]).std())
    across, down = (float(np.abs(np.diff(levels[0], axis=axis)).mean()) for axis in (1, 0))
    one_way = min(across, down) < _MOVED * max(across, down)
    return fine < _SOFT * broad or one_way
