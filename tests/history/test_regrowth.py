from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from lawnscore.history.regrowth import Prior, course, fit_regrowth, time_to

# NIST StRD, Rat42: pasture regrowth, Ratkowsky 1983, pp 61 and 88
DAYS = np.array([9, 14, 21, 28, 42, 57, 63, 70, 79.0])
YIELD = np.array([8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08])
CERTIFIED = (72.462237576, 2.6180768402, 0.067359200066)
CERTIFIED_SE = (1.7340283401, 0.088295217536, 0.0034465663377)
CERTIFIED_RSS = 8.0565229338


def no_prior(rows: int) -> Prior:
    return Prior(np.zeros(rows), np.full(rows, np.inf), np.zeros(rows), np.full(rows, np.inf))


def test_certified_values_of_rat42() -> None:
    fit = fit_regrowth(DAYS[None], YIELD[None], np.ones((1, 9)), no_prior(1))
    found = (fit.plateau[0], fit.b2[0], fit.rate[0])
    assert found == pytest.approx(CERTIFIED, rel=1e-8)
    assert fit.rss[0] == pytest.approx(CERTIFIED_RSS, rel=1e-9)
    sd = np.sqrt(np.diag(fit.covariance[0]) * fit.rss[0] / 6) * (1, 1, fit.rate[0])
    assert sd == pytest.approx(CERTIFIED_SE, rel=1e-5)


def test_times_of_rat42() -> None:
    # t_p = (b2 + ln(p / (1 - p))) / b3, p of the asymptote
    b1, b2, b3 = (np.array([b]) for b in CERTIFIED)
    share = np.array([0.5, 0.8, 0.9, 0.95])
    expected = [38.8674, 59.44802, 71.48692, 82.5799]
    assert time_to(share * b1, b1, b2, b3) == pytest.approx(expected, abs=1e-3)


def test_a_target_above_the_plateau_is_not_reached() -> None:
    one = np.ones(1)
    assert np.isnan(time_to(90 * one, 86 * one, one, 0.1 * one)).all()


def test_rows_are_fitted_as_if_alone_and_padding_is_passed_over() -> None:
    rng = np.random.default_rng(2)
    t = np.array([0, 10, 20, 30, 45, 60, 80.0])
    y = course(t, np.array(88.0), np.array(-0.2), np.array(0.07)) + rng.normal(0, 1, 7)
    both_t = np.vstack([np.r_[DAYS, np.nan], np.r_[t, [np.nan] * 3]])
    both_y = np.vstack([np.r_[YIELD, np.nan], np.r_[y, [np.nan] * 3]])
    fit = fit_regrowth(both_t, both_y, np.ones_like(both_t), no_prior(2))
    assert fit.plateau[0] == pytest.approx(CERTIFIED[0], rel=1e-7)
    expected, _ = curve_fit(lambda x, a, b, c: a / (1 + np.exp(b - c * x)), t, y, (90, 0, 0.1))
    assert (fit.plateau[1], fit.b2[1], fit.rate[1]) == pytest.approx(expected, rel=1e-4)


def test_a_prior_holds_what_the_data_leave_open() -> None:
    t, y = np.array([[0, 14.0]]), np.array([[50, 62.0]])
    prior = Prior(np.array([90.0]), np.array([4.0]), np.log([0.06]), np.array([0.3]))
    fit = fit_regrowth(t, y, np.full((1, 2), 2.0), prior)
    assert 80 < fit.plateau[0] < 98
    assert 0.03 < fit.rate[0] < 0.1
