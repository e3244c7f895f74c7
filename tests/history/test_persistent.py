from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.measures import MEASURES
from lawnscore.history.persistent import (
    NEW_ERROR,
    RENEWED_WIDENS,
    correlation,
    likeness,
    renewed_between,
)
from lawnscore.history.series import Occasions, occasions, renovations, work_at_places
from tests.history.rounds import visit, visits, work

FIRST, SECOND = np.array([0]), np.array([1])


STATED = 10.0


def pair(second: float = 80.0, **changed: object) -> Occasions:
    """Return two visits, the second with another cover and what else is said to have changed."""
    how = {"version": "1", "settings_id": "a", "card": "c", "colour_reference": "measured"}
    how |= {"green_cover_pct_shared_se": STATED, "colour_index_shared_se": 0.06}
    rows = [visit("a", 0, 80.0, **how), visit("a", 30, second, **(how | changed))]
    return occasions(visits(rows))


def lasting(series: Occasions, measure: str = "green_cover_pct") -> float:
    return float(likeness(series, FIRST, SECOND).lasting_share(measure)[0])


def new_sd(rho: float, first: float = STATED, second: float = STATED) -> float:
    """Return what a visit adds, from the variance of a difference: a2 + b2 - 2 rho a b = 2 new2."""
    return float(np.sqrt((first**2 + second**2 - 2 * rho * first * second) / 2))


def test_every_measure_says_what_a_visit_adds() -> None:
    assert set(NEW_ERROR) == set(MEASURES)
    # nominal colours never make a change sharper
    assert all(0 < known <= nominal for known, nominal, _ in NEW_ERROR.values())


def test_a_difference_errs_by_what_the_visits_add_whatever_the_level_says() -> None:
    known = NEW_ERROR["green_cover_pct"][0]
    assert new_sd(lasting(pair())) == pytest.approx(known)
    other = pair(green_cover_pct_shared_se=7.0)
    assert new_sd(lasting(other), STATED, 7.0) == pytest.approx(known)


def test_a_visit_adds_more_the_more_the_lawn_has_changed() -> None:
    still, _, a_point = NEW_ERROR["green_cover_pct"]
    # only green is said here, so its change is that of the ground
    assert new_sd(lasting(pair(60.0))) == pytest.approx(np.hypot(still, 20 * a_point))
    assert lasting(pair(20.0)) < lasting(pair(60.0)) < lasting(pair())


def test_a_change_is_never_less_sure_than_two_levels() -> None:
    small = 0.5 * NEW_ERROR["green_cover_pct"][0]
    tight = pair(green_cover_pct_shared_se=small)
    series = occasions(visits([visit("a", n, 80.0, green_cover_pct_shared_se=small,
                                     colour_reference="measured") for n in (0, 30)]))  # fmt: skip
    assert lasting(series) == 0
    assert 0 <= lasting(tight) <= 1


def test_points_that_went_from_green_to_straw_count_once() -> None:
    shares = {"straw_cover_pct": 15.0, "bare_soil_pct": 5.0, "litter_pct": 0.0}
    rows = [visit("a", 0, 80, cast_cover_pct=0.0, **shares)]
    rows.append(visit("a", 30, 74, cast_cover_pct=0.0, **(shares | {"straw_cover_pct": 21.0})))
    assert likeness(occasions(visits(rows)), FIRST, SECOND).points[0] == pytest.approx(6)


@pytest.mark.parametrize("column", ["version", "settings_id", "card", "colour_reference"])
def test_nothing_lasts_across_a_change_of_method(column: str) -> None:
    assert lasting(pair(**{column: "learned"})) == 0


def test_nominal_colours_make_less_last() -> None:
    nominal = pair(colour_reference="nominal")
    both = occasions(nominal.table.assign(colour_reference="nominal"))
    assert new_sd(lasting(both)) == pytest.approx(NEW_ERROR["green_cover_pct"][1])
    assert lasting(both, "colour_index") == 0
    assert lasting(pair(), "colour_index") > 0
    unsaid = occasions(nominal.table.drop(columns="colour_reference"))
    assert new_sd(lasting(unsaid)) == pytest.approx(NEW_ERROR["green_cover_pct"][1])


def test_a_renovation_between_makes_less_last() -> None:
    renewed = likeness(pair(), FIRST, SECOND, renewed=np.array([True]))
    rho = float(renewed.lasting_share("green_cover_pct")[0])
    assert new_sd(rho) == pytest.approx(RENEWED_WIDENS * NEW_ERROR["green_cover_pct"][0])


@pytest.mark.parametrize(
    ("first", "second", "between"),
    [
        ((0, "check"), (90, "check"), True),
        ((0, "check"), (60, "before"), False),
        ((60, "before"), (60, "after"), True),
        ((60, "after"), (90, "check"), False),
    ],
)
def test_a_renovation_lies_between(first: tuple, second: tuple, between: bool) -> None:
    rows = [visit("a", number, 80, stage) for number, stage in (first, second)]
    rows.append(visit("b", 0, 80))
    series = occasions(visits(rows))
    done = renovations(work_at_places(work(("a", 60, "overseed")), series.places))
    assert renewed_between(series, FIRST, SECOND, done).tolist() == [between]
    nothing = renovations(work_at_places(None, series.places))
    assert not renewed_between(series, FIRST, SECOND, nothing).any()


def test_estimates_are_tied_by_the_shared_part_alone() -> None:
    # a whole error of 5 of which 3 is shared: rho 0.5 of 9 in 25
    rows = [visit("a", n, 80, se=5.0, green_cover_pct_shared_se=3.0) for n in (0, 30)]
    series = occasions(visits(rows))
    tied = correlation(series, "green_cover_pct", FIRST, SECOND, np.array([0.5]))
    assert tied[0] == pytest.approx(0.5 * 9 / 25, rel=1e-4)
    without = occasions(visits(rows).drop(columns="green_cover_pct_shared_se"))
    assert correlation(without, "green_cover_pct", FIRST, SECOND, np.array([0.5]))[0] == 0


def test_tables_from_anywhere_need_no_shares() -> None:
    table = pd.DataFrame(
        {"lawn": ["a", "a"], "zone": "all", "date": ["2024-01-01", "2024-02-01"], "stage": "check"}
    )
    assert lasting(occasions(table)) == 0
