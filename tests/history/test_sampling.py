from __future__ import annotations

import math

import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower

from lawnscore.history.sampling import (
    clusters,
    detectable_change,
    effective_n,
    exact_photos_to_detect,
    photos_for_halfwidth,
    photos_for_proportion,
    photos_to_detect,
    smallest_real_difference,
)

TILES = [[82, 85, 80, 84], [74, 70, 73, 75], [90, 92, 91, 88], [79, 77, 81, 80], [86, 84, 88, 85]]


@pytest.mark.parametrize(("sd", "half", "n"), [(6, 3, 18), (8, 5, 13), (4, 4, 7)])
def test_photos_for_halfwidth(sd: float, half: float, n: int) -> None:
    # n = (t s / E)**2 iterated on t, Cochran 1977
    assert photos_for_halfwidth(sd, half) == n


def test_few_possible_photos_need_fewer() -> None:
    assert photos_for_halfwidth(6, 3, population=30) < 18


def test_photos_for_proportion() -> None:
    # Cochran 1977, chapter 4: 384.16 with z = 1.96, 277.74 of 1000
    assert photos_for_proportion(0.5, 0.05) == pytest.approx(384.16, abs=0.02)
    assert photos_for_proportion(0.5, 0.05, population=1000) == pytest.approx(277.74, abs=0.01)


def test_photos_to_detect_agrees_with_statsmodels() -> None:
    expected = TTestIndPower().solve_power(4 / 5, power=0.8, alpha=0.05)
    assert exact_photos_to_detect(5, 4) == pytest.approx(expected, abs=1e-3)
    assert photos_to_detect(5, 4) == 26
    expected = TTestPower().solve_power(0.8, power=0.8, alpha=0.05)
    assert exact_photos_to_detect(1, 0.8, paired=True) == pytest.approx(expected, abs=1e-3)


def test_detectable_change() -> None:
    # statsmodels TTestIndPower: 7.533171 for 8 photos a visit with sd 5
    assert detectable_change(5, 8) == pytest.approx(7.533171, abs=1e-4)
    assert detectable_change(0, 8) == 0
    assert math.isnan(detectable_change(5, 1))


def test_detectable_change_and_photos_are_inverse() -> None:
    for paired in (False, True):
        change = detectable_change(4.2, 9, paired=paired)
        assert exact_photos_to_detect(4.2, change, paired=paired) == pytest.approx(9, abs=1e-4)


def test_clusters() -> None:
    # Kish 1965, deff = 1 + (m - 1) icc; one-way analysis of variance
    found = clusters(TILES)
    assert found.icc == pytest.approx(0.919436, abs=1e-5)
    assert found.deff == pytest.approx(3.758308, abs=1e-5)
    assert found.n_effective == pytest.approx(5.321543, abs=1e-5)
    assert (found.se, found.se_naive) == pytest.approx((2.924466, 1.394727), abs=1e-5)
    assert (found.low, found.high) == pytest.approx((74.080381, 90.319619), abs=1e-5)


def test_clusters_of_unequal_photos_are_refused() -> None:
    with pytest.raises(ValueError, match="equally many parts"):
        clusters([[1, 2], [3]])


def test_effective_n_of_a_series() -> None:
    assert effective_n(100, 0.5) == pytest.approx(33.783784, abs=1e-5)
    assert effective_n(100, 0.9) == pytest.approx(5.813937, abs=1e-5)


def test_smallest_real_difference() -> None:
    # Bland & Altman 1986
    assert smallest_real_difference(1.5) == pytest.approx(4.157788, abs=1e-4)


@pytest.mark.parametrize(("sd", "half"), [(-1, 3), (3, 0), (3, -2)])
def test_impossible_sizes_are_refused(sd: float, half: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        photos_for_halfwidth(sd, half)


def test_photos_to_detect_where_the_tails_underflow() -> None:
    # statsmodels 0.15 TTestPower().solve_power(5 / 8, alpha=0.05, power=0.8) is 22.0907
    assert exact_photos_to_detect(8, 5, paired=True) == pytest.approx(22.0907, abs=1e-3)
