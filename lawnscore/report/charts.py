"""Small charts as shapes: drawn once, then written as SVG for pages or into a PDF.

A general plotting library takes some 35 to 70 ms for one of these, hard-wires its colours and
cannot follow a reader's dark mode; these take well under a millisecond, keep their text as text
and name the role of every shape, so that the page's style sheet colours them. Ticks still come
from Matplotlib's locator.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Literal

from markupsafe import Markup, escape

WIDTH, HEIGHT = 360.0, 190.0  # units of the drawing; a page shows them at about 1 px
LEFT, RIGHT, TOP, BOTTOM = 42.0, 14.0, 20.0, 28.0
DOT = 3.4
_MAX_DATE_TICKS = 5
_MONTH_STEPS = (1, 2, 3, 4, 6, 12, 24, 36, 60)

Kind = Literal["line", "area", "dot", "ring", "text"]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True)
class Shape:
    """One shape: its kind, the role that gives its colour, and its points ``(x, y)``, y down."""

    kind: Kind
    role: str
    points: tuple[tuple[float, float], ...]
    text: str = ""
    anchor: Anchor = "start"


@dataclass(frozen=True)
class Chart:
    """A drawing of ``width`` by ``height`` units with a description for those who cannot see it."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    description: str


@dataclass(frozen=True)
class Reading:
    """One visit on a chart: place on the x axis, value and interval; ``None`` is unknown.

    ``method`` tells readings apart that must not be joined by a line.
    """

    x: float
    value: float | None
    low: float | None = None
    high: float | None = None
    method: str = ""


@dataclass(frozen=True)
class Course:
    """A fitted course and its band over the same places on the x axis."""

    x: tuple[float, ...]
    value: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True)
class Scale:
    """Data to drawing units on one axis."""

    low: float
    high: float
    start: float
    stop: float

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        span = (self.high - self.low) or 1.0
        return self.start + (value - self.low) / span * (self.stop - self.start)


def trend_chart(
    readings: Sequence[Reading],
    *,
    y_range: tuple[float, float],
    y_label: Callable[[float], str],
    x_label: Callable[[date, bool], str],
    marks: Sequence[tuple[float, str]] = (),
    description: str = "",
) -> Chart:
    """Draw a measure over time.

    Parameters
    ----------
    readings
        Visits in order of time; ``x`` is the ordinal of the date.
    y_range
        Least range of the y axis; it grows to hold every interval.
    y_label, x_label
        Text of a tick: from a value; from a date and whether ticks are days.
    marks
        Upright lines: ordinal and text.
    """
    places = [r.x for r in readings] + [x for x, _ in marks]
    x = _padded(places, WIDTH)
    ticks = _value_ticks(readings, y_range)
    y = Scale(ticks[0], ticks[-1], HEIGHT - BOTTOM, TOP)
    shapes = _value_axis(ticks, y, y_label)
    shapes += _date_axis(x, sorted({r.x for r in readings}), x_label)
    shapes += _marks(marks, x, y)
    shapes += _readings(readings, x, y)
    return Chart(WIDTH, HEIGHT, tuple(shapes), description)


