"""Find a classic 24-patch chart: OpenCV's own detector, then the middle of each patch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import ciede2000, decode_srgb, linear_to_lab
from lawnscore.card.design import CardDesign
from lawnscore.contract.errors import LawnscoreError, PhotoRefused
from lawnscore.photo.absent import why_absent
from lawnscore.photo.read import Photo, finer

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

_COLUMNS, _ROWS = 6, 4
_MAX_CHARTS = 6
_ROUNDS = 4
_SAME_COLOUR = 14.0
"""Camera values (8 bit) that differ less from a patch's middle belong to the patch."""
_PATCH_AREA = (0.25, 1.0)
"""Area of a patch over the square of the pitch."""
_MIN_PATCHES_FOUND = 14
_MAX_MISMATCH = 12.0
"""Mean CIEDE2000 of a 3 x 3 fit beyond which a grid of squares is no chart."""
_LARGEST_PX = 3600


@dataclass(frozen=True, eq=False)
class ChartSeen:
    """Middles of the patches: ``(24, 1, 2)`` on the chart in mm and in full-size pixels."""

    points_mm: Array
    points_px: Array
    pixel_step: float


def _mcc() -> Any:
    found = getattr(cv2, "mcc", None)
    if found is None or not hasattr(found, "CCheckerDetector_create"):
        raise LawnscoreError(
            f"OpenCV {cv2.__version__} as installed has no detector for 24-patch charts",
            "Install opencv-python-headless 5 or later, or use a turf card.",
        )
    return found


def _boxes(rgb: Bytes) -> list[Array]:
    """Return corners ``(4, 2)`` of what may be charts; rough, and in any turn."""
    mcc = _mcc()
    detector = mcc.CCheckerDetector_create()
    detector.setColorChartType(mcc.MCC24)
    if not detector.process(np.ascontiguousarray(rgb[..., ::-1]), _MAX_CHARTS):
        return []
    charts = detector.getListColorChecker()
    return [np.asarray(c.getBox(), dtype=np.float64).reshape(4, 2) for c in charts]


def _grid() -> Array:
    """Return the middles of the patches, ``(24, 2)``, in pitches from the first."""
    return np.array([(c, r) for r in range(_ROWS) for c in range(_COLUMNS)], dtype=np.float64)


def _homography(grid: Array, pixels: Array) -> Array | None:
    found, _ = cv2.findHomography(grid, pixels, cv2.RANSAC, 3.0)
    return None if found is None else np.asarray(found, dtype=np.float64)


def _project(homography: Array, points: Array) -> Array:
    flat = cv2.perspectiveTransform(points.reshape(-1, 1, 2), homography)
    return np.asarray(flat, dtype=np.float64).reshape(-1, 2)


def _middle(rgb: Bytes, at: Array, pitch: float) -> Array | None:
    """Return the middle of the flat patch of colour at a place, if there is one."""
    height, width = rgb.shape[:2]
    reach = round(0.75 * pitch)
    x, y = np.rint(at).astype(int)
    if not (1 <= x < width - 1 and 1 <= y < height - 1):
        return None
    top, left = max(y - reach, 0), max(x - reach, 0)
    part = rgb[top : y + reach + 1, left : x + reach + 1].astype(np.float32)
    seed = np.median(rgb[y - 1 : y + 2, x - 1 : x + 2].reshape(-1, 3).astype(np.float32), axis=0)
    same = (np.abs(part - seed).max(axis=2) < _SAME_COLOUR).astype(np.uint8)
    _, labels, stats, centres = cv2.connectedComponentsWithStats(same, connectivity=4)
    label = int(labels[y - top, x - left])
    share = stats[label, cv2.CC_STAT_AREA] / pitch**2
    if label == 0 or not _PATCH_AREA[0] < share < _PATCH_AREA[1]:
        return None
    return np.asarray(centres[label] + [left, top], dtype=np.float64)


