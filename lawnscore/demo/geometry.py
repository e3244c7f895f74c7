"""Where the camera stands and where the card lies.

Scene frame: mm on the ground, x right, y down, origin at the scene's top-left corner; z points
into the ground. Looking straight down with no yaw, the photo's axes are those of the scene.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from lawnscore.card.design import CardDesign
from lawnscore.demo.spectra import Floats

DIAGONAL_35MM = 43.2666  # diagonal of the 24 x 36 mm frame


@dataclass(frozen=True)
class View:
    """Where the camera stands, where the card lies and what is wrong with it.

    Parameters
    ----------
    width_px, height_px
        Size of the upright photo.
    distance_mm
        Height of the lens above the ground.
    tilt_deg, tilt_azimuth_deg
        Angle between the optical axis and straight down; towards where it leans.
    yaw_deg
        Turn of the photo about the vertical.
    aim_mm
        Ground point (x, y) in the middle of the photo.
    card_centre_mm, card_angle_deg
        Place of the card's centre and turn of its x axis, scene frame.
    card_warp_mm, card_curl_deg
        Lift of bent corners; mean slope of the sheet away from the light.
    card_covered
        Share of the card under a fallen leaf or a finger.
    card_glare
        0 to 1: strength of the mirror image of the sky on the card.
    card_in_shade
        The card lies in something's shadow though the lawn does not (needs a ``shade``).
    mirrored
        The photo is mirrored, as selfie cameras do.
    """

    width_px: int = 4000
    height_px: int = 3000
    distance_mm: float = 1300.0
    tilt_deg: float = 6.0
    tilt_azimuth_deg: float = 90.0
    yaw_deg: float = 0.0
    aim_mm: tuple[float, float] = (1000.0, 800.0)
    card_centre_mm: tuple[float, float] = (700.0, 500.0)
    card_angle_deg: float = 0.0
    card_warp_mm: float = 0.0
    card_curl_deg: float = 0.0
    card_covered: float = 0.0
    card_glare: float = 0.0
    card_in_shade: bool = False
    mirrored: bool = False


def camera_matrix(view: View, focal_35mm: float) -> Floats:
    """Return the (3, 3) camera matrix, px."""
    diagonal_px = float(np.hypot(view.width_px, view.height_px))
    f = focal_35mm / DIAGONAL_35MM * diagonal_px
    return np.array(
        [[f, 0, (view.width_px - 1) / 2], [0, f, (view.height_px - 1) / 2], [0, 0, 1.0]]
    )


def pose(view: View) -> tuple[Floats, Floats, Floats]:
    """Return rotation (3, 3) and translation (3,) scene to camera, and the lens's place (3,)."""
    t, a = np.deg2rad(view.tilt_deg), np.deg2rad(view.tilt_azimuth_deg)
    # The tilt turns straight down (0, 0, 1) towards (cos a, sin a, 0).
    axis = np.array([-np.sin(a), np.cos(a), 0.0]) * t
    lean = cv2.Rodrigues(axis.reshape(3, 1))[0]
    yaw = np.deg2rad(view.yaw_deg)
    turn = np.array([[np.cos(yaw), np.sin(yaw), 0], [-np.sin(yaw), np.cos(yaw), 0], [0, 0, 1.0]])
    rotation = turn @ lean.T
    looking = rotation.T @ np.array([0.0, 0.0, 1.0])
    centre = np.array([*view.aim_mm, 0.0]) - looking * view.distance_mm / looking[2]
    return rotation, -rotation @ centre, centre


def scene_to_photo(view: View, focal_35mm: float) -> Floats:
    """Return the (3, 3) homography from scene mm to photo px."""
    rotation, translation, _ = pose(view)
    matrix = camera_matrix(view, focal_35mm) @ np.column_stack(
        [rotation[:, 0], rotation[:, 1], translation]
    )
    return np.asarray(matrix / matrix[2, 2])


def card_to_scene(view: View, design: CardDesign | None) -> Floats:
    """Return the (3, 3) map from card mm to scene mm; from scene mm itself without a card."""
    if design is None:
        return np.eye(3)
    a = np.deg2rad(view.card_angle_deg)
    c, s = np.cos(a), np.sin(a)
    mx, my = design.width_mm / 2, design.height_mm / 2
    x, y = view.card_centre_mm
    return np.array([[c, -s, x - c * mx + s * my], [s, c, y - s * mx - c * my], [0, 0, 1.0]])


def scale_at(to_px: Floats, point_mm: Floats) -> float:
    """Return mm per px of a homography at a point: the root of the area of a pixel."""
    x, y, w = to_px @ np.array([point_mm[0], point_mm[1], 1.0])
    jacobian = (to_px[:2, :2] * w - np.outer([x, y], to_px[2, :2])) / w**2
    return float(1.0 / np.sqrt(abs(np.linalg.det(jacobian))))


def bounds_mm(view: View, to_px: Floats) -> tuple[float, float, float, float]:
    """Return the box (x0, y0, x1, y1) of the ground in view, scene mm."""
    corners = np.array(
        [[0, 0], [view.width_px, 0], [view.width_px, view.height_px], [0, view.height_px]]
    )
    ground = cv2.perspectiveTransform(
        corners.reshape(1, 4, 2).astype(np.float64), np.linalg.inv(to_px)
    )[0]
    return (*ground.min(axis=0).tolist(), *ground.max(axis=0).tolist())
