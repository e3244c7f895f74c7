from __future__ import annotations

import cv2
import numpy as np
import pytest

from lawnscore.card.design import card_design
from lawnscore.demo.geometry import (
    View,
    camera_matrix,
    card_to_scene,
    pose,
    scale_at,
    scene_to_photo,
)

STRAIGHT = View(distance_mm=1500.0, tilt_deg=0.0, aim_mm=(900.0, 700.0))


def test_scale_of_a_phone_at_chest_height() -> None:
    # From the 35 mm equivalent (diagonal 43.267 mm), 1.5 m, 26 mm, 4000 px wide 4:3: 0.49923 mm
    # a pixel and 1.997 m wide; arithmetic of the convention.
    assert scale_at(scene_to_photo(STRAIGHT, 26.0), np.array([900.0, 700.0])) == pytest.approx(
        0.49923, abs=2e-5
    )


def test_straight_down_keeps_the_axes_of_the_scene() -> None:
    to_px = scene_to_photo(STRAIGHT, 26.0)
    aim, right, below = cv2.perspectiveTransform(
        np.array([[[900.0, 700.0], [901.0, 700.0], [900.0, 701.0]]]), to_px
    )[0]
    assert aim == pytest.approx([1999.5, 1499.5])
    assert right[0] > aim[0] and right[1] == pytest.approx(aim[1])
    assert below[1] > aim[1] and below[0] == pytest.approx(aim[0])


def test_homography_agrees_with_opencv_projection() -> None:
    view = View(tilt_deg=23.0, tilt_azimuth_deg=130.0, yaw_deg=17.0)
    rotation, translation, _ = pose(view)
    points = np.random.default_rng(0).uniform(200, 1500, (20, 2))
    flat = np.column_stack([points, np.zeros(20)])
    theirs = cv2.projectPoints(
        flat, cv2.Rodrigues(rotation)[0], translation, camera_matrix(view, 26.0), None
    )[0].reshape(-1, 2)
    ours = cv2.perspectiveTransform(points[None], scene_to_photo(view, 26.0))[0]
    assert np.allclose(ours, theirs, atol=1e-6)


@pytest.mark.parametrize("tilt", [0.0, 10.0, 35.0])
def test_tilt_is_the_angle_to_straight_down_and_height_is_kept(tilt: float) -> None:
    view = View(distance_mm=1200.0, tilt_deg=tilt, tilt_azimuth_deg=40.0, yaw_deg=-70.0)
    rotation, _, centre = pose(view)
    assert centre[2] == pytest.approx(-1200.0)
    assert np.rad2deg(np.arccos(rotation[2, 2])) == pytest.approx(tilt, abs=1e-5)
    assert np.linalg.det(rotation) == pytest.approx(1.0)


def test_ground_is_foreshortened_by_tilt() -> None:
    # At the middle of the frame and a given height h the slant range is h / cos t; a pixel covers
    # 1 / cos t more across and 1 / cos^2 t more along: the area by 1 / cos^3 t.
    tilt = np.deg2rad(20.0)
    view = View(distance_mm=1500.0, tilt_deg=20.0, aim_mm=(900.0, 700.0))
    straight = scale_at(scene_to_photo(STRAIGHT, 26.0), np.array([900.0, 700.0]))
    tilted = scale_at(scene_to_photo(view, 26.0), np.array([900.0, 700.0]))
    assert tilted / straight == pytest.approx(np.cos(tilt) ** -1.5)
    # Published factors at 20 degrees: 1.0642 across, 1.1325 along; their geometric mean.
    assert tilted / straight == pytest.approx(np.sqrt(1.0642 * 1.1325), rel=1e-4)


def test_card_lies_where_it_is_put() -> None:
    design = card_design("turf-a5")
    view = View(card_centre_mm=(640.0, 480.0), card_angle_deg=90.0)
    to_scene = card_to_scene(view, design)
    centre, right = cv2.perspectiveTransform(
        np.array([[design.centre_mm, (design.width_mm, design.height_mm / 2)]]), to_scene
    )[0]
    assert centre == pytest.approx([640.0, 480.0])
    assert right == pytest.approx([640.0, 480.0 + design.width_mm / 2])
