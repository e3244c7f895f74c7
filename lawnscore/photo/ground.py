"""Lay the photo flat: onto the plane of the card, in true millimetres, with what to leave out.

What may be measured is convex: a disc about the card, the frame, the side of the ground where
pixels are fine enough, and the disc about the point under the camera where the view is steep
enough. So one convex polygon says it, on the ground and in the photo.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.find import COARSEST_MM
from lawnscore.photo.pose import local_scale, pose_errors
from lawnscore.photo.read import Photo

Array = NDArray[np.float64]

_RIM_MM = 12.0
"""Ground left out round the sheet: its edge, its shadow, bent blades."""
_EDGE_PX = 3.0
"""Full-size pixels left out along the frame."""
_MOST_OBLIQUE_DEG = 55.0
"""Angle off the vertical beyond which the sward hides what lies in it."""
_MIN_AREA_M2 = 0.12
_MAX_CELLS = 2_500_000
_MAX_BOX_CELLS = 4_000_000
_FINE = 1.5
"""Pixels a cell beyond which the photo is halved first, against aliasing."""
_CIRCLE = 2 * np.pi * np.arange(64) / 64


@dataclass(frozen=True, eq=False)
class Ground:
    """The ground, flat.

    Parameters
    ----------
    rgb
        ``(H, W, 3)`` uint8, camera-encoded, not yet corrected.
    mask
        ``(H, W)``; True is left out: card and rim, outside the frame, too far, coarse, oblique.
    mm_per_px
        Side of a cell.
    origin_mm
        Centre of cell (0, 0) in the card frame.
    area_m2
        Ground measured.
    measured_polygon_px
        ``(k, 2)`` convex polygon in full-size pixels that holds the ground measured; the card
        may lie inside it and is not counted.
    scale_rel_se
        Relative standard error of lengths at the middle of the ground measured.
    """

    rgb: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    mm_per_px: float
    origin_mm: tuple[float, float]
    area_m2: float
    measured_polygon_px: Array
    scale_rel_se: float


def flatten(
    photo: Photo,
    card_fit: CardFit,
    *,
    mm_per_px: float = 1.0,
    max_distance_m: float = 1.6,
) -> Ground:
    """Return the ground in true millimetres.

    Parameters
    ----------
    photo
        The photo.
    card_fit
        The card and the camera's pose.
    mm_per_px
        Side of a cell of the result.
    max_distance_m
        Farthest ground from the card's middle. The result is kept below about 2.5 million
        cells by drawing nearer to the card.

    Raises
    ------
    PhotoRefused
        ``coarse`` or ``cramped``.
    """
    read_mm = card_fit.mm_per_px * photo.reduction
    if read_mm > COARSEST_MM:
        raise PhotoRefused("coarse", f"a pixel covers {read_mm:.1f} mm", photo.path)
    polygon = _fitting(photo, card_fit, mm_per_px, 1000 * max_distance_m)
    if polygon is None:
        raise PhotoRefused("cramped", where=photo.path)
    low = np.floor(polygon.min(axis=0) / mm_per_px) * mm_per_px
    size = np.ceil((polygon.max(axis=0) - low) / mm_per_px).astype(int) + 1
    mask = _mask(polygon, card_fit, low, size, mm_per_px)
    area_m2 = float(mask.size - np.count_nonzero(mask)) * mm_per_px**2 * 1e-6
    if area_m2 < _MIN_AREA_M2:
        raise PhotoRefused("cramped", f"only {area_m2:.2f} m2 of ground", photo.path)
    return Ground(
        rgb=_warp(photo, card_fit, low, size, mm_per_px),
        mask=mask,
        mm_per_px=mm_per_px,
        origin_mm=(float(low[0]), float(low[1])),
        area_m2=area_m2,
        measured_polygon_px=_to_pixels(card_fit.pose.homography, polygon),
        scale_rel_se=_scale_error(photo, card_fit, polygon),
    )


def _to_pixels(homography: Array, points: Array) -> Array:
    return np.asarray(
        cv2.perspectiveTransform(points.reshape(-1, 1, 2), homography).reshape(-1, 2),
        dtype=np.float64,
    )


def _fitting(photo: Photo, card_fit: CardFit, cell_mm: float, reach_mm: float) -> Array | None:
    """Return the polygon to measure (mm), drawn in until it holds few enough cells."""
    polygon = _polygon(photo, card_fit, reach_mm)
    for _ in range(12):
        if polygon is None:
            return None
        cells = cv2.contourArea(polygon.astype(np.float32)) / cell_mm**2
        box = float(np.prod(np.ptp(polygon, axis=0))) / cell_mm**2
        excess = max(cells / _MAX_CELLS, box / _MAX_BOX_CELLS)
        if excess <= 1.0:
            return polygon
        middle = np.array(card_fit.design.centre_mm)
        reach_mm = min(reach_mm, float(np.linalg.norm(polygon - middle, axis=1).max()))
        reach_mm *= max(float(excess**-0.5), 0.93)
        polygon = _polygon(photo, card_fit, reach_mm)
    return polygon


def _polygon(photo: Photo, card_fit: CardFit, reach_mm: float) -> Array | None:
    middle = np.array(card_fit.design.centre_mm)
    polygon = middle + reach_mm * np.column_stack([np.cos(_CIRCLE), np.sin(_CIRCLE)])
    for line in _half_planes(photo, card_fit):
        polygon = clip_polygon(polygon, line)
        if len(polygon) < 3:
            return None
    under, height = _camera_foot(card_fit)
    radius = height * np.tan(np.radians(_MOST_OBLIQUE_DEG))
    disc = under + radius * np.column_stack([np.cos(_CIRCLE), np.sin(_CIRCLE)])
    area, both = cv2.intersectConvexConvex(polygon.astype(np.float32), disc.astype(np.float32))
    if area <= 0:
        return None
    return np.asarray(both.reshape(-1, 2), dtype=np.float64)


def _half_planes(photo: Photo, card_fit: CardFit) -> Array:
    """Return lines ``(5, 3)`` on the ground; a point is inside where its product is positive."""
    h = card_fit.pose.homography
    middle = np.array([*card_fit.design.centre_mm, 1.0])
    h = h * np.sign(h[2] @ middle)
    right, low = photo.width_px - 1 - _EDGE_PX, photo.height_px - 1 - _EDGE_PX
    frame = np.array([[1, 0, -_EDGE_PX], [0, 1, -_EDGE_PX], [-1, 0, right], [0, -1, low]])
    # The area scale of the plane goes with depth to the third: a limit to it is a line.
    here = local_scale(h, middle[None, :2])[0] / photo.reduction
    farthest = (h[2] @ middle) * (here * COARSEST_MM) ** (2 / 3)
    return np.vstack([frame @ h, [0.0, 0.0, farthest] - h[2]])


def clip_polygon(polygon: Array, line: Array) -> Array:
    """Return the part (k, 2) of a convex polygon on the positive side of a line (3,).

    Sutherland & Hodgman 1974, "Reentrant polygon clipping", Commun. ACM 17:32-42.
    """
    value = polygon @ line[:2] + line[2]
    kept: list[Array] = []
    for n in range(len(polygon)):
        m = (n + 1) % len(polygon)
        if value[n] > 0:
            kept.append(polygon[n])
        if (value[n] > 0) != (value[m] > 0):
            share = value[n] / (value[n] - value[m])
            kept.append(polygon[n] + share * (polygon[m] - polygon[n]))
    return np.array(kept).reshape(-1, 2)


def _camera_foot(card_fit: CardFit) -> tuple[Array, float]:
    """Return the ground point under the camera and the camera's height, mm."""
    pose = card_fit.pose
    centre = -pose.rotation.T @ pose.translation
    return centre[:2], abs(float(centre[2]))