def recovery_chart(
    readings: Sequence[Reading],
    *,
    before: float | None,
    course: Course | None,
    y_label: Callable[[float], str],
    x_label: Callable[[float], str],
    level_text: str,
    mark_text: str,
    description: str = "",
) -> Chart:
    """Draw cover over the days since a renovation, with the course that fits and its band."""
    latest = max([r.x for r in readings] + list(course.x if course else ()) + [14.0])
    earliest = min([0.0] + [r.x for r in readings])
    x = Scale(earliest, latest, LEFT + 6, WIDTH - RIGHT)
    ticks = (0.0, 25.0, 50.0, 75.0, 100.0)
    y = Scale(0.0, 100.0, HEIGHT - BOTTOM, TOP)
    shapes = _value_axis(ticks, y, y_label)
    for tick in _nice_ticks(0.0, latest, 5):
        if tick <= latest:
            shapes.append(_text(x(tick), HEIGHT - BOTTOM + 16, x_label(tick), "middle"))
    shapes += _marks([(0.0, mark_text)], x, y)
    if course:
        upper = [(x(d), y(v)) for d, v in zip(course.x, course.high, strict=True)]
        lower = [(x(d), y(v)) for d, v in zip(course.x, course.low, strict=True)]
        shapes.append(Shape("area", "band", (*upper, *reversed(lower))))
        line = tuple((x(d), y(v)) for d, v in zip(course.x, course.value, strict=True))
        shapes.append(Shape("line", "course", line))
    if before is not None:
        shapes.append(Shape("line", "level", ((LEFT, y(before)), (WIDTH - RIGHT, y(before)))))
        place = y(before) - 5 if before < 90 else y(before) + 13
        shapes.append(_text(WIDTH - RIGHT, place, level_text, "end"))
    shapes += _readings(readings, x, y, join=course is None)
    return Chart(WIDTH, HEIGHT, tuple(shapes), description)


def sparkline(readings: Sequence[Reading], *, description: str = "") -> Chart:
    """Draw a series from 0 to 100 without axes, for one cell of a table."""
    width, height = 120.0, 28.0
    known = [r for r in readings if r.value is not None]
    x = _padded([r.x for r in readings], width, left=4, right=5)
    y = Scale(0.0, 100.0, height - 3, 3)
    shapes = [Shape("line", "grid", ((0, y(0)), (width, y(0))))]
    for run in _runs(known):
        shapes.append(Shape("line", "line", tuple((x(r.x), y(r.value or 0.0)) for r in run)))
    if known:
        last = known[-1]
        shapes.append(Shape("dot", "dot", ((x(last.x), y(last.value or 0.0)),)))
    return Chart(width, height, tuple(shapes), description)


def to_svg(chart: Chart) -> Markup:
    """Write a chart as an ``svg`` element whose colours come from the page's style sheet."""
    parts = [
        f'<svg class="chart" viewBox="0 0 {chart.width:g} {chart.height:g}" role="img" '
        f'aria-label="{escape(chart.description)}">'
    ]
    parts += [_svg_shape(shape) for shape in chart.shapes]
    return Markup("".join(parts) + "</svg>")


def _svg_shape(shape: Shape) -> str:
    first_x, first_y = shape.points[0]
    if shape.kind == "text":
        anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
        return (
            f'<text class="c-{shape.role}" x="{first_x:.1f}" y="{first_y:.1f}"{anchor}>'
            f"{escape(shape.text)}</text>"
        )
    if shape.kind in ("dot", "ring"):
        return f'<circle class="c-{shape.role}" cx="{first_x:.1f}" cy="{first_y:.1f}" r="{DOT}"/>'
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in shape.points)
    closed = "Z" if shape.kind == "area" else ""
    return f'<path class="c-{shape.role}" d="{path}{closed}"/>'


def _text(x: float, y: float, text: str, anchor: Anchor, role: str = "label") -> Shape:
    return Shape("text", role, ((x, y),), text, anchor)


def _padded(
    places: Sequence[float], width: float, left: float = LEFT, right: float = RIGHT
) -> Scale:
    low, high = (min(places), max(places)) if places else (0.0, 1.0)
    if high - low < 1:
        low, high = low - 15, high + 15
    pad = (high - low) * 0.03
    return Scale(low - pad, high + pad, left, width - right)


def _readings(readings: Sequence[Reading], x: Scale, y: Scale, *, join: bool = True) -> list[Shape]:
    known = [r for r in readings if r.value is not None]
    shapes: list[Shape] = []
    if join:
        for run in _runs(known):
            points = tuple((x(r.x), y(r.value or 0.0)) for r in run)
            shapes.append(Shape("line", "line", points))
    for r in known:
        if r.low is not None and r.high is not None:
            low, high = max(r.low, y.low), min(r.high, y.high)
            shapes.append(Shape("line", "range", ((x(r.x), y(low)), (x(r.x), y(high)))))
        shapes.append(Shape("dot", "dot", ((x(r.x), y(r.value or 0.0)),)))
    shapes += [
        Shape("ring", "missing", ((x(r.x), y(y.low) - DOT - 1),))
        for r in readings
        if r.value is None
    ]
    return shapes


