"""The customer's report: one lawn as one page that needs nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from markupsafe import Markup

from lawnscore.contract.rows import Row
from lawnscore.report.charts import Chart, Reading, recovery_chart, to_svg, trend_chart
from lawnscore.report.compared import (
    Basis,
    basis,
    compared_change,
    compared_changes,
    latest_visit,
    verdict_key,
)
from lawnscore.report.course import course_of
from lawnscore.report.figures import Figure, figures_of, interval_of, surer_words
from lawnscore.report.language import Words
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.load import LawnRows
from lawnscore.report.pages import render
from lawnscore.report.pictures import Pair
from lawnscore.report.story import (
    Headline,
    headline,
    one_photo,
    outlook,
    recovery_sentences,
    task_words,
)

CHARTED: dict[str, tuple[float, float]] = {
    "green_cover_pct": (0.0, 100.0),
    "colour_index": (0.3, 0.6),
    "casts_per_m2": (0.0, 10.0),
    "bare_patch_pct": (0.0, 10.0),
}
"""Measures drawn over time, each with the least range of its axis."""


@dataclass(frozen=True, eq=False)
class Drawing:
    """A chart under its heading."""

    measure: str
    title: str
    chart: Chart

    @property
    def svg(self) -> Markup:
        """The chart for a page."""
        return to_svg(self.chart)


@dataclass(frozen=True, eq=False)
class ZoneStory:
    """All that a report says of one zone."""

    zone: str
    title: str
    measured_on: str
    basis: Basis
    against: str
    ground: str
    condition: str
    condition_range: Markup | str
    trend: str
    verdict: str
    condition_chart: Drawing
    recovery: Sequence[Markup]
    recovery_drawing: Drawing | None
    recovery_has_course: bool
    drawings: Sequence[Drawing]
    figures: Sequence[Figure]
    surer: str
    n_visits: int


@dataclass(frozen=True, eq=False)
class VisitEntry:
    """One visit as the customer sees it: when, and what was done."""

    iso: str
    when: str
    lines: Sequence[str]
    photos: str


@dataclass(frozen=True, eq=False)
class CustomerStory:
    """A customer's report before it takes the shape of a page or a sheet of paper."""

    lawn: LawnRows
    head: Headline
    zones: Sequence[ZoneStory]
    visits: Sequence[VisitEntry]
    next_steps: Sequence[Markup]
    pairs: Mapping[str, Pair] = field(default_factory=dict)


def customer_story(
    lawn: LawnRows, words: Words, *, pairs: Mapping[str, Pair] | None = None
) -> CustomerStory:
    """Return what the report of one lawn says.

    Parameters
    ----------
    pairs
        Pictures by zone; a zone without any is left out.
    """
    head = headline(lawn, words)
    zones = sorted(lawn.zones, key=lambda zone: zone != head.zone)
    return CustomerStory(
        lawn=lawn,
        head=head,
        zones=[zone_story(lawn, zone, words) for zone in zones],
        visits=_visits(lawn, words),
        next_steps=outlook(lawn, words, head.tone),
        pairs=pairs or {},
    )


def customer_page(story: CustomerStory, words: Words, letterhead: Letterhead) -> str:
    """Return the page of one lawn as HTML, whole and self-contained."""
    return render(
        "customer.html",
        script="divider.js",
        story=story,
        lawn=story.lawn,
        words=words,
        letterhead=letterhead,
        caption=lambda pair, kind: pair_caption(pair, kind, words),
        measured_on=lambda zone: measured_on(zone, words),
        labels=lambda kind: pair_labels(kind, words),
    )


LABELS: dict[Basis, tuple[str, str]] = {
    "work": ("before_work", "after_work"),
    "since_before_work": ("before_work", "now"),
    "since_renovation": ("after_work", "now"),
    "year": ("earlier", "now"),
    "visit": ("earlier", "now"),
    "none": ("earlier", "now"),
}
"""What stands on the two pictures, by the pair of occasions that is told."""


def pair_labels(kind: Basis, words: Words) -> tuple[str, str]:
    """Return what stands on the earlier and on the later picture."""
    first, second = LABELS[kind]
    return words.text(f"label.{first}"), words.text(f"label.{second}")


