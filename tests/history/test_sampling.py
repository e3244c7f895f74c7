from __future__ import annotations

import math

import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower

from lawnscore.history.sampling import (
    detectable_change,
    photos_for_halfwidth,
)

TILES = [[82, 85, 80, 84], [74, 70, 73, 75], [90, 92, 91, 88], [79, 77, 81, 80], [86, 84, 88, 85]]


@pytest.mark.parametrize(("sd", "half", "n"), [(6, 3, 18), (8, 5, 13), (4, 4, 7)])
def test_photos_for_halfwidth(sd: float, half: float, n: int) -> None:
    # n = (t s / E)**2 iterated on t, Cochran 1977
    assert photos_for_halfwidth(sd, half) == n


def test_few_possible_photos_need_fewer() -> None:
    assert photos_for_halfwidth(6, 3, population=30) < 18


def test_detectable_change() -> None:
    # statsmodels TTestIndPower: 7.533171 for 8 photos a visit with sd 5
    assert detectable_change(5, 8) == pytest.approx(7.533171, abs=1e-4)
    assert detectable_change(0, 8) == 0
    assert math.isnan(detectable_change(5, 1))


@pytest.mark.parametrize(("sd", "half"), [(-1, 3), (3, 0), (3, -2)])
def test_impossible_sizes_are_refused(sd: float, half: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        photos_for_halfwidth(sd, half)


@pytest.mark.parametrize(("n", "paired"), [(8, False), (26, False), (9, True), (22, True)])
def test_detectable_change_agrees_with_statsmodels(n: int, paired: bool) -> None:
    power = TTestPower() if paired else TTestIndPower()
    args = {"nobs": n} if paired else {"nobs1": n}
    expected = 4.2 * power.solve_power(None, power=0.8, alpha=0.05, **args)
    assert detectable_change(4.2, n, paired=paired) == pytest.approx(expected, abs=1e-3)
