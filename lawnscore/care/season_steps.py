"""Which steps of the season's programme are open on a day, and wanted on a zone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import pandas as pd

from lawnscore.care.units import significant
from lawnscore.care.visit_amounts import Season, season_on
from lawnscore.care.visit_days import Visit
from lawnscore.care.visit_reasons import Place, Reason, records
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import STAGE_ORDER
from lawnscore.history.season import RESTING, Array, read_weather
from lawnscore.register.programme import OnlyIf, Programme, Step

FIGURE_DAYS = 180
"""Days after which a figure of a lawn no longer decides on a step; our choice."""
SOIL_DAYS = 10
"""Days of air temperature whose mean stands in for the soil's: common practice, no source."""
LAST_WEEK_DAYS = 6
"""A step that makes a visit asks for it so many days before it closes; our choice."""
WAITING_TASKS = {"feed", "scarify", "hollow-tine", "aerate", "top-dress"}
"""Tasks that wait until the cause of a flag is known, or a young sward is firm."""


@dataclass(frozen=True)
class DayState:
    """A day as the programme sees it: its season, soil temperature (NaN unknown) and how known."""

    day: date
    season: Season
    soil_c: float
    soil_from: str


@dataclass(frozen=True)
class Figure:
    """A measure at a zone's last visit."""

    value: float
    low: float | None
    high: float | None
    day: date


@dataclass(frozen=True, eq=False)
class SeasonSteps:
    """The programme of a round, ready to be asked by zone and day.

    Parameters
    ----------
    programme
        The steps.
    settings
        Says on which half of the earth the round lies.
    weather
        The table, or ``None``.
    figures
        Last figures by zone and measure.
    done
        Days of work by zone and task, in order.
    waits
        Why :data:`WAITING_TASKS` wait on a zone, in words.
    soil
        Its soil temperatures.
    """

    programme: Programme
    settings: HistorySettings
    weather: pd.DataFrame | None
    figures: Mapping[tuple[str, str, str], Figure]
    done: Mapping[tuple[str, str, str], list[date]]
    waits: Mapping[Place, str] = field(default_factory=dict)
    soil: Soil = field(default_factory=lambda: Soil({}, {}, None))
    _days: dict[date, DayState] = field(default_factory=dict)

    def state(self, day: date) -> DayState:
        """Return the season and the soil of a day; looked up once."""
        if day not in self._days:
            soil, source = self.soil.at(day)
            season = season_on(day, self.weather, self.settings)
            self._days[day] = DayState(day, season, soil, source)
        return self._days[day]

    def is_open(self, step: Step, day: date) -> bool:
        """Return whether the time of a step has come; no lawn is asked."""
        months = self.programme.months(step, south=self.settings.south)
        if months and day.month not in months:
            return False
        state = self.state(day)
        if step.task in ("feed", "overseed") and state.season.frozen:
            return False
        warm = _warm_enough(step, state)
        return warm and _within(state.season.growth, None, step.growth_to)

    def reasons(self, place: Place, day: date, planned: Mapping[str, date]) -> Iterator[Reason]:
        """Yield the steps that a visit to a zone on a day takes along.

        Parameters
        ----------
        planned
            Day by task on which an earlier visit of this plan does it.
        """
        for step in self.programme.steps:
            if self.is_open(step, day) and self._wanted(step, place, day, planned):
                yield self._reason(step, place, day)

    def closing(self, place: Place, start: date, end: date) -> Iterator[Reason]:
        """Yield the steps that need a visit of their own, since they close before ``end``."""
        for step in self.programme.steps:
            if not step.makes_visit or self._waits(step, place):
                continue
            run = self._run(step, place, start, end + timedelta(days=1))
            if run is not None and run[1] <= end:
                due = max(run[0], run[1] - timedelta(days=LAST_WEEK_DAYS))
                reason = self._reason(step, place, due)
                last = f"{step.name}: open until {run[1]}."
                why = f"{last}\n{reason.why}" if reason.why else last
                yield replace(reason, why=why)

    def step(self, name: str) -> Step | None:
        """Return the step of a name."""
        return next((step for step in self.programme.steps if step.name == name), None)

    def _run(self, step: Step, place: Place, start: date, end: date) -> tuple[date, date] | None:
        """Return the first and last day of the first stretch in which a step is open and wanted."""
        first = last = None
        for ahead in range((end - start).days + 1):
            day = start + timedelta(days=ahead)
            if self.is_open(step, day) and self._wanted(step, place, day, {}):
                first, last = first or day, day
            elif first is not None:
                break
        return None if first is None or last is None else (first, last)

    def _wanted(self, step: Step, place: Place, day: date, planned: Mapping[str, date]) -> bool:
        before = [*self.done.get((*place, step.task), []), *self.done.get(
            (place[0], "all", step.task), [])]  # fmt: skip
        if step.task in planned:
            before.append(planned[step.task])
        if any(0 <= (day - done).days < step.every_days for done in before):
            return False
        return step.only_if is None or self._figure_calls(step.only_if, place, day)

    def _figure_calls(self, wanted: OnlyIf, place: Place, day: date) -> bool:
        figure = self.figures.get((*place, wanted.measure))
        if figure is None or (day - figure.day).days > FIGURE_DAYS:
            return False
        return _within(figure.value, wanted.above, wanted.below, open_=True)

    def _waits(self, step: Step, place: Place) -> str:
        return self.waits.get(place, "") if step.task in WAITING_TASKS else ""

    def _reason(self, step: Step, place: Place, day: date) -> Reason:
        waits = self._waits(step, place)
        job = f"{step.name[:1].upper()}{step.name[1:]}: " + (f"waits, {waits}." if waits else "")
        job = job if waits else f"{job}{step.note or step.task}"
        why = ""
        if step.only_if is not None:
            figure = self.figures[*place, step.only_if.measure]
            why = f"{step.name}: {figure_words(step.only_if, figure)}."
        tasks = () if waits else (_CAUTION_WORDS.get(step.task, step.task),)
        name = "" if waits else step.name
        return Reason(*place, day, 0.0, name, why, job, tasks, step=step.name)