def _sharpen(rgb: Bytes, box: Array) -> Array | None:
    """Return the homography from the grid to pixels, from the middles of the patches."""
    outer = np.array([(-0.55, -0.55), (5.55, -0.55), (5.55, 3.55), (-0.55, 3.55)])
    h = _homography(outer, box)
    grid = _grid()
    for _ in range(_ROUNDS):
        if h is None:
            return None
        places = _project(h, grid)
        pitch = float(np.sqrt(abs(cv2.contourArea(_project(h, outer).astype(np.float32))) / 25.01))
        if not 6 < pitch < max(rgb.shape):
            return None
        found = [_middle(rgb, at, pitch) for at in places]
        kept = np.array([n for n, m in enumerate(found) if m is not None], dtype=int)
        if len(kept) < _MIN_PATCHES_FOUND:
            return None
        h = _homography(grid[kept], np.array([found[n] for n in kept]))
    return h


def _turns() -> Iterator[tuple[Array, bool]]:
    """Yield the orders in which the detector may have walked the patches; True is mirrored."""
    grid = _grid()
    last = np.array([_COLUMNS - 1.0, _ROWS - 1.0])
    yield grid, False
    yield last - grid, False
    yield np.column_stack([last[0] - grid[:, 0], grid[:, 1]]), True
    yield np.column_stack([grid[:, 0], last[1] - grid[:, 1]]), True


def _mismatch(rgb: Bytes, places: Array, reference: Array) -> float:
    """Return the mean CIEDE2000 left by the best 3 x 3 in linear light."""
    height, width = rgb.shape[:2]
    at = np.rint(places).astype(int)
    if np.any(at < 1) or np.any(at >= [width - 1, height - 1]):
        return float("inf")
    seen = np.array([rgb[y - 1 : y + 2, x - 1 : x + 2].reshape(-1, 3).mean(axis=0) for x, y in at])
    linear = decode_srgb(seen / 255)
    weight = 1 / (0.05 + reference.mean(axis=1, keepdims=True))
    matrix = np.linalg.lstsq(linear * weight, reference * weight, rcond=None)[0]
    return float(np.mean(ciede2000(linear_to_lab(linear @ matrix), linear_to_lab(reference))))


@dataclass(frozen=True, eq=False)
class _Candidate:
    mismatch: float
    mirrored: bool
    places: Array


def _best_in(rgb: Bytes, reference: Array) -> _Candidate:
    best = _Candidate(float("inf"), False, np.zeros((24, 2)))
    for corners in _boxes(rgb):
        # The long side may be either: the detector's box need not start at a short row.
        for box in (corners, np.roll(corners, 1, axis=0)):
            h = _sharpen(rgb, box)
            if h is None:
                continue
            for order, mirrored in _turns():
                places = _project(h, order)
                value = _mismatch(rgb, places, reference)
                if value < best.mismatch:
                    best = _Candidate(value, mirrored, places)
    return best


def _rasters(photo: Photo) -> Iterator[tuple[Bytes, float]]:
    yield photo.rgb, float(photo.reduction)
    rgb = finer(photo).rgb
    if photo.reduction > 1:
        yield rgb, 1.0
    if max(rgb.shape) <= _LARGEST_PX:
        size = (2 * rgb.shape[1], 2 * rgb.shape[0])
        yield np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_CUBIC), dtype=np.uint8), 0.5


def find_chart(photo: Photo, design: CardDesign) -> ChartSeen:
    """Return where the patches of a classic chart lie.

    Parameters
    ----------
    photo
        The photo.
    design
        A chart of 6 x 4 patches, in reading order.

    Raises
    ------
    PhotoRefused
        ``cardless`` when no grid of patches has the chart's colours, or a fault of the photo
        that hides it; ``mirrored``.
    LawnscoreError
        When OpenCV as installed has no such detector.
    """
    reference = decode_srgb(np.array([p.srgb for p in design.patches]) / 255)
    for rgb, step in _rasters(photo):
        best = _best_in(rgb, reference)
        if best.mismatch > _MAX_MISMATCH:
            continue
        if best.mirrored:
            raise PhotoRefused("mirrored", where=photo.path)
        centres = np.array([p.centre_mm for p in design.patches])
        pixels = (best.places + 0.5) * step - 0.5
        return ChartSeen(centres[:, None], pixels[:, None], step)
    raise why_absent(photo, detail="no 24-patch chart was found")
