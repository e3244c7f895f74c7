from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.find import find_card
from lawnscore.photo.ground import Ground, flatten
from tests.photo.laid_card import Laid, lay_card


@pytest.fixture(scope="module")
def scene() -> tuple[Laid, CardFit, Ground]:
    laid = lay_card(tilt_deg=12.0, spin_deg=30.0)
    fit = find_card(laid.photo)
    return laid, fit, flatten(laid.photo, fit)


def _cell(ground: Ground, x_mm: float, y_mm: float) -> tuple[int, int]:
    x0, y0 = ground.origin_mm
    return round((y_mm - y0) / ground.mm_per_px), round((x_mm - x0) / ground.mm_per_px)


def test_patches_lie_where_the_card_says(scene: tuple[Laid, CardFit, Ground]) -> None:
    _, fit, ground = scene
    for n, patch in enumerate(fit.design.patches):
        row, column = _cell(ground, *patch.centre_mm)
        np.testing.assert_allclose(
            ground.rgb[row, column] / 255, fit.patch_rgb[n], atol=0.04, err_msg=patch.name
        )


def test_card_and_rim_are_left_out(scene: tuple[Laid, CardFit, Ground]) -> None:
    _, _, ground = scene
    for x, y, left_out in ((105, 74, True), (-10, 74, True), (-20, 74, False), (105, 165, False)):
        assert ground.mask[_cell(ground, x, y)] == left_out, (x, y)


def test_area_is_that_of_the_polygon_less_the_card(scene: tuple[Laid, CardFit, Ground]) -> None:
    laid, _, ground = scene
    inverse = np.linalg.inv(laid.homography)
    on_ground = cv2.perspectiveTransform(ground.measured_polygon_px.reshape(-1, 1, 2), inverse)
    polygon_m2 = cv2.contourArea(on_ground.astype(np.float32)) * 1e-6
    card_m2 = (210 + 24) * (148 + 24) * 1e-6
    assert ground.area_m2 == pytest.approx(polygon_m2 - card_m2, rel=0.01)


def test_measured_ground_is_in_the_frame_and_convex(scene: tuple[Laid, CardFit, Ground]) -> None:
    laid, _, ground = scene
    polygon = ground.measured_polygon_px
    assert polygon.min() >= 0
    assert np.all(polygon <= [laid.photo.width_px - 1, laid.photo.height_px - 1])
    assert cv2.isContourConvex(polygon.astype(np.float32).reshape(-1, 1, 2))
    # No ground that is measured was made up beyond the frame: black is never turf.
    assert ground.rgb[~ground.mask].max(axis=1).min() > 0


def test_lengths_on_the_ground_are_true() -> None:
    """Two dots 400 mm apart on the plane, drawn by the known pose, come out 400 mm apart."""
    laid = lay_card(tilt_deg=20.0, at=(-0.2, 0.0), spin_deg=10.0)
    dots_mm = np.array([[300.0, 60.0], [700.0, 60.0]])
    places = cv2.perspectiveTransform(dots_mm.reshape(-1, 1, 2), laid.homography).reshape(-1, 2)
    rgb = laid.photo.rgb.copy()
    for x, y in places:
        cv2.circle(rgb, (round(16 * x), round(16 * y)), 16 * 5, (255, 0, 255), -1, cv2.LINE_AA, 4)
    photo = replace(laid.photo, rgb=rgb)
    ground = flatten(photo, find_card(photo))
    magenta = (ground.rgb[..., 0] > 150) & (ground.rgb[..., 2] > 150) & (ground.rgb[..., 1] < 100)
    magenta &= ~ground.mask
    n, _, _, centres = cv2.connectedComponentsWithStats(magenta.astype(np.uint8))
    assert n == 3
    apart = float(np.linalg.norm(centres[1] - centres[2])) * ground.mm_per_px
    assert apart == pytest.approx(400.0, rel=0.01)


def test_scale_error_is_stated(scene: tuple[Laid, CardFit, Ground]) -> None:
    _, fit, ground = scene
    assert 0.0 < fit.mm_per_px_se / fit.mm_per_px < 0.02
    assert 0.0 < ground.scale_rel_se < 0.03


def test_reach_is_a_disc_about_the_card(scene: tuple[Laid, CardFit, Ground]) -> None:
    laid, fit, _ = scene
    near = flatten(laid.photo, fit, max_distance_m=0.3)
    rows, columns = np.nonzero(~near.mask)
    x = columns * near.mm_per_px + near.origin_mm[0] - 105
    y = rows * near.mm_per_px + near.origin_mm[1] - 74
    assert np.hypot(x, y).max() < 302


def test_coarser_cells_measure_the_same_ground(scene: tuple[Laid, CardFit, Ground]) -> None:
    laid, fit, fine = scene
    coarse = flatten(laid.photo, fit, mm_per_px=2.0)
    assert coarse.area_m2 == pytest.approx(fine.area_m2, rel=0.01)
    a, b = (g.rgb[~g.mask].mean(axis=0) for g in (fine, coarse))
    np.testing.assert_allclose(a, b, atol=1.5)


def test_cells_are_kept_to_a_number(scene: tuple[Laid, CardFit, Ground]) -> None:
    laid, fit, fine = scene
    dense = flatten(laid.photo, fit, mm_per_px=0.4)
    assert np.count_nonzero(~dense.mask) <= 2_510_000
    assert dense.area_m2 < fine.area_m2


def _refused(laid: Laid, fit: CardFit, **options: float) -> str:
    with pytest.raises(PhotoRefused) as caught:
        flatten(laid.photo, fit, **options)
    return caught.value.reason


def test_what_is_refused(scene: tuple[Laid, CardFit, Ground]) -> None:
    laid, fit, _ = scene
    assert _refused(laid, fit, max_distance_m=0.15) == "cramped"
    assert _refused(laid, replace(fit, mm_per_px=2.5)) == "coarse"


def test_oblique_ground_is_left_out() -> None:
    laid = lay_card("turf-a4", tilt_deg=38.0, height_mm=450.0, at=(0.0, 0.0))
    fit = find_card(laid.photo)
    ground = flatten(laid.photo, fit)
    inverse = np.linalg.inv(laid.homography)
    on_ground = cv2.perspectiveTransform(ground.measured_polygon_px.reshape(-1, 1, 2), inverse)
    camera = -fit.pose.rotation.T @ fit.pose.translation
    off = np.hypot(*(on_ground.reshape(-1, 2) - camera[:2]).T)
    assert np.degrees(np.arctan(off / abs(camera[2]))).max() < 55.5


def test_ground_of_a_photo_read_reduced_lies_where_it_lies() -> None:
    """Half as many pixels: the same ground, not half a pixel beside it."""
    laid = lay_card(blur_px=1.2)
    height, width = laid.photo.rgb.shape[:2]
    rgb = cv2.resize(laid.photo.rgb, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    fit = find_card(laid.photo)
    fine, coarse = (
        flatten(photo, fit, mm_per_px=0.8)  # neither is halved first
        for photo in (laid.photo, replace(laid.photo, rgb=rgb, reduction=2))
    )
    assert fine.origin_mm == coarse.origin_mm
    n = 256
    top, left = (side // 2 - n // 2 for side in fine.mask.shape)
    parts = [ground.rgb[top : top + n, left : left + n].mean(axis=2) for ground in (fine, coarse)]
    window = cv2.createHanningWindow((n, n), cv2.CV_32F)
    moved, _ = cv2.phaseCorrelate(*(np.float32(part - part.mean()) for part in parts), window)
    assert np.hypot(*moved) < 0.1  # cells of 0.8 mm; 0.9 were it half a pixel off