def _mask(
    polygon: Array, card_fit: CardFit, low: Array, size: NDArray[np.int_], cell_mm: float
) -> NDArray[np.bool_]:
    left_out = np.ones((int(size[1]), int(size[0])), np.uint8)
    shift = 4  # sixteenths of a cell
    corners = np.rint((polygon - low) / cell_mm * (1 << shift)).astype(np.int32)
    cv2.fillConvexPoly(left_out, corners, 0, cv2.LINE_8, shift)
    design = card_fit.design
    sheet = np.array([(0.0, 0.0), (design.width_mm, design.height_mm)])
    first, last = np.rint((sheet + np.array([[-_RIM_MM], [_RIM_MM]]) - low) / cell_mm).astype(int)
    (left, top), (right, bottom) = np.maximum(first, 0), np.maximum(last + 1, 0)
    left_out[top:bottom, left:right] = 1
    return left_out.view(np.bool_)


def _warp(
    photo: Photo, card_fit: CardFit, low: Array, size: NDArray[np.int_], cell_mm: float
) -> NDArray[np.uint8]:
    rgb, step = photo.rgb, float(photo.reduction)
    while cell_mm / (card_fit.mm_per_px * step) > _FINE:
        shape = (rgb.shape[1] // 2, rgb.shape[0] // 2)
        rgb = cast(NDArray[np.uint8], cv2.resize(rgb, shape, interpolation=cv2.INTER_AREA))
        step *= 2
    offset = 0.5 / step - 0.5
    to_read = np.array([[1 / step, 0.0, offset], [0.0, 1 / step, offset], [0.0, 0.0, 1.0]])
    to_mm = np.array([[cell_mm, 0.0, low[0]], [0.0, cell_mm, low[1]], [0.0, 0.0, 1.0]])
    # OpenCV warps four channels in half the time of three, to the same values.
    flat = cv2.warpPerspective(
        cv2.cvtColor(rgb, cv2.COLOR_RGB2RGBA),
        to_read @ card_fit.pose.homography @ to_mm,
        (int(size[0]), int(size[1])),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    return cast(NDArray[np.uint8], cv2.cvtColor(flat, cv2.COLOR_RGBA2RGB))


def _scale_error(photo: Photo, card_fit: CardFit, polygon: Array) -> float:
    middle = polygon.mean(axis=0)
    mm, se, _ = pose_errors(
        card_fit.pose, (photo.width_px, photo.height_px), (float(middle[0]), float(middle[1]))
    )
    return se / mm