def pair_caption(pair: Pair, kind: Basis, words: Words) -> str:
    """Return what the pictures show, and how surely it is the same ground."""
    width, to = words.length(pair.width_mm), words.date(pair.after["date"])
    if pair.before is None:
        key = "customer.one_picture" if kind == "none" else "customer.one_picture_apart"
        return words.text(key, date=to, width=width)
    start = words.date(pair.before["date"])
    first, second = LABELS[kind]
    if first != "earlier":
        start += f", {words.text('label.in_words_' + first)}"
    if second == "after_work":
        to = words.text("label.in_words_after_work")
    key = "customer.pair_same" if pair.same_spot else "customer.pair_other"
    fields = {"from": start, "to": to, "width": width, "spot": pair.after["spot"]}
    return words.text(key, **fields)


def readings_of(rows: Sequence[Row], measure: str, factor: float = 1.0) -> list[Reading]:
    """Return a measure's visits for a chart; settings that changed break the line."""
    readings = []
    for row in rows:
        value, low, high = (row[f"{measure}{end}"] for end in ("", "_low", "_high"))
        readings.append(
            Reading(
                x=float(date.fromisoformat(row["date"]).toordinal()),
                value=None if value is None else value * factor,
                low=None if low is None else low * factor,
                high=None if high is None else high * factor,
                method=str(row.get("settings_id")),
            )
        )
    return readings


def zone_story(lawn: LawnRows, zone: str, words: Words) -> ZoneStory:
    """Return what a report says of one zone."""
    rows = lawn.zone_rows("visits", zone)
    now = latest_visit(lawn, zone)
    change = compared_change(lawn, zone, "condition")
    recovery = lawn.zone_rows("recovery", zone)
    figures = figures_of(lawn, zone, words)
    drawing, has_course = _recovery(lawn, recovery[-1], rows, words) if recovery else (None, False)
    value = now["condition"] if now else None
    return ZoneStory(
        zone=zone,
        title="" if zone == "all" else zone,
        measured_on=words.date(now["date"]) if now else "",
        basis=basis(lawn, zone),
        against=against(next(iter(compared_changes(lawn, zone)), None), words),
        ground=one_photo(lawn, zone, words),
        condition=words.bare("condition", value),
        condition_range=interval_of(now, "condition", words),
        trend=_trend(change, words),
        verdict=verdict_key(change),
        condition_chart=_drawing(lawn, zone, "condition", (0.0, 100.0), words),
        recovery=recovery_sentences(recovery[-1], words) if recovery else [],
        recovery_drawing=drawing,
        recovery_has_course=has_course,
        drawings=[_drawing(lawn, zone, m, span, words) for m, span in CHARTED.items()],
        figures=figures,
        surer=surer_words(figures, words),
        n_visits=len({row["date"] for row in rows if row["photos"]}),
    )


def measured_on(zone: ZoneStory, words: Words) -> str:
    """Return when the figures are from, what changes are told against, what they speak for."""
    parts = [words.text("customer.measured_on", date=zone.measured_on)]
    if zone.against:
        parts.append(words.text("customer.measured_against", against=zone.against))
    return " ".join([*parts, zone.ground] if zone.ground else parts)


def against(change: Row | None, words: Words) -> str:
    """Return what a change is told against, in a few words; empty when there is none."""
    if change is None:
        return ""
    return words.text(f"against.{change['kind']}", date=words.date(change["from_date"]))


def _trend(change: Row | None, words: Words) -> str:
    key = verdict_key(change)
    if change is None or key in ("by_work", "since_dip"):
        return words.text(f"verdict.{key}")
    return words.text("customer.trend", verdict=words.text(f"verdict.{key}"),
                      against=against(change, words))  # fmt: skip


def _drawing(
    lawn: LawnRows, zone: str, measure: str, span: tuple[float, float], words: Words
) -> Drawing:
    rows = lawn.zone_rows("visits", zone)
    factor = words.factor(measure)
    renovations = dict.fromkeys(r["renovation_date"] for r in lawn.zone_rows("recovery", zone))
    mark = words.text("customer.renovation")
    chart = trend_chart(
        readings_of(rows, measure, factor),
        y_range=(span[0] * factor, span[1] * factor),
        y_label=lambda value: _tick(measure, value, words),
        x_label=lambda day, in_days: words.date_pattern(
            day.isoformat(), "d MMM" if in_days else "MMM yy"
        ),
        marks=[(float(date.fromisoformat(d).toordinal()), mark) for d in renovations],
        description=describe(rows, measure, words),
    )
    return Drawing(measure, words.text(f"measure.{measure}"), chart)


