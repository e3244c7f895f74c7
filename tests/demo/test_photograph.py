from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lawnscore.card.design import card_design
from lawnscore.demo.camera import CAMERAS, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.ground_sample import photograph_ground
from lawnscore.demo.materials import Tint
from lawnscore.demo.photograph import Photograph, photograph
from lawnscore.demo.scene import LawnSpec, Scene, grow_lawn

CAMERA = CAMERAS["report-a"]
VIEW = View(width_px=1200, height_px=900, distance_mm=560.0, tilt_deg=12.0, tilt_azimuth_deg=60.0,
            yaw_deg=8.0, aim_mm=(420.0, 330.0), card_centre_mm=(300.0, 250.0),
            card_angle_deg=10.0)  # fmt: skip


@pytest.fixture(scope="module")
def scene() -> Scene:
    return grow_lawn(LawnSpec(width_mm=840, height_mm=660, green=0.8, straw=0.1), seed=1)


@pytest.fixture(scope="module")
def photo(scene: Scene) -> Photograph:
    return photograph(scene, Light(sun_share=0.6), CAMERA, VIEW, seed=2)


def test_markers_are_seen_where_the_pose_says(photo: Photograph) -> None:
    # Detector: OpenCV's own ArUco.
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50)
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    found = cv2.aruco.ArucoDetector(dictionary, options).detectMarkers(photo.rgb)
    corners = {int(i): c[0] for i, c in zip(found[1].ravel(), found[0], strict=True)}
    for marker in card_design("turf-a5").markers:
        expected = cv2.perspectiveTransform(np.array([marker.corners_mm]), photo.card_to_px)[0]
        assert np.abs(corners[marker.id] - expected).max() < 0.8


def test_scale_at_the_card(photo: Photograph) -> None:
    top = np.array([[[105.0, 74.0], [105.5, 74.0], [105.0, 74.5]]])
    a, b, c = cv2.perspectiveTransform(top, photo.card_to_px)[0]
    area = abs(np.cross(np.append(b - a, 0), np.append(c - a, 0))[2])
    assert photo.mm_per_px == pytest.approx(np.sqrt(0.25 / area), rel=1e-3)


def test_truth_leaves_the_card_out(photo: Photograph) -> None:
    with_rim, without = photo.truth_within(rim_mm=10), photo.truth_within()
    assert without["area_m2"] - with_rim["area_m2"] == pytest.approx(
        (230 * 168 - 210 * 148) * 1e-6, rel=0.05
    )


def test_truth_of_a_part_is_that_of_the_scene(scene: Scene, photo: Photograph) -> None:
    square_mm = np.array([[500.0, 400], [700, 400], [700, 600], [500, 600]])
    square_px = cv2.perspectiveTransform(square_mm[None], photo.scene_to_px)[0]
    truth = photo.truth_within(square_px)
    part = scene.surface[800:1200, 1000:1400]
    assert truth["area_m2"] == pytest.approx(0.04, rel=0.01)
    assert truth["green_cover_pct"] == pytest.approx(100 * (part == 0).mean(), abs=0.5)


def test_mirrored_photo_has_the_same_truth(scene: Scene) -> None:
    plain, mirrored = (
        photograph(scene, Light(), CAMERA, replace(VIEW, mirrored=m), seed=2) for m in (False, True)
    )
    assert np.array_equal(plain.rgb[:, ::-1], mirrored.rgb)
    left = np.array([[0.0, 0], [599.5, 0], [599.5, 900], [0, 900]])
    right = left + np.array([599.5, 0.0])
    assert mirrored.truth_within(right)["green_cover_pct"] == pytest.approx(
        plain.truth_within(left)["green_cover_pct"], abs=0.2
    )


def test_no_card_no_markers(scene: Scene) -> None:
    photo = photograph(scene, Light(), CAMERA, VIEW, seed=2, card=None)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50)
    assert cv2.aruco.ArucoDetector(dictionary).detectMarkers(photo.rgb)[1] is None


def test_glare_cover_and_shade_change_the_card(scene: Scene) -> None:
    light = Light(sun_share=0.7, shade="edge", shade_share=0.0)
    plain = photograph(scene, light, CAMERA, VIEW, seed=2)
    corners = cv2.perspectiveTransform(
        np.array([card_design("turf-a5").corners_mm]), plain.card_to_px
    )
    mask = np.zeros(plain.rgb.shape[:2], np.uint8)
    cv2.fillPoly(mask, corners.astype(np.int32), 1)
    inside = mask.astype(bool)

    def card(**flaw: object) -> np.ndarray:
        view = replace(VIEW, **flaw)
        return photograph(scene, light, CAMERA, view, seed=2).rgb[inside].astype(float)

    good = plain.rgb[inside].astype(float)
    # Glare lifts the blacks; the exposure gives way to it.
    assert np.quantile(card(card_glare=1.0), 0.03) > np.quantile(good, 0.03) + 25
    shaded = photograph(scene, light, CAMERA, replace(VIEW, card_in_shade=True), seed=2).rgb
    assert shaded[inside].mean() / shaded[~inside].mean() < 0.8 * (
        plain.rgb[inside].mean() / plain.rgb[~inside].mean()
    )
    covered = np.abs(card(card_covered=0.5) - good).max(axis=1) > 25
    assert 0.25 < covered.mean() < 0.75


def test_ground_sample_fits_its_shares() -> None:
    spec = LawnSpec(width_mm=300, height_mm=240, green=0.6, casts_per_m2=40,
                    tint=Tint(soil="clay"))  # fmt: skip
    sample = photograph_ground(grow_lawn(spec, seed=5), Light(), CAMERAS["train-b"], seed=1)
    assert sample.rgb.shape == (240, 300, 3)
    assert sample.shares.shape == (60, 75, 5)
    assert sample.shares.sum(axis=2) == pytest.approx(1.0, abs=1e-5)
    assert sample.patch_rgb.shape == sample.patch_linear.shape == (56, 3)
    # Where there is more leaf the picture is greener.
    rgb = cv2.resize(sample.rgb, (75, 60), interpolation=cv2.INTER_AREA).astype(float)
    greenness = 2 * rgb[..., 1] - rgb[..., 0] - rgb[..., 2]
    assert np.corrcoef(greenness.ravel(), sample.shares[..., 0].ravel())[0, 1] > 0.7


def test_card_patches_follow_their_true_colours() -> None:
    spec = LawnSpec(width_mm=300, height_mm=240)
    sample = photograph_ground(grow_lawn(spec, seed=5), Light(), CAMERAS["train-b"], seed=1)
    order = np.corrcoef(sample.patch_rgb[:, 1], sample.patch_linear[:, 1] ** (1 / 2.2))
    assert order[0, 1] > 0.97
