"""Estimates from points beside worked values and reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from lawnscore.points.estimate import (
    binomial_se,
    difference_estimate,
    mean_over_photos,
    photos_to_halve,
)

SEEN = [1, 0, 1, 1, 0, 1, 0, 1]
PROGRAM = [0.9, 0.2, 0.8, 0.6, 0.3, 0.7, 0.4, 0.9]


def test_the_difference_estimator_by_a_worked_value() -> None:
    """0.625 + (0.55 - 0.60) = 0.575 (Cochran 1977, "Sampling Techniques", ch. 7; weight 1 of
    Angelopoulos et al. 2023, "Prediction-powered inference", Science 382:669-674)."""
    found = difference_estimate(SEEN, PROGRAM, np.full(100_000, 0.55), weight=1)
    assert found.value == pytest.approx(0.575, abs=1e-12)
    difference = np.array(SEEN) - np.array(PROGRAM)
    assert found.se == pytest.approx(difference.std(ddof=1) / np.sqrt(8), rel=1e-3)


def test_no_weight_is_the_points_alone_with_students_interval() -> None:
    """SciPy's t distribution."""
    found = difference_estimate(SEEN, PROGRAM, PROGRAM, weight=0)
    low, high = stats.t.interval(0.95, 7, loc=0.625, scale=stats.sem(SEEN))
    assert (found.value, found.low, found.high) == pytest.approx((0.625, low, high))
    alone = mean_over_photos(SEEN)
    assert (alone.value, alone.low, alone.high) == pytest.approx((0.625, low, high))


def test_the_best_weight_is_that_of_the_formula_and_its_variance_the_least() -> None:
    """w = Cov(y, f) / ((1 + n / N) Var(f)) (Angelopoulos, Duchi & Zrnic 2023, arXiv 2311.01453)."""
    rng = np.random.default_rng(0)
    f = rng.random(30)
    y = 0.6 * f + rng.normal(0, 0.1, 30)
    every = rng.random(200)
    best = difference_estimate(y, f, every)
    wanted = np.cov(y, f)[0, 1] / ((1 + 30 / 200) * f.var(ddof=1))
    assert best.weight == pytest.approx(wanted)
    others = [difference_estimate(y, f, every, weight=w).se for w in np.linspace(0, 1, 21)]
    assert best.se <= min(others) + 1e-12


def test_a_program_that_knows_nothing_is_not_leaned_on() -> None:
    rng = np.random.default_rng(1)
    y, f = rng.random(40), rng.random(40)
    found = difference_estimate(y, 1 - y, rng.random(500))
    assert found.weight == 0.0
    assert found.value == pytest.approx(y.mean())
    assert difference_estimate(y, f, f).se <= mean_over_photos(y).se * 1.001


def test_points_of_one_photo_each_are_a_binomial() -> None:
    """With one point a photo the variance is p (1 - p) / (n - 1), as a binomial's (statsmodels'
    `proportion_confint`, normal interval), n large."""
    hits = np.repeat([1.0, 0.0], [120, 280])
    found = mean_over_photos(hits)
    low, high = proportion_confint(120, 400, method="normal")
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-4)


def test_the_error_of_few_hits_is_never_none() -> None:
    """Half width as statsmodels' `agresti_coull` where nothing was hit."""
    low, high = proportion_confint(0, 200, method="agresti_coull")
    assert low <= 0
    middle = 1.96**2 / 2 / (200 + 1.96**2)
    assert 1.96 * binomial_se(0.0, 200) == pytest.approx(high - middle, rel=0.03)
    assert mean_over_photos(np.zeros(5), least_se=0.01).se == 0.01


def test_too_few_photos_have_no_interval() -> None:
    assert math.isnan(mean_over_photos([0.5, 0.6]).low)
    assert mean_over_photos([0.5, 0.6]).value == pytest.approx(0.55)
    assert math.isnan(difference_estimate([0.5], [0.5], [0.5]).value)
    assert photos_to_halve([0.5, 0.6]) is None
    assert mean_over_photos([]).n_photos == 0


def test_photos_to_halve_an_interval() -> None:
    """A quarter of the variance wants four times the photos, less what Student's quantile gives."""
    values = np.random.default_rng(0).normal(size=12)
    more = photos_to_halve(values)
    assert more is not None
    k = 12 + more
    ratio = stats.t.ppf(0.975, k - 1) / np.sqrt(k) / (stats.t.ppf(0.975, 11) / np.sqrt(12))
    assert ratio <= 0.5
    one_less = stats.t.ppf(0.975, k - 2) / np.sqrt(k - 1) / (stats.t.ppf(0.975, 11) / np.sqrt(12))
    assert one_less > 0.5
    assert more <= 36
