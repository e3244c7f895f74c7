"""The drawn course of a recovery: its band holds the visits, its plateau is its own."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.tables import VISIT_SCORES
from lawnscore.history.courses import COURSE_COLUMNS, recovery_courses
from tests.history.rounds import day, regrown, visit, visits, weather, work

DONE = work(("a", 240, "scarify"))


def recovered_to(plateau: float, *, before: float = 78.0, left: float = 40.0) -> list[dict]:
    rows = [visit("a", 240, before, "before"), visit("a", 240, left, "after")]
    return rows + [
        visit("a", 240 + t, regrown(plateau, left, 45, t)) for t in (14, 28, 49, 90, 180)
    ]


def outside(courses: pd.DataFrame, table: pd.DataFrame) -> list[str]:
    """Return the dates of visits after the work that the band does not hold."""
    start = pd.Timestamp(courses["renovation_date"].iloc[0])
    dots = table[(table["stage"] != "before") & (pd.to_datetime(table["date"]) >= start)]
    x = (pd.to_datetime(dots["date"]) - start).dt.days
    low, high = (np.interp(x, courses["days"], courses[end]) for end in ("low", "high"))
    y = dots["green_cover_pct"]
    return dots.loc[(y < low) | (y > high), "date"].tolist()


def test_no_renovation_draws_nothing() -> None:
    table = recovery_courses(VISIT_SCORES.frame([]))
    assert list(table.columns) == list(COURSE_COLUMNS)
    assert table.empty


@pytest.mark.parametrize("plateau", [68.0, 78.0, 94.0])
@pytest.mark.parametrize("with_weather", [False, True])
def test_the_band_holds_the_visits_wherever_it_levels_off(
    plateau: float, with_weather: bool
) -> None:
    table = visits(recovered_to(plateau))
    courses = recovery_courses(table, DONE, weather(900) if with_weather else None)
    assert outside(courses, table) == []
    assert courses["cover"].iloc[-1] == pytest.approx(plateau, abs=4)
    assert (courses["low"] <= courses["cover"]).all()
    assert (courses["cover"] <= courses["high"]).all()


def test_the_band_is_no_wider_than_it_need_be() -> None:
    courses = recovery_courses(visits(recovered_to(90.0)), DONE)
    # visits with an error of 2 points on a sward that weather moves by 2.5
    assert (courses["high"] - courses["low"]).iloc[-1] < 25


def test_the_band_holds_nineteen_visits_of_twenty() -> None:
    rng = np.random.default_rng(3)
    rows: list[dict] = []
    for i in range(40):
        plateau = rng.normal(80, 6)
        for row in recovered_to(plateau):
            y = float(row["green_cover_pct"]) + rng.normal(0, 3.0)
            rows.append(visit(f"l{i:02d}", 0, y, row["stage"]) | {"date": row["date"]})
    table = visits(rows)
    done = work(*((f"l{i:02d}", 240, "scarify") for i in range(40)))
    courses = recovery_courses(table, done)
    missed = sum(
        len(outside(own, table[table["lawn"] == lawn])) for lawn, own in courses.groupby("lawn")
    )
    # 240 dots; the binomial error of 5 % of them is 3.4
    assert missed <= 20


def test_too_few_visits_draw_no_course() -> None:
    rows = [visit("a", 240, 78, "before"), visit("a", 240, 40, "after")]
    assert recovery_courses(visits(rows), DONE).empty
    assert day(240) == rows[0]["date"]