_CAUTION_WORDS = {"overseed": "seed"}


def season_steps(
    programme: Programme,
    visit_scores: pd.DataFrame | None,
    work: pd.DataFrame | None,
    weather: pd.DataFrame | None,
    *,
    today: date,
    settings: HistorySettings,
    waits: Mapping[Place, str] | None = None,
) -> SeasonSteps:
    """Return the programme with what is known of the round up to ``today``."""
    done: dict[tuple[str, str, str], list[date]] = {}
    for row in records(work, ("lawn", "zone", "task", "date")):
        day = date.fromisoformat(str(row["date"])[:10])
        if day <= today:
            done.setdefault((row["lawn"], row["zone"], row["task"]), []).append(day)
    wanted = {step.only_if.measure for step in programme.steps if step.only_if is not None}
    figures = last_figures(visit_scores, today, sorted(wanted))
    return SeasonSteps(programme, settings, weather, figures, done, waits or {}, soil_of(weather))


def with_steps(visits: Sequence[Visit], steps: SeasonSteps, places: Sequence[Place]) -> list[Visit]:
    """Return the visits with the steps that are open on their days, for every zone of the lawn.

    A routine reason gives way where growth rests and the visit has another reason.
    """
    planned: dict[Place, dict[str, date]] = {}
    out = []
    for visit in visits:
        reasons = list(visit.reasons)
        if steps.state(visit.day).season.resting:
            reasons = [r for r in reasons if r.short != "routine"] or reasons
        for place in (place for place in places if place[0] == visit.lawn):
            have = {reason.step for reason in reasons if reason.zone == place[1]}
            own = planned.setdefault(place, {})
            new = [r for r in steps.reasons(place, visit.day, own) if r.step not in have]
            reasons += new
            for reason in reasons:
                step = steps.step(reason.step) if reason.zone == place[1] else None
                if step is not None and reason.short:
                    own[step.task] = visit.day
        out.append(replace(visit, reasons=tuple(reasons)))
    return out


def last_figures(
    visit_scores: pd.DataFrame | None, today: date, measures: list[str]
) -> dict[tuple[str, str, str], Figure]:
    """Return the last known figure of every zone and measure up to ``today``."""
    figures: dict[tuple[str, str, str], Figure] = {}
    ends = [f"{m}{end}" for m in measures for end in ("", "_low", "_high")]
    if visit_scores is None or visit_scores.empty:
        return figures
    rows = records(visit_scores, ("lawn", "zone", "date", "stage", *ends))
    for row in sorted(rows, key=lambda r: (str(r["date"]), STAGE_ORDER.get(r["stage"], 9))):
        day = date.fromisoformat(str(row["date"])[:10])
        for measure in measures:
            if day <= today and row[measure] is not None:
                low, high = row[f"{measure}_low"], row[f"{measure}_high"]
                figures[row["lawn"], row["zone"], measure] = Figure(row[measure], low, high, day)
    return figures


