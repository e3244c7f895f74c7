"""Find a card's markers: cheaply where the card is plain to see, thoroughly where it is not.

Turf is full of small dark quads, so the marker detector is slow on a whole photo. A bright, hardly
coloured patch of paper is found first at a quarter of the size, and the detector looks there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import CardDesign, card_design
from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.absent import photo_fault, why_absent
from lawnscore.photo.marker_codes import TURF_DESIGNS, Quads, detect_markers, sharpen_corners
from lawnscore.photo.read import Photo, finer

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Box = tuple[int, int, int, int]
"""Rows and columns: top, bottom, left, right."""

_SHRINK = 4
"""Paper is looked for at this fraction of the photo as read."""
_PAPER_LEVELS = (0.82, 0.68, 0.55, 0.42)
"""Paper is brighter than this share of the brightest paper-like pixels."""
_PAPER_AREA = (0.0004, 0.6)
"""Share of the frame that the box of a card may take: one too far away is still called so."""
_MAX_CANDIDATES = 4
_MIN_MARKER_PX = 13.0
_MARKER_SHARE = 0.085
"""Least side of a marker over the longer side of the card's box: patches stay below it."""
_MIN_MARKERS = 2
_ABOUT = 2.0
"""Width of the search for a marker not yet seen, in its sides: from two markers at one end of a
card the place of those at the other is told to a quarter of a side.
"""
_NEIGHBOURHOOD = 1.15
"""Reach of the search round a lone marker, in diagonals of its card."""
_LARGEST_PART_PX = 3_000_000
"""Part of the full-size photo that is searched thoroughly."""
_FORESHORTENED = 0.7
"""Short over long axis of a lone marker, as a circle on it is seen: 45 degrees off the normal."""


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


def _paper_boxes(rgb: NDArray[np.uint8]) -> Iterator[Box]:
    """Yield where a sheet of paper may lie, likeliest first, in pixels of ``rgb``."""
    height, width = rgb.shape[0] // _SHRINK, rgb.shape[1] // _SHRINK
    small = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_NEAREST)
    red, green, blue = cv2.split(cv2.blur(small, (3, 3)))
    least = np.asarray(cv2.min(cv2.min(red, green), blue), dtype=np.uint8)
    chroma = cv2.max(cv2.max(red, green), blue) - least
    levels = np.arange(256, dtype=np.uint8)
    most = cv2.LUT(least, 20 + (levels >> 2) + (levels >> 3))
    paper = np.asarray(cv2.bitwise_and(least, cv2.compare(most, chroma, cv2.CMP_GT)))
    counts = np.cumsum(cv2.calcHist([paper], [0], None, [256], [0, 256]))
    top = int(np.searchsorted(counts, 0.995 * counts[-1]))
    kernel = np.ones((3, 3), np.uint8)
    seen: list[Box] = []
    for level in _PAPER_LEVELS:
        mask = cv2.morphologyEx((paper > level * top).astype(np.uint8), cv2.MORPH_CLOSE, kernel)
        # By Grana's blocks: the default took three times as long.
        _, _, stats, _ = cv2.connectedComponentsWithStatsWithAlgorithm(
            mask, 8, cv2.CV_32S, cv2.CCL_GRANA
        )
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


def _of_one_card(found: Quads, design: CardDesign | None) -> tuple[CardDesign | None, Quads]:
    """Return the card with most markers seen, and those markers alone."""
    designs = [card_design(n) for n in TURF_DESIGNS] if design is None else [design]
    owned = [{m.id: found[m.id] for m in d.markers if m.id in found} for d in designs]
    best = int(np.argmax([len(o) for o in owned]))
    return (designs[best], owned[best]) if owned[best] else (None, {})


@dataclass(frozen=True, eq=False)
class _Sight:
    """Markers in pixels of one raster, the step from it to full-size pixels, and how many
    markers of one card read in the mirror only.
    """

    design: CardDesign | None
    found: Quads
    step: float
    mirrored: int = 0

    @property
    def n(self) -> int:
        return len(self.found)

    @property
    def whole(self) -> bool:
        return self.design is not None and self.n == len(self.design.markers)


def _markers_in(
    grey: Grey,
    shift: Array,
    design: CardDesign | None,
    step: float,
    *,
    thorough: bool = False,
    least_px: float = _MIN_MARKER_PX,
) -> _Sight:
    """Return the markers in a raster whose first pixel lies at ``shift`` in the photo."""
    seen = detect_markers(grey, least_px=least_px, thorough=thorough)
    found = sharpen_corners(grey, seen.found)
    card, own = _of_one_card({i: quad + shift for i, quad in found.items()}, design)
    return _Sight(card, own, step, len(_of_one_card(seen.mirrored, design)[1]))


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
        wide = (middle + _ABOUT * (corners - middle)).reshape(-1, 1, 2)
        place = cv2.perspectiveTransform(wide, h).reshape(-1, 2)
        again = _around(grey, np.asarray(place, dtype=np.float64))
        if marker_id in again:
            found[marker_id] = again[marker_id]
    return _Sight(sight.design, found, sight.step)


def _neighbours(grey: Grey, sight: _Sight) -> _Sight:
    """Look closer round the one marker seen, as far as its card reaches whichever way it lies."""
    if sight.design is None or sight.n != 1:
        return sight
    ((marker_id, quad),) = sight.found.items()
    corners = next(m.corners_mm for m in sight.design.markers if m.id == marker_id)
    per_mm = np.linalg.norm(np.roll(quad, 1, axis=0) - quad, axis=1).max() / np.linalg.norm(
        np.subtract(corners[1], corners[0])
    )
    reach = _NEIGHBOURHOOD * per_mm * np.hypot(sight.design.width_mm, sight.design.height_mm)
    around = quad.mean(axis=0) + reach * np.array([(-1.0, -1.0), (1.0, 1.0)])
    card, own = _of_one_card({**_around(grey, around), marker_id: quad}, sight.design)
    return _complete(grey, _Sight(card, own, sight.step))


