from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.measures import MEASURES
from lawnscore.history.persistent import (
    FADES_AT_POINTS,
    LASTING,
    RENEWED,
    correlation,
    likeness,
    renewed_between,
)
from lawnscore.history.series import Occasions, occasions, renovations, work_at_places
from tests.history.rounds import visit, visits, work

FIRST, SECOND = np.array([0]), np.array([1])


def pair(second: float = 80.0, **changed: object) -> Occasions:
    """Return two visits, the second with another cover and what else is said to have changed."""
    how = {"version": "1", "settings_id": "a", "card": "c", "colour_reference": "measured"}
    rows = [visit("a", 0, 80.0, **how), visit("a", 30, second, **(how | changed))]
    return occasions(visits(rows))


def lasting(series: Occasions, measure: str = "green_cover_pct") -> float:
    return float(likeness(series, FIRST, SECOND).lasting_share(measure)[0])


def test_every_measure_has_a_lasting_share() -> None:
    assert set(LASTING) == set(MEASURES)
    # nominal colours never make an error last better
    assert all(0 <= nominal <= known <= 0.8 for known, nominal in LASTING.values())


def test_what_lasts_falls_as_the_lawn_changes() -> None:
    known = LASTING["green_cover_pct"][0]
    assert lasting(pair()) == known
    third = FADES_AT_POINTS / 3
    assert lasting(pair(80 - third)) == pytest.approx(known * 2 / 3)
    assert lasting(pair(80 - FADES_AT_POINTS - 1)) == 0


def test_points_that_went_from_green_to_straw_count_once() -> None:
    shares = {"straw_cover_pct": 15.0, "bare_soil_pct": 5.0, "litter_pct": 0.0}
    rows = [visit("a", 0, 80, cast_cover_pct=0.0, **shares)]
    rows.append(visit("a", 30, 74, cast_cover_pct=0.0, **(shares | {"straw_cover_pct": 21.0})))
    assert likeness(occasions(visits(rows)), FIRST, SECOND).points[0] == pytest.approx(6)


@pytest.mark.parametrize("column", ["version", "settings_id", "card", "colour_reference"])
def test_nothing_lasts_across_a_change_of_method(column: str) -> None:
    assert lasting(pair(**{column: "learned"})) == 0


def test_nominal_colours_make_less_last() -> None:
    nominal = occasions(visits([visit("a", n, 80, colour_reference="nominal") for n in (0, 30)]))
    assert lasting(nominal) == LASTING["green_cover_pct"][1]
    assert lasting(nominal, "colour_index") == 0
    unsaid = occasions(visits([visit("a", n, 80) for n in (0, 30)]))
    assert lasting(unsaid) == LASTING["green_cover_pct"][1]


def test_a_renovation_between_makes_less_last() -> None:
    series = occasions(visits([visit("a", n, 80) for n in (0, 30)]))
    renewed = likeness(series, FIRST, SECOND, renewed=np.array([True]))
    expected = RENEWED * LASTING["green_cover_pct"][1]
    assert renewed.lasting_share("green_cover_pct")[0] == expected


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