def _tick(measure: str, value: float, words: Words) -> str:
    decimals = next(d for d in (0, 1, 2, 3) if d == 3 or abs(round(value, d) - value) < 1e-9)
    number = words.number(value, max(decimals, 1 if measure == "colour_index" else 0))
    return words.text("unit.percent", value=number) if measure.endswith("_pct") else number


def describe(rows: Sequence[Row], measure: str, words: Words) -> str:
    """Return a series in words, for those who cannot see its chart."""
    name = words.text(f"measure.{measure}")
    known = [row for row in rows if row[measure] is not None]
    if not known:
        return words.text("chart.describe_none", name=name)
    first, last = known[0], known[-1]
    fields = {
        "name": name,
        "from": words.date(first["date"]),
        "to": words.date(last["date"]),
        "first": words.value(measure, first[measure]),
        "last": words.value(measure, last[measure]),
        "n": len(known),
    }
    return words.text("chart.describe_one" if len(known) == 1 else "chart.describe", **fields)


def _recovery(
    lawn: LawnRows, row: Row, rows: Sequence[Row], words: Words
) -> tuple[Drawing | None, bool]:
    start = date.fromisoformat(row["renovation_date"]).toordinal()
    readings = [
        Reading(r.x - start, r.value, r.low, r.high, r.method)
        for r, source in zip(readings_of(rows, "green_cover_pct"), rows, strict=True)
        if r.x > start or (r.x == start and source["stage"] != "before")
    ]
    if sum(r.value is not None for r in readings) < 2:
        return None, False
    course = course_of(lawn, row)
    title = words.text(
        "chart.recovery",
        task=task_words(row["task"], words),
        date=words.date(row["renovation_date"]),
    )
    chart = recovery_chart(
        readings,
        before=row["cover_before"],
        course=course,
        y_label=lambda value: _tick("green_cover_pct", value, words),
        x_label=words.number,
        level_text=words.text("chart.before_level"),
        mark_text=words.text("customer.renovation"),
        description=f"{title}. " + " ".join(_plain(s) for s in recovery_sentences(row, words)),
    )
    return Drawing("recovery", title, chart), course is not None


def _plain(sentence: Markup) -> str:
    return sentence.striptags()


def _visits(lawn: LawnRows, words: Words) -> list[VisitEntry]:
    days = {row["date"] for row in (*lawn.photos, *lawn.work, *lawn.visits)}
    return [_visit(lawn, day, words) for day in sorted(days, reverse=True)]


def _visit(lawn: LawnRows, day: str, words: Words) -> VisitEntry:
    photos = [p for p in lawn.photos if p["date"] == day]
    refused = sum(p["status"] == "refused" for p in photos)
    lines = work_lines(lawn, day, words)
    if not lines:
        lines = [words.text("customer.visit_look")]
    said = ""
    if photos and refused == len(photos):
        said = words.text("customer.visit_all_refused")
    elif photos:
        said = words.counted("count.photos", len(photos))
        if refused:
            said += ", " + words.counted("count.refused", refused)
    return VisitEntry(day, words.date(day), lines, said)


def work_lines(lawn: LawnRows, day: str, words: Words) -> list[str]:
    """Return what was done on a day, a line a task, with the zones where it was not all of them."""
    zones: dict[str, list[str]] = {}
    for row in lawn.work:
        if row["date"] == day:
            zones.setdefault(_work_line(row, words), []).append(row["zone"] or "all")
    every = set(lawn.zones) | {"all"}
    return [
        line if set(where) & {"all"} or every - {"all"} <= set(where) else f"{line}, {_and(where)}"
        for line, where in zones.items()
    ]


def _and(zones: Sequence[str]) -> str:
    return ", ".join(f"“{zone}”" for zone in dict.fromkeys(zones))


def _work_line(row: Row, words: Words) -> str:
    line = task_words(row["task"], words)
    line = line[:1].upper() + line[1:]
    details = []
    if row["product"]:
        rate = row["rate"]
        details.append(
            row["product"]
            if rate is None or not row["rate_unit"]
            else words.text(
                "customer.work_detail",
                product=row["product"],
                amount=words.amount(rate, row["rate_unit"]),
            )
        )
    for column, key in (("height_mm", "height"), ("depth_mm", "depth")):
        if row[column] is not None:
            mm = words.number(row[column], 0 if float(row[column]).is_integer() else 1)
            details.append(words.text(f"customer.{key}", mm=mm))
    return f"{line} ({'; '.join(details)})" if details else line
