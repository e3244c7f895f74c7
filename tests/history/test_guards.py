"""Guards of the history that keep a sound lawn from being blamed."""

from __future__ import annotations

import numpy as np
import pytest

from lawnscore.history.drift import drift
from lawnscore.history.recovery import recovery
from tests.history.rounds import visit, visits, work
from tests.history.test_drift import PRIORS, simulated


def test_what_the_whole_round_does_is_no_scatter_of_its_lawns() -> None:
    """A wave that all lawns ride makes none of them less certain."""
    wave = 6 * np.sin(np.arange(16) / 2)
    for seed in (20, 21):
        calm, waving = (
            drift(simulated(np.random.default_rng(seed), 20, 16, shared, {3: 12.0}), 20, PRIORS)
            for shared in (np.zeros(16), wave)
        )
        assert np.median(waving.step_se / calm.step_se) == pytest.approx(1.0, abs=0.1)
        assert waving.z[3] == pytest.approx(calm.z[3], rel=0.1)


@pytest.mark.parametrize(("last_day", "state"), [(27, "recovering"), (32, "slow")])
def test_a_sward_that_does_not_come_back_is_not_called_slow_in_four_weeks(
    last_day: int, state: str
) -> None:
    """Seed takes one to three weeks to show (common practice)."""
    rows = [visit("a", 0, 90, "before", se=1), visit("a", 0, 50, "after", se=1)]
    rows += [visit("a", day, 45, se=1) for day in (9, 18, last_day)]
    row = recovery(visits(rows), work(("a", 0, "scarify"))).loc[0]
    assert row["state"] == state