def _around(grey: Grey, place: Array) -> Quads:
    """Return the markers in the box of some points, looked for at twice the size."""
    box = _clip_box(place, grey.shape)
    if box is None:
        return {}
    found = _closer(_crop(grey, box), scale=2)
    return {i: quad + np.array([box[2], box[0]]) for i, quad in found.items()}


def _closer(part: Grey, *, scale: int) -> Quads:
    """Return the markers in a part of a photo, in its pixels, looked for thoroughly."""
    large = part if scale == 1 else _grown(part, scale)
    seen = detect_markers(large, least_px=_MIN_MARKER_PX, thorough=True)
    found = sharpen_corners(large, seen.found)
    return {i: (quad + 0.5) / scale - 0.5 for i, quad in found.items()}


def _grown(grey: Grey, scale: int) -> Grey:
    shape = (scale * grey.shape[1], scale * grey.shape[0])
    return np.asarray(cv2.resize(grey, shape, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def _stretched(grey: Grey) -> Grey:
    return np.asarray(cv2.createCLAHE(4.0, (8, 8)).apply(grey), dtype=np.uint8)


def _clip_box(points: Array, shape: tuple[int, ...]) -> Box | None:
    left, top = np.floor(points.min(axis=0)).astype(int)
    right, low = np.ceil(points.max(axis=0)).astype(int)
    box = (max(top, 0), min(low, shape[0]), max(left, 0), min(right, shape[1]))
    return box if box[1] - box[0] > 8 and box[3] - box[2] > 8 else None


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
        ``mirrored`` when the card reads in the mirror only; ``covered`` or ``tilted`` when a single
        marker is in sight, ``cardless``, ``coarse`` or ``tilted`` when none is; ``blurred``,
        ``overexposed`` or ``underexposed`` when that is why.
    """
    best = _Sight(None, {}, 1.0)
    for sight in _sights(photo, design):
        if sight.mirrored >= _MIN_MARKERS and sight.n < _MIN_MARKERS:
            raise PhotoRefused("mirrored", where=photo.path)
        best = sight if sight.n > best.n else best
        if best.n >= _MIN_MARKERS:
            break
    if best.design is None:
        papers = (photo.rgb[b[0] : b[1], b[2] : b[3]] for b in _paper_boxes(photo.rgb))
        raise why_absent(photo, papers)
    if best.n < _MIN_MARKERS:
        raise _lone(photo, best)
    full = {i: (quad + 0.5) * best.step - 0.5 for i, quad in sorted(best.found.items())}
    return MarkersSeen(best.design, tuple(full), np.stack(list(full.values())), best.step)


def _sights(photo: Photo, design: CardDesign | None) -> Iterator[_Sight]:
    """Yield what one look after another shows, the cheap ones first."""
    step = float(photo.reduction)
    best = _quick(photo.rgb, design, step)
    yield best
    grey = _grey(photo.rgb)
    yield _neighbours(grey, best)
    sight = _markers_in(grey, np.zeros(2), design, step)
    yield _complete(grey, sight)
    yield _neighbours(grey, sight)
    yield from _papers_closer(photo, design)
    stretched = _stretched(grey)
    sight = _markers_in(stretched, np.zeros(2), design, step, thorough=True)
    yield _complete(stretched, sight)
    yield _neighbours(stretched, sight)


def _quick(rgb: NDArray[np.uint8], design: CardDesign | None, step: float) -> _Sight:
    """Look at papers alone."""
    best = _Sight(None, {}, step)
    for box in _paper_boxes(rgb):
        shift = np.array([box[2], box[0]], dtype=np.float64)
        part = _grey(rgb[box[0] : box[1], box[2] : box[3]])
        least = max(_MIN_MARKER_PX, _MARKER_SHARE * max(part.shape))
        sight = _markers_in(part, shift, design, step, least_px=least)
        if not sight.whole:
            sight = _complete(_grey(rgb), sight)
        if sight.whole:
            return sight
        if (sight.n, sight.mirrored) > (best.n, best.mirrored):
            best = sight
    return best


def _papers_closer(photo: Photo, design: CardDesign | None) -> Iterator[_Sight]:
    """Look at papers at full size, or larger: the markers of a far card are small."""
    boxes = list(_paper_boxes(photo.rgb))
    if not boxes:
        return
    step, rgb = photo.reduction, finer(photo).rgb
    for box in boxes:
        top, bottom, left, right = (step * side for side in box)
        if (bottom - top) * (right - left) > _LARGEST_PART_PX // (1 if step > 1 else 4):
            continue
        found = _closer(_grey(rgb[top:bottom, left:right]), scale=1 if step > 1 else 2)
        card, own = _of_one_card({i: q + np.array([left, top]) for i, q in found.items()}, design)
        yield _Sight(card, own, 1.0)


def _lone(photo: Photo, sight: _Sight) -> PhotoRefused:
    """Return why one marker alone is read: seen obliquely, the others blur away."""
    fault = photo_fault(photo)
    if fault is not None:
        return fault
    (quad,) = sight.found.values()
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], dtype=np.float64)
    stretch = np.linalg.lstsq(square - 0.5, quad - quad.mean(axis=0), rcond=None)[0]
    long, short = np.linalg.svd(stretch, compute_uv=False)
    if short < _FORESHORTENED * long:
        return PhotoRefused("tilted", "one marker is in sight, seen obliquely", photo.path)
    return PhotoRefused("covered", "one marker of the card is in sight", photo.path)