def figure_words(wanted: OnlyIf, figure: Figure) -> str:
    """Return a figure with its interval, and the value it stands above or below.

    >>> figure = Figure(18.2, 12.0, 24.0, date(2025, 8, 5))
    >>> figure_words(OnlyIf("straw_cover_pct", above=15), figure)
    'straw cover 18 % (12 to 24) on 2025-08-05, above 15; the interval leaves it open'
    """
    words = wanted.measure.removesuffix("_pct").replace("_", " ")
    unit = " %" if wanted.measure.endswith("_pct") else ""
    digits = 3 if MEASURES[wanted.measure].kind == "index" else 2
    text = f"{words} {significant(figure.value, digits)}{unit}"
    known = figure.low is not None and figure.high is not None
    if known:
        low, high = (significant(float(end or 0.0), digits) for end in (figure.low, figure.high))
        text += f" ({low} to {high})"
    else:
        text += " (too few photos to say how sure)"
    limits = [("above", wanted.above), ("below", wanted.below)]
    said = " and ".join(f"{word} {limit:g}" for word, limit in limits if limit is not None)
    text += f" on {figure.day}, {said}"
    straddles = known and any(
        float(figure.low or 0.0) <= limit <= float(figure.high or 0.0)
        for _, limit in limits
        if limit is not None
    )
    return f"{text}; the interval leaves it open" if straddles else text


@dataclass(frozen=True, eq=False)
class Soil:
    """Soil temperatures of a round: measured, and the air's where they are not.

    Parameters
    ----------
    measured, air
        Degrees C by day, as weather.csv has them.
    usual_c
        (366,) usual air temperature by day of the year; ``None`` without weather.
    """

    measured: Mapping[date, float]
    air: Mapping[date, float]
    usual_c: Array | None

    def at(self, day: date) -> tuple[float, str]:
        """Return the soil temperature of a day, degrees C, and how it is known; NaN if it is not.

        The last `soil_c` up to a week old; else the mean air temperature of ten days
        (:data:`SOIL_DAYS`); else the usual air temperature of the day.
        """
        before = [day - timedelta(days=back) for back in range(SOIL_DAYS)]
        for one in before[:7]:
            if one in self.measured:
                return self.measured[one], "measured"
        air = [self.air[one] for one in before if one in self.air]
        if len(air) >= SOIL_DAYS // 2:
            return math.fsum(air) / len(air), "by the air"
        if self.usual_c is None:
            return math.nan, ""
        return float(self.usual_c[day.timetuple().tm_yday - 1]), "by the usual air"


def soil_of(weather: pd.DataFrame | None) -> Soil:
    """Return the soil temperatures that the table of weather tells."""
    rows = [(date.fromisoformat(str(row["date"])[:10]), row) for row in records(weather)]
    known = read_weather(weather)
    return Soil(
        {day: float(row["soil_c"]) for day, row in rows if row.get("soil_c") is not None},
        {day: float(row["mean_c"]) for day, row in rows if row.get("mean_c") is not None},
        None if known is None else known.usual_c,
    )


def _warm_enough(step: Step, state: DayState) -> bool:
    """Tell whether growth and soil allow a step; where neither is known the calendar decides."""
    season = state.season
    growth, soil = season.growth, state.soil_c
    if step.growth_from is not None and math.isnan(growth):
        grows = season.growing if step.growth_from > RESTING else not season.resting
        if not grows:
            return False
    if step.soil_from_c is not None and math.isnan(soil) and season.resting:
        return False
    limits = ((growth, step.growth_from, None), (soil, step.soil_from_c, step.soil_to_c))
    return all(_within(value, low, high) for value, low, high in limits)


def _within(value: float, low: float | None, high: float | None, *, open_: bool = False) -> bool:
    """Tell whether a value lies within limits; an unknown one is limited by nothing."""
    if math.isnan(value):
        return True
    if open_:
        return (low is None or value > low) and (high is None or value < high)
    return (low is None or value >= low) and (high is None or value <= high)