def _runs(readings: Sequence[Reading]) -> list[list[Reading]]:
    runs: list[list[Reading]] = []
    for reading in readings:
        if runs and runs[-1][-1].method == reading.method:
            runs[-1].append(reading)
        else:
            runs.append([reading])
    return [run for run in runs if len(run) > 1]


def _marks(marks: Sequence[tuple[float, str]], x: Scale, y: Scale) -> list[Shape]:
    shapes: list[Shape] = []
    right_end = -math.inf
    for place, text in marks:
        at = x(place)
        shapes.append(Shape("line", "mark", ((at, TOP - 6), (at, y(y.low)))))
        if at > right_end:  # a label that would run into the one before it is left out
            late = at > WIDTH * 0.62
            anchor: Anchor = "end" if late else "start"
            shapes.append(_text(at - 3 if late else at + 3, TOP - 8, text, anchor, "note"))
            right_end = at + 7 * len(text)
    return shapes


def _value_axis(ticks: Sequence[float], y: Scale, label: Callable[[float], str]) -> list[Shape]:
    shapes: list[Shape] = []
    for tick in ticks:
        role = "axis" if tick == ticks[0] else "grid"
        shapes.append(Shape("line", role, ((LEFT, y(tick)), (WIDTH - RIGHT, y(tick)))))
        shapes.append(_text(LEFT - 6, y(tick) + 3.5, label(tick), "end"))
    return shapes


def _value_ticks(readings: Sequence[Reading], y_range: tuple[float, float]) -> tuple[float, ...]:
    ends = [v for r in readings for v in (r.value, r.low, r.high) if v is not None]
    if y_range == (0.0, 100.0):
        return (0.0, 25.0, 50.0, 75.0, 100.0)
    low, high = min([y_range[0], *ends]), max([y_range[1], *ends])
    if y_range[0] == 0:
        low = max(low, 0.0)
    return _nice_ticks(low, high, 4)


@lru_cache(maxsize=4096)
def _nice_ticks(low: float, high: float, most: int) -> tuple[float, ...]:
    from matplotlib.ticker import MaxNLocator

    locator = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10])
    return tuple(float(t) for t in locator.tick_values(low, high))


def _date_axis(
    x: Scale, places: Sequence[float], label: Callable[[date, bool], str]
) -> list[Shape]:
    if not places:
        return []
    first, last = date.fromordinal(int(places[0])), date.fromordinal(int(places[-1]))
    in_days = (last - first).days < 62
    ticks = _thinned(x, places) if in_days else _months(first, last)
    shapes: list[Shape] = []
    for tick in ticks:
        at = min(max(x(tick), LEFT + 14), WIDTH - RIGHT - 12)
        text = label(date.fromordinal(int(tick)), in_days)
        shapes.append(_text(at, HEIGHT - BOTTOM + 16, text, "middle"))
    return shapes


def _thinned(x: Scale, places: Sequence[float]) -> list[float]:
    kept: list[float] = []
    for place in places:
        if not kept or x(place) - x(kept[-1]) >= 48:  # room for a label such as "28 Sept"
            kept.append(place)
    return kept


def _months(first: date, last: date) -> list[float]:
    start, stop = first.year * 12 + first.month - 1, last.year * 12 + last.month - 1
    for step in _MONTH_STEPS:
        ticks = [m for m in range(start, stop + 1) if m % step == 0]
        if len(ticks) <= _MAX_DATE_TICKS:
            break
    days = [date(m // 12, m % 12 + 1, 1).toordinal() for m in ticks]
    return [float(d) for d in days if d >= first.toordinal() - 6]
