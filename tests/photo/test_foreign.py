"""What is no lawn is named: smooth things, and not the ground itself."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from lawnscore.photo.foreign import MIN_M2, foreign_doubt, smooth_m2
from lawnscore.photo.score import score_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"
MM_PER_PX = 1.25


def ground_of(rgb: np.ndarray) -> Any:
    mask = np.zeros(rgb.shape[:2], dtype=bool)
    return SimpleNamespace(rgb=rgb, mask=mask, mm_per_px=MM_PER_PX)


def rough(side: int = 640) -> np.ndarray:
    rng = np.random.default_rng(3)
    level = np.exp(rng.normal(-1.5, 0.5, (side, side, 1)))
    return np.clip(255 * level * [0.8, 1.0, 0.5], 0, 255).astype(np.uint8)


def test_rough_ground_has_no_smooth_piece() -> None:
    assert smooth_m2(ground_of(rough())) == 0.0
    assert foreign_doubt(ground_of(rough())) == ""


def test_a_board_is_found_with_its_area() -> None:
    rgb = rough()
    noise = np.random.default_rng(0).normal(0, 2, (320, 320, 3))
    rgb[:320, :320] = np.clip(np.add(noise, (60, 110, 50)), 0, 255)
    assert smooth_m2(ground_of(rgb)) == pytest.approx((320 * MM_PER_PX / 1000) ** 2)
    assert "0.16 m2" in foreign_doubt(ground_of(rgb))


def test_scattered_smooth_blocks_and_left_out_ones_are_none() -> None:
    rgb = rough()
    for at in range(0, 640, 128):
        rgb[at : at + 32, at : at + 32] = (60, 110, 50)
    assert 0 < smooth_m2(ground_of(rgb)) < MIN_M2
    board = rough()
    board[:320, :320] = (60, 110, 50)
    ground = ground_of(board)
    ground.mask[:320, :320] = True
    assert smooth_m2(ground) == 0.0


def test_a_mat_at_the_edge_of_a_photo_is_said(tmp_path: Path) -> None:
    picture = cv2.imread(str(SAMPLES / "first.jpg"))
    rng = np.random.default_rng(1)
    mat = np.array([45, 100, 55]) + rng.normal(0, 2, (picture.shape[0], 450, 3))
    picture[:, :450] = np.clip(mat, 0, 255)
    cv2.imwrite(str(tmp_path / "mat.png"), picture)
    row = score_photo(tmp_path / "mat.png", SAMPLES / "card.txt").row
    assert row["status"] == "scored"
    assert "smoother than any lawn" in str(row["detail"])


@pytest.mark.parametrize("name", ["first", "scarified", "straw", "low-sun", "dapple", "leaves"])
def test_sample_photos_have_nothing_foreign(name: str) -> None:
    row = score_photo(SAMPLES / f"{name}.jpg", SAMPLES / "card.txt").row
    assert "smoother" not in str(row["detail"])
