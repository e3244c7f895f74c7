"""Sample sizes against the published formulas, the spread against pooled variances by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawnscore.care.photos_needed import (
    MOST_PHOTOS,
    NEED_COLUMNS,
    Goal,
    SpreadEstimate,
    photos_needed,
)
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import LAWNS, PHOTO_SCORES
from lawnscore.history.change_error import alike_sd

LAWN = LAWNS.frame([{"lawn": "elm-3", "zone": "front", "area_m2": 140}])


def photos(
    values: list[float],
    *,
    lawn: str = "elm-3",
    zone: str = "front",
    date: str = "2025-04-02",
    spots: bool = False,
    se: float = 0.0,
) -> list[dict[str, object]]:
    return [
        {
            "lawn": lawn,
            "zone": zone,
            "date": date,
            "stage": "before",
            "spot": f"A{k}" if spots else None,
            "photo": f"{lawn}-{zone}-{date}-{k}",
            "status": "scored",
            "green_cover_pct": value,
            "green_cover_pct_se": se,
            "area_m2": 1.5,
        }
        for k, value in enumerate(values)
    ]


def spread_of(sd: float, n: int = 5) -> list[float]:
    """``n`` values with exactly this standard deviation."""
    x = np.linspace(-1, 1, n)
    return list(70 + x / x.std(ddof=1) * sd)


def need(rows: list[dict[str, object]], goal: Goal, lawns: pd.DataFrame = LAWN) -> pd.Series:
    out = photos_needed(PHOTO_SCORES.frame(rows), lawns, goal)
    assert list(out.columns) == list(NEED_COLUMNS)
    return out.iloc[0]


@pytest.mark.parametrize(("sd", "half", "n"), [(6, 3, 18), (8, 5, 13), (4, 4, 7)])
def test_interval_needs_the_photos_of_cochran(sd: float, half: float, n: int) -> None:
    # Cochran 1977, n = (t s / E)^2 iterated on t.
    row = need(photos(spread_of(sd)), Goal(size=half, kind="interval"))
    assert row["photos"] == n
    assert row["shows"] <= half


def test_what_photos_share_leaves_the_less_for_their_number_to_reach() -> None:
    """Half widths add in squares: 3 points of which 1.96 are shared leave 2.27."""
    shared = need(photos(spread_of(6.0), se=1.0), Goal(size=3.0, kind="interval"))
    alone = need(photos(spread_of(6.0)), Goal(size=math.sqrt(9.0 - 1.96**2), kind="interval"))
    assert shared["photos"] == alone["photos"] > 25


def test_change_at_new_spots_needs_the_photos_of_the_t_formula() -> None:
    # Change 4, s 5: 25.5 photos a visit by t at power 0.8 (24.5 by the normal formula).
    row = need(photos(spread_of(5)), Goal(size=4))
    assert row["photos_new_spots"] == 26


def test_change_at_the_same_spots_needs_the_pairs_of_the_t_formula() -> None:
    # Standardised paired change 0.8: 14.3 pairs at power 0.8.
    first = spread_of(5)
    steps = np.array([3.0, -3.0, 1.0, -1.0, 0.0])
    steps *= 5 / steps.std(ddof=1)
    second = list(np.array(first) + 2 + steps)
    rows = photos(first, spots=True) + photos(second, spots=True, date="2025-05-02")
    row = need(rows, Goal(size=4))
    assert (row["sd"], row["sd_from"]) == (pytest.approx(5), "this zone")
    assert row["photos"] == 15


def test_spread_is_pooled_within_visits_not_over_them() -> None:
    rows = photos([60, 62, 64]) + photos([80, 82, 84], date="2025-06-02")
    row = need(rows, Goal(size=3, kind="interval"))
    assert row["sd"] == pytest.approx(2)
    assert row["sd_df"] == 4


def test_own_zone_then_lawn_then_round_then_default() -> None:
    few = photos([60, 70])
    goal = Goal(size=3, kind="interval")
    assert need(photos(spread_of(3)), goal)["sd_from"] == "this zone"
    assert need(few + photos(spread_of(4), zone="back"), goal)["sd_from"] == "this lawn"
    assert need(few + photos(spread_of(4), lawn="mill"), goal)["sd_from"] == "the round"
    assert need(few, goal)["sd_from"] == "default"
    assert need([], goal)["sd_from"] == "default"


def test_before_any_photo_the_default_is_stated_and_has_no_range() -> None:
    out = photos_needed(None, LAWN)
    row = out.iloc[0]
    assert row["sd_from"].startswith("default")
    assert pd.isna(row["photos_low"])
    assert pd.isna(row["last_photos"])
    assert row["photos"] == 23  # paired, s 8, change 5


def test_the_interval_of_the_spread_is_the_chi_square_one() -> None:
    # s 2, 4 degrees of freedom: chi-square 0.484 and 11.143 (table) -> 1.198 to 5.747.
    low, high = SpreadEstimate(2, 4, "").interval
    assert (low, high) == (pytest.approx(1.198, abs=1e-3), pytest.approx(5.747, abs=2e-3))
    assert math.isnan(SpreadEstimate(2, math.nan, "").interval[0])


def test_the_range_of_photos_comes_from_the_range_of_the_spread() -> None:
    row = need(photos(spread_of(3, 12)), Goal(size=3, kind="interval"))
    assert row["photos_low"] < row["photos"] < row["photos_high"]


def test_errors_that_photos_share_cannot_be_averaged_away() -> None:
    goal = Goal(size=0.5)
    row = need(photos(spread_of(2), se=3.0), goal)
    left = alike_sd("green_cover_pct", goal.size, stated=3.0)
    assert 0 < left < math.sqrt(2) * 3
    assert row["at_best"] == pytest.approx((1.959964 + 0.841621) * left, rel=1e-6)
    assert "no number of photos" in row["note"]
    assert row["photos"] <= MOST_PHOTOS
    assert row["shows"] > goal.size
    free = need(photos(spread_of(0.05), se=0.05), goal)
    assert free["note"] == ""
    assert free["shows"] <= goal.size


def test_a_small_zone_is_photographed_whole() -> None:
    tiny = LAWN.assign(area_m2=9.0)
    row = need(photos(spread_of(5)), Goal(size=3), tiny)
    assert row["cover_photos"] == 6
    assert "whole zone" in row["note"]


def test_what_the_last_visit_could_show() -> None:
    rows = photos(spread_of(5)) + photos([70.0] * 3, date="2025-06-02")
    row = need(rows, Goal(size=5, kind="interval"))
    assert row["last_photos"] == 3


def test_refused_photos_do_not_count() -> None:
    rows = photos(spread_of(3))
    rows[0]["status"] = "refused"
    rows[0]["green_cover_pct"] = None
    assert need(rows, Goal(kind="interval"))["sd_from"] == "default"


def test_zones_without_photos_and_photos_without_register_are_both_planned() -> None:
    out = photos_needed(PHOTO_SCORES.frame(photos(spread_of(3), lawn="mill", zone="all")), LAWN)
    assert out["lawn"].tolist() == ["elm-3", "mill"]


@settings(max_examples=20, deadline=None)
@given(st.floats(0.5, 4), st.floats(1.05, 2))
def test_a_smaller_change_or_a_wider_spread_never_needs_fewer_photos(
    sd: float, factor: float
) -> None:
    def number(sd: float, size: float) -> float:
        n = need(photos(spread_of(sd)), Goal(size=size))["photos_new_spots"]
        return math.inf if pd.isna(n) else float(n)

    base = number(sd, 5)
    assert number(sd * factor, 5) >= base
    assert number(sd, 5 / factor) >= base


@pytest.mark.parametrize(
    ("kwargs", "match"),
    [
        ({"measure": "greenness"}, "not known"),
        ({"size": 0}, "more than 0"),
        ({"size": -5}, "more than 0"),
        ({"power": 1.0}, "power is 1"),
    ],
)
def test_impossible_goals_are_refused(kwargs: dict[str, object], match: str) -> None:
    with pytest.raises(LawnscoreError, match=match):
        Goal(**kwargs)  # type: ignore[arg-type]


def test_nothing_to_plan_for_and_no_spread_are_refused() -> None:
    with pytest.raises(LawnscoreError, match="no lawn to plan for"):
        photos_needed(None, None)
    with pytest.raises(LawnscoreError, match="nothing is known yet of the spread"):
        photos_needed(None, LAWN, Goal("casts_per_m2", 5))


@pytest.mark.parametrize("spread", [1.0, 4.0])
def test_plan_and_reports_speak_of_the_same_smallest_change(spread: float) -> None:
    from lawnscore.contract.tables import PHOTO_SCORES
    from lawnscore.history.changes import changes
    from lawnscore.history.visits import visit_scores

    rng = np.random.default_rng(2)
    photos = PHOTO_SCORES.frame(
        {
            "lawn": "elm", "zone": "all", "spot": f"A{k}", "date": f"2025-0{month}-02",
            "stage": "check", "photo": f"{month}-{k}", "status": "scored", "area_m2": 1.5,
            "green_cover_pct": 80 + 2 * k + float(rng.normal(0, spread)),
            "green_cover_pct_se": 1.5,
        }
        for month in range(3, 9)
        for k in range(4)
    )  # fmt: skip
    told = changes(visit_scores(photos), photo_scores=photos)
    last = told[(told["kind"] == "visit") & (told["measure"] == "green_cover_pct")].iloc[-1]
    (plan,) = photos_needed(photos, None, Goal(size=9.0), changes=told).to_dict("records")
    assert plan["last_photos"] == 4
    assert plan["last_shows"] == pytest.approx(last["smallest_detectable"])
    # as many photos again show as much again
    again = photos_needed(
        photos, None, Goal(size=float(last["smallest_detectable"]) + 1e-6), changes=told
    )
    assert again["photos"].tolist() == [4]
