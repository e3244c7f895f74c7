from __future__ import annotations

import pytest

from lawnscore.report.course import course_of

ROW = {
    "cover_before": 80.0,
    "cover_after": 30.0,
    "days_since": 40,
    "days_to_95": 50.0,
    "days_to_95_low": 40.0,
    "days_to_95_high": 70.0,
    "state": "recovering",
}


def at(course, day: float, edge: str) -> float:
    from numpy import interp

    return float(interp(day, course.x, getattr(course, edge)))


def test_the_course_starts_after_the_work_and_reaches_95_percent_on_the_day_of_the_table() -> None:
    course = course_of(ROW)
    assert course is not None
    assert course.value[0] == pytest.approx(30.0)
    for day, edge in ((50.0, "value"), (40.0, "high"), (70.0, "low")):
        assert at(course, day, edge) == pytest.approx(0.95 * 80, abs=0.1)


def test_an_open_upper_end_leaves_the_lower_edge_flat() -> None:
    course = course_of(ROW | {"days_to_95_high": None})
    assert course is not None
    assert set(course.low) == {30.0}


@pytest.mark.parametrize(
    "change",
    [
        {"state": "too few visits"},
        {"cover_before": None},
        {"days_to_95": None},
        {"days_to_95_low": None},
        {"cover_after": 79.0},
        {"days_to_95": 0.0, "days_to_95_low": 0.0},
    ],
)
def test_a_row_that_fixes_no_course_gives_none(change: dict[str, object]) -> None:
    assert course_of(ROW | change) is None
