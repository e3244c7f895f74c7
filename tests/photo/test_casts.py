"""Casts on maps drawn by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lawnscore.photo import casts as casts_stage
from lawnscore.photo.casts import chances, find_casts, logit
from tests.photo.maps import FlatGround, class_map, discs

SHAPE = (120, 160)
TURF = np.full(SHAPE, 0.9, np.float32)


def test_none_on_a_lawn_without_casts() -> None:
    assert find_casts(class_map(TURF), FlatGround()).expected_count == 0


def test_faint_soil_is_hardly_a_cast() -> None:
    faint = 0.1 * np.random.default_rng(0).random(SHAPE).astype(np.float32)
    assert find_casts(class_map(TURF, cast=faint), FlatGround()).expected_count < 0.5


@pytest.mark.parametrize("diameter_mm", [20.0, 30.0, 45.0])
def test_place_and_diameter(diameter_mm: float) -> None:
    cast = discs(SHAPE, [(410, 290, diameter_mm)])
    found = find_casts(class_map(TURF, cast=cast), FlatGround())
    assert found.probability.size == 1
    assert found.x_mm == pytest.approx([410], abs=2)
    assert found.y_mm == pytest.approx([290], abs=2)
    assert found.diameter_mm == pytest.approx([diameter_mm], abs=4)
    assert found.probability[0] > 0.6


def test_origin_moves_the_place() -> None:
    cast = discs(SHAPE, [(410, 290, 30)])
    ground = FlatGround(origin_mm=(-99.5, 50.5))
    found = find_casts(class_map(TURF, cast=cast), ground)
    assert found.x_mm == pytest.approx([310], abs=2)
    assert found.y_mm == pytest.approx([340], abs=2)


def test_two_that_touch_are_two() -> None:
    cast = discs(SHAPE, [(400, 300, 30), (436, 300, 30)])
    found = find_casts(class_map(TURF, cast=cast), FlatGround())
    assert sorted(found.x_mm) == pytest.approx([400, 436], abs=5)


def test_one_is_not_split_by_noise() -> None:
    cast = discs(SHAPE, [(400, 300, 46)])
    noise = np.random.default_rng(3).normal(0, 0.05, SHAPE).astype(np.float32)
    noisy = np.clip(0.9 * cast + noise * cast, 0, 1)
    assert find_casts(class_map(TURF, cast=noisy), FlatGround()).probability.size == 1


def test_a_wide_smear_is_not_one_cast() -> None:
    cast = discs(SHAPE, [(400, 300, 160)])
    found = find_casts(class_map(TURF, cast=cast), FlatGround())
    assert not ((found.diameter_mm > 65) & (found.probability > 0)).any()


def test_many_at_random_are_counted_within_a_tenth() -> None:
    rng = np.random.default_rng(5)
    places = [
        (*rng.uniform((0, 0), (800, 600)), rng.uniform(14, 40)) for _ in range(19)
    ]  # 40 per m2
    cast = discs(SHAPE, places)
    found = find_casts(class_map(TURF, cast=cast), FlatGround())
    assert found.expected_count == pytest.approx(19, rel=0.10)


def test_ground_left_out_has_no_casts() -> None:
    cast = discs(SHAPE, [(200, 300, 30), (600, 300, 30)])
    weight = np.ones(SHAPE)
    weight[:, 80:] = 0
    found = find_casts(class_map(TURF, cast=cast, weight=weight), FlatGround())
    assert found.x_mm == pytest.approx([200], abs=2)


def test_chances_are_read_off_the_photo_as_a_whole() -> None:
    faint = np.full(40, 0.15)
    alone = chances(faint)
    among_casts = chances(np.concatenate([np.full(40, 0.7), faint]))[40:]
    assert alone.max() < 0.1
    assert among_casts.min() > 2 * alone.max()
    assert (np.diff(chances(np.linspace(0.06, 0.9, 30))) > 0).all()
    assert chances(np.zeros(0)).size == 0


def test_a_peak_amid_litter_is_less_surely_a_cast() -> None:
    """By hand: evidence less 0.9 times the logarithm of how much more litter there is."""
    height = np.full(2, 0.5)
    clean, littered = chances(height, np.array([0.01, 0.58]))
    odds = clean / (1 - clean), littered / (1 - littered)
    assert np.log(odds[1] / odds[0]) == pytest.approx(-0.9 * np.log(0.6 / 0.03), rel=1e-6)
    assert chances(height, np.full(2, 0.01)) == pytest.approx(chances(height))


def test_a_cast_shaped_leaf_is_told_by_the_litter_about_it() -> None:
    mounds = [(150, 200, 24), (450, 200, 24), (750, 200, 24)]
    clean = class_map(TURF, cast=0.5 * discs(SHAPE, mounds))
    seen = clean.shares.copy()
    row, col = 40, 90  # the middle one
    seen[row - 4 : row + 5, col - 4 : col + 5] = (0.1, 0.05, 0.05, 0.1, 0.7)
    found = find_casts(replace(clean, shares=seen), FlatGround())
    by_x = found.probability[np.argsort(found.x_mm)]
    assert len(by_x) == 3
    assert by_x[1] < 0.5 * min(by_x[0], by_x[2])


@pytest.mark.parametrize("true", [0, 10, 40, 120])
def test_chances_add_up_to_the_number_of_casts(true: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # Peaks drawn from the very mixture that is assumed: the logit of the height is normal with
    # spread 1 on and off casts, 3 apart, so the log likelihood ratio is a line of slope 3.
    monkeypatch.setattr(casts_stage, "EVIDENCE", (4.5, 3.0))
    logits = np.random.default_rng(7).normal(-3.0, 1, 200 + true)
    logits[:true] += 3.0
    counted = chances(1 / (1 + np.exp(-logits))).sum()
    assert counted == pytest.approx(true, abs=4 + 0.10 * true)


def test_logit_is_held_at_its_ends() -> None:
    assert logit(np.array([0.5]))[0] == 0
    assert np.isfinite(logit(np.array([0.0, 1.0]))).all()


@pytest.mark.parametrize("n", [0, 1, 30, 2000])
@pytest.mark.parametrize("reach", [0.5, 1.0, 5**0.5, 3.7, 8.0])
def test_pairs_of_tops_are_those_of_a_search_tree(n: int, reach: float) -> None:
    from scipy.spatial import cKDTree  # the reference

    shape = (60, 80)
    flat = np.random.default_rng(1).choice(shape[0] * shape[1], n, replace=False)
    peaks = np.stack(np.unravel_index(flat, shape), axis=1).reshape(-1, 2)
    lower, higher = casts_stage._pairs(peaks, shape, reach=reach)
    expected = cKDTree(peaks).query_pairs(reach) if n else set()
    found = list(zip(lower.tolist(), higher.tolist(), strict=True))
    assert len(found) == len(set(found))
    assert set(found) == expected
