from __future__ import annotations

from datetime import date

import pytest

from lawnscore.report.charts import (
    BOTTOM,
    HEIGHT,
    TOP,
    Course,
    Reading,
    Shape,
    recovery_chart,
    sparkline,
    to_svg,
    trend_chart,
)

DAY = float(date(2025, 6, 1).toordinal())


def chart(readings: list[Reading], y_range: tuple[float, float] = (0.0, 100.0), **more: object):
    return trend_chart(
        readings,
        y_range=y_range,
        y_label=lambda v: f"{v:g}",
        x_label=lambda d, in_days: d.isoformat(),
        **more,
    )


def shapes(drawing, role: str) -> list[Shape]:
    return [shape for shape in drawing.shapes if shape.role == role]


def test_a_value_stands_where_the_axis_says() -> None:
    drawing = chart([Reading(DAY, 50.0, 25.0, 75.0)])
    (dot,) = shapes(drawing, "dot")
    middle = (TOP + HEIGHT - BOTTOM) / 2
    assert dot.points[0][1] == pytest.approx(middle)
    (whisker,) = shapes(drawing, "range")
    assert [y for _, y in whisker.points] == pytest.approx(
        [middle + (HEIGHT - BOTTOM - TOP) / 4, middle - (HEIGHT - BOTTOM - TOP) / 4]
    )


def test_a_visit_without_a_figure_is_an_open_mark_and_no_dot() -> None:
    drawing = chart([Reading(DAY, 50.0), Reading(DAY + 30, None), Reading(DAY + 60, 60.0)])
    assert len(shapes(drawing, "dot")) == 2
    assert len(shapes(drawing, "missing")) == 1
    assert shapes(drawing, "range") == []


def test_the_line_breaks_where_the_method_changed() -> None:
    days = [Reading(DAY + 30 * k, 50.0, method="ab"[k // 2]) for k in range(4)]
    assert [len(s.points) for s in shapes(chart(days), "line")] == [2, 2]


def test_the_axis_grows_to_hold_every_interval() -> None:
    drawing = chart([Reading(DAY, 30.0, 10.0, 47.0)], (0.0, 10.0))
    labels = [s.text for s in shapes(drawing, "label")]
    assert max(float(t) for t in labels if t.replace(".", "").isdigit()) >= 47


def test_months_are_ticked_over_a_year_and_days_over_weeks() -> None:
    year = chart([Reading(DAY + 30 * k, 50.0) for k in range(13)])
    ticks = [s.text for s in shapes(year, "label") if "-" in s.text]
    assert 3 <= len(ticks) <= 5
    assert all(tick.endswith("-01") for tick in ticks)
    weeks = chart([Reading(DAY + 7 * k, 50.0) for k in range(3)])
    assert "2025-06-01" in [s.text for s in shapes(weeks, "label")]


def test_an_empty_chart_and_one_of_one_visit_can_be_drawn() -> None:
    assert shapes(chart([]), "dot") == []
    assert len(shapes(sparkline([Reading(DAY, 50.0)]), "dot")) == 1
    assert shapes(sparkline([Reading(DAY, None)]), "dot") == []


def test_text_in_a_chart_is_escaped_and_stays_text() -> None:
    drawing = chart([Reading(DAY, 50.0)], marks=[(DAY, "<b>work</b>")], description='"quoted"')
    svg = str(to_svg(drawing))
    assert "&lt;b&gt;work&lt;/b&gt;</text>" in svg
    assert 'aria-label="&#34;quoted&#34;"' in svg
    assert "<b>" not in svg


def test_a_recovery_shows_its_band_its_course_and_the_level_before() -> None:
    course = Course((0.0, 20.0), (40.0, 80.0), (40.0, 60.0), (40.0, 85.0))
    drawing = recovery_chart(
        [Reading(0.0, 40.0), Reading(20.0, 78.0)],
        before=85.0,
        course=course,
        y_label=str,
        x_label=lambda v: f"{v:g}",
        level_text="before",
        mark_text="work",
    )
    assert len(shapes(drawing, "band")) == len(shapes(drawing, "course")) == 1
    assert len(shapes(drawing, "band")[0].points) == 4
    assert shapes(drawing, "line") == []
    assert len(shapes(drawing, "level")) == 1
