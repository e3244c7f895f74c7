from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from lawnscore.history.intervals import (
    Spread,
    difference_interval,
    fit_spread,
    satterthwaite,
    score_density,
    score_share,
    t_quantile,
    wilson,
)


@pytest.mark.parametrize(
    ("x", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_as_published(x: int, n: int, low: float, high: float) -> None:
    # Newcombe 1998, Stat. Med. 17:857-872, Table I, method 3
    assert np.allclose(wilson(x, n), (low, high), atol=5.1e-5)


@pytest.mark.parametrize(("x", "n"), [(81, 263), (15, 148), (0, 20), (1, 29), (20, 20)])
def test_proportions_agree_with_statsmodels(x: int, n: int) -> None:
    assert np.allclose(wilson(x, n), proportion_confint(x, n, method="wilson"), atol=1e-12)


def test_t_quantile_reads_off_scipy() -> None:
    df = np.array([0.5, 1, 1.7, 2, 3, 7.3, 30, 1e6])
    # a straight line between 801 points of 1/df; a thousandth is far below any use of it
    assert np.allclose(t_quantile(df), stats.t.ppf(0.975, df), rtol=1e-3)


def test_score_share_with_one_trial_a_photo_is_wilson() -> None:
    # unit variance 1 is a photo that is all green or not at all: Wilson's interval of n trials
    n, x = np.array([20.0, 263.0]), np.array([0.0, 81.0])
    z = np.full(2, 1.959963985)
    low, high = score_share(100 * x / n, 1 / n, np.zeros(2), z)
    assert np.allclose((low / 100, high / 100), wilson(x, n))


def test_score_share_keeps_to_range_and_leans_inwards() -> None:
    low, high = score_share(np.array([98.0]), np.array([0.02]), np.array([1.0]), np.array([2.8]))
    assert 0 <= low[0] < 98 < high[0] <= 100
    assert 98 - low[0] > high[0] - 98


def test_score_density_of_poisson_counts_agrees_with_statsmodels() -> None:
    counts = np.array([0.0, 1.0, 5.0, 30.0])
    z = np.full(4, stats.norm.ppf(0.975))
    found = score_density(counts, np.ones(4), np.zeros(4), z)
    assert np.allclose(found, confint_poisson(counts, 1, method="score"))


def test_spread_is_recovered_from_many_visits() -> None:
    rng = np.random.default_rng(1)
    truth = 3.0 * 8 / rng.chisquare(8, 4000)  # inverse chi-square, 8 df, scale 3
    observed = truth * rng.chisquare(3, 4000) / 3
    spread = fit_spread(observed, np.full(4000, 3))
    assert spread.unit == pytest.approx(3.0, rel=0.1)
    assert spread.df == pytest.approx(8, rel=0.35)


def test_nothing_is_borrowed_from_too_few_visits() -> None:
    spread = fit_spread([1.0, 2.0, np.nan, 0.0], [3, 3, 3, 3])
    unit, df = spread.moderate(np.array([2.0, np.nan]), np.array([3.0, 0.0]))
    assert spread.df == 0
    assert unit[0] == 2.0
    assert df[0] == 3.0
    assert np.isnan(unit[1])


def test_moderation_lies_between_own_and_typical() -> None:
    unit, df = Spread(2.0, 6.0).moderate(np.array([8.0, np.nan]), np.array([2.0, 0.0]))
    assert np.allclose(unit, [3.5, 2.0])
    assert np.allclose(df, [8, 6])


@pytest.mark.parametrize("shared", [0.0, 0.5, 0.9])
def test_what_both_share_is_not_in_a_difference(shared: float) -> None:
    # symmetric ends: chance of either, squared and added, and what they do not share, once
    half, z = np.array([3.0, 4.0]), 1.959964
    se = shared * half / z
    first = (np.array([60.0]), 60 - half[:1], 60 + half[:1], se[:1])
    second = (np.array([70.0]), 70 - half[1:], 70 + half[1:], se[1:])
    for variance in (0.0, 0.5, 1e6):
        change, low, high = difference_interval(first, second, np.array([variance]))
        wanted = min((1 - shared**2) * 25 + z**2 * variance, 25)
        assert np.allclose(np.r_[change, low, high], [10, 10 - wanted**0.5, 10 + wanted**0.5])


def test_estimates_that_share_an_error_hold_their_difference() -> None:
    rng = np.random.default_rng(5)
    n, lasts, day = 20_000, rng.normal(0, 4, 20_000), 1.0
    a, b = (50 + k + lasts + rng.normal(0, day, n) + rng.normal(0, 2, n) for k in (0, 3))
    se = np.full(n, np.hypot(4, day))
    half = 1.959964 * np.hypot(se, 2)
    found = difference_interval(
        (a, a - half, a + half, se), (b, b - half, b + half, se), np.full(n, 2 * day**2)
    )
    assert np.mean((found[1] <= 3) & (found[2] >= 3)) == pytest.approx(0.95, abs=0.006)


def test_a_shared_error_adds_degrees_of_freedom() -> None:
    alone = satterthwaite(np.array([4.0]), np.array([3.0]), np.array([0.0]))
    shared = satterthwaite(np.array([4.0]), np.array([3.0]), np.array([4.0]))
    assert alone[0] == pytest.approx(3)
    assert shared[0] == pytest.approx(12)
