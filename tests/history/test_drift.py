from __future__ import annotations

import numpy as np
import pytest

from lawnscore.history.drift import DriftPriors, Visits, drift, round_course, round_effect

PRIORS = DriftPriors(1.0, 5.0, 4.0, 1.0)


def simulated(
    rng: np.random.Generator, lawns: int, n: int, shared: np.ndarray, loss: dict[int, float]
) -> Visits:
    """Return monthly visits; lawns in `loss` are lower by that much in the last two."""
    place = np.repeat(np.arange(lawns), n)
    day = np.tile(np.arange(n) * 30, lawns) + rng.integers(0, 10, lawns * n)
    value = np.repeat(rng.normal(85, 4, lawns), n) + np.tile(shared, lawns)
    value = value + rng.normal(0, 2.5, lawns * n)
    for lawn, size in loss.items():
        value[lawn * n + n - 2 : (lawn + 1) * n] -= size
    return Visits(place, day.astype(np.int64), value, np.full(lawns * n, 2.3))


def test_a_lawn_that_falls_alone_stands_out() -> None:
    rng = np.random.default_rng(0)
    found = drift(simulated(rng, 20, 16, np.zeros(16), {3: 12.0}), 20, PRIORS)
    assert int(np.nanargmin(found.z)) == 3
    assert found.step[3] == pytest.approx(-12, abs=4)
    assert found.n_visits[3] <= 3
    assert 12 * 30 < found.since[3] < 16 * 30


def test_a_drought_that_takes_all_lawns_is_nobodys_decline() -> None:
    rng = np.random.default_rng(1)
    drought = np.r_[np.zeros(14), -12.0, -12.0]
    found = drift(simulated(rng, 20, 16, drought, {}), 20, PRIORS)
    assert (found.z > -2.35).mean() >= 0.9
    assert found.step.mean() == pytest.approx(0, abs=2.5)


def test_one_lawn_that_falls_further_than_the_others_in_a_drought() -> None:
    rng = np.random.default_rng(2)
    drought = np.r_[np.zeros(14), -12.0, -12.0]
    found = drift(simulated(rng, 20, 16, drought, {7: 12.0}), 20, PRIORS)
    assert int(np.nanargmin(found.z)) == 7


def test_the_round_effect_is_what_the_others_did() -> None:
    rng = np.random.default_rng(3)
    wave = 6 * np.sin(np.arange(16) / 2)
    visits = simulated(rng, 40, 16, wave, {})
    common, _, stray, mates = round_effect(visits, PRIORS)
    assert mates.all()
    assert np.corrcoef(common, np.tile(wave, 40))[0, 1] > 0.95
    assert stray < 2.5


def test_the_course_of_the_round_by_day() -> None:
    rng = np.random.default_rng(9)
    wave = 6 * np.sin(np.arange(16) / 2)
    visits = simulated(rng, 40, 16, wave, {})
    days = np.arange(16, dtype=np.int64) * 30 + 5
    effect, variance = round_course(visits, 40, PRIORS, days)
    assert np.corrcoef(effect, wave)[0, 1] > 0.97
    assert (variance < 1).all()
    far = round_course(visits, 40, PRIORS, np.array([9000]))
    assert far[0][0] == 0


def test_errors_that_last_are_not_counted_as_scatter() -> None:
    rng = np.random.default_rng(10)
    visits = simulated(rng, 20, 16, np.zeros(16), {3: 12.0})
    large = Visits(visits.place, visits.day, visits.value, 3 * visits.se)
    honest, inflated = (drift(v, 20, PRIORS) for v in (visits, large))
    assert inflated.z[3] == pytest.approx(honest.z[3], rel=0.2)


def test_errors_stated_too_small_are_made_up_for_by_the_scatter() -> None:
    rng = np.random.default_rng(12)
    visits = simulated(rng, 20, 16, np.zeros(16), {})
    small = Visits(visits.place, visits.day, visits.value, 0.6 * visits.se)
    honest, narrow = (drift(v, 20, PRIORS) for v in (visits, small))
    assert np.median(narrow.step_se / honest.step_se) > 0.85


def test_a_lone_lawn_has_no_mates_and_less_certainty() -> None:
    rng = np.random.default_rng(4)
    alone = drift(simulated(rng, 1, 16, np.zeros(16), {0: 12.0}), 1, PRIORS)
    among = drift(simulated(rng, 20, 16, np.zeros(16), {0: 12.0}), 20, PRIORS)
    assert alone.step_se[0] > among.step_se[0]


def test_too_little_past_says_nothing() -> None:
    rng = np.random.default_rng(5)
    found = drift(simulated(rng, 5, 3, np.zeros(3), {}), 5, PRIORS)
    assert np.isnan(found.z).all()
    assert (found.since == -1).all()


def test_no_visits_at_all() -> None:
    none = np.zeros(0, np.int64)
    found = drift(Visits(none, none, np.zeros(0), np.zeros(0)), 3, PRIORS)
    assert np.isnan(found.z).all()


def test_rises_are_found_with_the_other_sign() -> None:
    rng = np.random.default_rng(6)
    found = drift(simulated(rng, 20, 16, np.zeros(16), {4: -12.0}), 20, PRIORS, sign=1)
    assert int(np.nanargmax(found.z)) == 4
