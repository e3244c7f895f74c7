from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from lawnscore.history.steps import (
    FADING_DAYS,
    LONE_VISIT,
    SCATTER_DF,
    Drift,
    Rest,
    Shared,
    clearest_step,
)

DAY = np.arange(10, dtype=np.int64) * 30


def rest(value: np.ndarray, **more: object) -> Rest:
    n = len(value)
    parts: dict[str, object] = {
        "place": np.zeros(n, np.int64),
        "day": DAY[:n],
        "value": np.asarray(value, float),
        "own": np.full(n, 4.0),
        "season": np.array([1.0]),
        "stray": 1.5,
        "response": np.zeros(n),
        "shared": (),
    }
    return Rest(**(parts | more))  # type: ignore[arg-type]


def step_of(value: np.ndarray, **more: object) -> Drift:
    return clearest_step(rest(value, **more), 1)


FALL = np.array([85.0, 86, 84, 85, 86, 84, 85, 86, 75, 73])


def test_the_step_is_that_of_generalised_least_squares() -> None:
    """statsmodels GLS with the same covariance, level and step free, is the reference."""
    apart = np.subtract.outer(DAY, DAY).astype(float)
    grass = np.repeat([0, 1], [4, 6])
    covariance = (
        4 * np.eye(10)
        + 1.5**2 * np.exp(-np.abs(apart) / FADING_DAYS)
        + np.cos(2 * np.pi * apart / 365.25)
        + 9 * np.equal.outer(grass, grass)
    )
    shared = (Shared(grass.astype(np.int64), np.full(10, 3.0)),)
    found = step_of(FALL, shared=shared)
    m = int(found.n_visits[0])
    design = np.column_stack([np.ones(10), np.arange(10) >= 10 - m])
    fit = sm.GLS(FALL, design, sigma=covariance).fit()
    assert m == 2
    assert found.step[0] == pytest.approx(fit.params[1], rel=0.01)
    # the scatter is known from few visits: a factor on the error, and Student's t
    factor = found.step_se[0] / np.sqrt(fit.normalized_cov_params[1, 1])
    assert 0.7 < factor < 1.0  # these visits scatter by 0.9 where 2 was said
    freedom = SCATTER_DF + 5  # those older than 100 days before the last, less the first
    z = found.step[0] / found.step_se[0]
    assert found.z[0] == pytest.approx(stats.norm.ppf(stats.t.cdf(z, freedom)), abs=1e-6)


def test_one_visit_alone_is_counted_for_less() -> None:
    lone = FALL.copy()
    lone[8] = 85
    found = step_of(lone)
    assert found.n_visits[0] == 1
    t = found.step[0] / found.step_se[0] + LONE_VISIT
    assert found.z[0] == pytest.approx(stats.norm.ppf(stats.t.cdf(t, SCATTER_DF + 5)), abs=1e-6)


@pytest.mark.parametrize("what", ["another card", "other grass"])
def test_what_a_stretch_shares_is_no_step(what: str) -> None:
    code = np.repeat([0, 1], [8, 2]).astype(np.int64)
    known = step_of(FALL, shared=(Shared(code, np.full(10, 8.0)),))
    assert step_of(FALL).z[0] < -4, what
    assert known.z[0] > -1.5, what


def test_what_lasts_on_the_lawn_takes_nothing_away() -> None:
    same = step_of(FALL, shared=(Shared(np.zeros(10, np.int64), np.full(10, 8.0)),))
    assert same.z[0] == pytest.approx(step_of(FALL).z[0], rel=0.01)


def test_a_lawn_may_follow_the_round_more_than_others_do() -> None:
    drought = np.zeros(10)
    drought[8:] = 6.0
    first = step_of(FALL, response=drought).z[0]
    assert first > step_of(FALL).z[0] + 2
    # one that it went through before without falling is known not to be its way
    drought[2:5] = 6.0
    assert step_of(FALL, response=drought).z[0] < first - 0.5


def test_a_place_without_visits_is_left_empty() -> None:
    found = clearest_step(rest(FALL, season=np.ones(3)), 3)
    assert np.isfinite(found.z).tolist() == [True, False, False]
    assert found.since.tolist() == [DAY[8], -1, -1]
