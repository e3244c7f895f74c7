"""Bare patches on maps drawn by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lawnscore.photo.patches import BARE_LEAF_SHARE, TRUE_LEAF_SHARE, find_patches
from tests.photo.maps import class_map, discs

SHAPE = (120, 160)


def lawn(cover: float = 0.9, seed: int = 1) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 0.1, SHAPE)
    return np.clip(cover + noise, 0, 1).astype(np.float32)


def test_full_sward_has_none() -> None:
    found = find_patches(class_map(lawn()))
    assert found.area_cm2.size == 0
    assert found.labels.max() == 0


@pytest.mark.parametrize("diameter_mm", [62.0, 90.0, 160.0])
def test_area_of_a_disc_within_ten_percent(diameter_mm: float) -> None:
    bare = discs(SHAPE, [(403, 297, diameter_mm)])
    found = find_patches(class_map(lawn() * (1 - bare)))
    assert found.area_cm2 == pytest.approx([math.pi * diameter_mm**2 / 400], rel=0.10)
    assert found.x_mm == pytest.approx([403], abs=2)
    assert found.y_mm == pytest.approx([297], abs=2)
    assert not found.cut.any()


def test_the_smallest_that_counts_is_a_setting() -> None:
    made = class_map(lawn() * (1 - discs(SHAPE, [(400, 300, 50)])))  # 19.6 cm2
    assert find_patches(made).area_cm2.size == 0
    assert find_patches(made, min_area_cm2=10).area_cm2.size == 1
    with pytest.raises(ValueError, match="min_area_cm2"):
        find_patches(made, min_area_cm2=0)


def test_a_few_stray_blades_do_not_end_a_patch() -> None:
    bare = discs(SHAPE, [(400, 300, 120)])
    green = lawn() * (1 - bare)
    rows, cols = np.nonzero(bare == 1)
    stray = np.random.default_rng(2).choice(rows.size, rows.size // 30, replace=False)
    green[rows[stray], cols[stray]] = 0.6
    assert find_patches(class_map(green)).area_cm2 == pytest.approx([113.1], rel=0.10)


def test_thin_turf_is_no_patch() -> None:
    thin = discs(SHAPE, [(400, 300, 200)])
    assert find_patches(class_map(lawn() * (1 - 0.6 * thin))).area_cm2.size == 0


def test_casts_and_litter_are_not_counted() -> None:
    disc = discs(SHAPE, [(400, 300, 90)])
    assert find_patches(class_map(lawn(), cast=disc)).area_cm2.size == 0
    assert find_patches(class_map(lawn(), litter=disc)).area_cm2.size == 0


def test_a_patch_that_the_border_cuts_counts_half() -> None:
    bare = discs(SHAPE, [(0, 300, 120), (400, 300, 120)])
    found = find_patches(class_map(lawn() * (1 - bare)))
    assert sorted(found.cut) == [False, True]
    assert found.count == pytest.approx(1.5)


def test_ground_that_is_left_out_is_no_part_of_a_patch() -> None:
    bare = discs(SHAPE, [(400, 300, 120)])
    weight = np.ones(SHAPE)
    weight[:, 80:] = 0
    found = find_patches(class_map(lawn() * (1 - bare), weight=weight))
    assert found.area_cm2 == pytest.approx([113.1 / 2], rel=0.10)
    assert found.cut.all()


def test_two_patches_are_labelled_apart() -> None:
    bare = discs(SHAPE, [(200, 300, 80), (600, 300, 120)])
    found = find_patches(class_map(lawn() * (1 - bare)), origin_mm=(1000.0, 0.0))
    assert set(np.unique(found.labels)) == {0, 1, 2}
    assert sorted(found.x_mm) == pytest.approx([1200, 1600], abs=3)


def test_true_shares_are_bare_below_less_leaf_than_seen_ones() -> None:
    """The stage sees a little leaf where there is none; the truth does not."""
    between = 0.5 * (TRUE_LEAF_SHARE + BARE_LEAF_SHARE)
    thin = class_map(np.where(discs(SHAPE, [(400, 300, 160)]) > 0.5, between, 0.9))
    assert find_patches(thin).area_cm2.size == 1
    assert find_patches(thin, bare_below=TRUE_LEAF_SHARE).area_cm2.size == 0
