"""Verdicts on several measures at once: the more is looked at, the surer each must be."""

from __future__ import annotations

import numpy as np
import pytest

from lawnscore.contract.measures import MEASURES
from lawnscore.history.changes import verdicts

MAIN = [name for name, m in MEASURES.items() if m.main and m.better]
OTHER = [name for name, m in MEASURES.items() if not m.main and m.better]


def told(names: list[str], p: list[float]) -> list[str | None]:
    better = np.array([MEASURES[name].better for name in names], float)
    return verdicts(names, better, np.array(p))


@pytest.mark.parametrize("family", [MAIN, OTHER], ids=["main", "other"])
def test_what_is_clear_alone_is_not_clear_among_others(family: list[str]) -> None:
    """Holm 1979 by hand: of k the smallest p is held against 0.05 / k, the next against k - 1."""
    k = len(family)
    assert told(family[:1], [0.03]) == ["better"]
    assert told(family, [0.03] * k) == ["no clear change"] * k
    first_two = [0.04 / k, 0.045 / (k - 1)] + [0.9] * (k - 2)
    assert told(family, first_two) == ["better"] * 2 + ["no clear change"] * (k - 2)
    second_too_large = [0.04 / k, 0.06 / (k - 1)] + [0.9] * (k - 2)
    assert told(family, second_too_large) == ["better"] + ["no clear change"] * (k - 1)


def test_the_main_measures_and_the_others_do_not_hold_one_another_back() -> None:
    names = [MAIN[0], *OTHER]
    assert told(names, [0.03] + [0.9] * len(OTHER))[0] == "better"


def test_each_verdict_goes_by_the_better_direction_of_its_measure() -> None:
    rises = verdicts(MAIN, np.ones(len(MAIN)), np.full(len(MAIN), 1e-6))
    assert rises == ["better" if MEASURES[n].better > 0 else "worse" for n in MAIN]
