from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lawnscore.demo import truth
from lawnscore.demo.camera import CAMERAS, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.photograph import photograph
from lawnscore.demo.scene import LawnSpec, grow_lawn

VIEW = View(width_px=400, height_px=300, distance_mm=120.0, tilt_azimuth_deg=37.0,
            aim_mm=(250.0, 200.0), card_centre_mm=(200.0, 160.0))  # fmt: skip


@pytest.mark.parametrize("tilt_deg", [48.0, 52.0])
def test_truth_of_a_photo_that_sees_far_is_that_of_its_near_ground(tilt_deg: float) -> None:
    # From 50 degrees a corner of a phone's frame lies near or above the horizon: the ground in view
    # has no end, and its truth took minutes and all memory.
    scene = grow_lawn(LawnSpec(width_mm=500, height_mm=400, green=0.8), seed=3)
    view = replace(VIEW, tilt_deg=tilt_deg)
    photo = photograph(scene, Light(), CAMERAS["report-a"], view, seed=1)
    found = photo.truth_within()
    assert 0.03 < found["area_m2"] < 0.3
    assert found["green_cover_pct"] == pytest.approx(100 * scene.shares()["green"], abs=8)


def test_ground_is_cut_where_it_lies_too_deep() -> None:
    # Inverse homography with w = y / 100: depth goes with 1 / w, the middle of the photo is y = 50.
    back = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0.01, 0]])
    square = np.array([[0.0, 0], [100, 0], [100, 100], [0, 100]])
    near = truth.near_part(square, back, (50.0, 50.0))
    limit = 50 / truth.FARTHEST_DEPTHS
    expected = [(0, limit), (0, 100), (100, limit), (100, 100)]
    assert np.array(sorted(near.tolist())) == pytest.approx(np.array(expected))
    flat = np.eye(3)
    assert np.array_equal(truth.near_part(square, flat, (50.0, 50.0)), square)


def test_evenness_of_the_truth_by_hand() -> None:
    """Squares of 10 cm with 80 and 100 % of green in turn: twice their spread below 100."""
    surface = np.zeros((200, 200), np.uint8)  # 10 mm a pixel: 20 x 20 squares
    for row in range(20):
        for column in range(row % 2, 20, 2):
            surface[10 * row : 10 * row + 2, 10 * column : 10 * column + 10] = 2
    spread = np.std([80.0, 100.0] * 200, ddof=1)
    found = truth._evenness(surface, np.ones_like(surface, bool), 10.0)
    assert found == pytest.approx(100 - 2 * spread)
