"""The order of visits for the coming weeks: a suggestion with its reasons."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import pandas as pd

from lawnscore.care.cautions import cautions_for
from lawnscore.care.route import LatLon
from lawnscore.care.season_steps import SeasonSteps, season_steps, with_steps
from lawnscore.care.step_amounts import step_amount
from lawnscore.care.units import positive
from lawnscore.care.visit_amounts import (
    Amount,
    FedRecord,
    Season,
    fed_record,
    feed_amounts,
    heavy_rain,
    last_sowing,
    seed_amounts,
)
from lawnscore.care.visit_days import Visit, driven, placed, presses
from lawnscore.care.visit_reasons import (
    PHOTOGRAPH_JOB,
    RECOVERY_CHECK_DAYS,
    USUAL_JOB,
    Place,
    Reason,
    flag_reasons,
    records,
    recovery_reasons,
    routine_reasons,
    usual_gap_days,
    visited,
)
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row
from lawnscore.contract.settings import HistorySettings, RouteSettings
from lawnscore.contract.tables import WORK
from lawnscore.history.attention import left_places
from lawnscore.register.programme import Programme

VISITS_A_DAY = 8
"""Lawns a day one person gets round; our choice."""

_TOGETHER_DAYS = 10
"""Reasons of one lawn that fall due this close together are one visit; our choice."""
_OVERSOW_FLAGS = {"recovery slow", "bare patches growing"}
_FEED_WAITS = {"cover falling", "colour fading", "disease weather", *_OVERSOW_FLAGS}
"""Flags whose cause is looked for before anything is fed."""
_RECOVERING = "recovery after"
_LONGEST_REST_DAYS = 366

NEXT_COLUMNS = (
    "order",
    "date",
    "lawn",
    "zone",
    "short",
    "why",
    "jobs",
    "amounts",
    "warnings",
    "cautions",
    "area_m2",
    "last_visit",
    "days_since",
    "due",
    "urgency",
    "growth_potential",
    "season",
    "km",
)
"""Columns of :func:`next_visits`. Texts of several parts are joined by line breaks; ``km`` is the
straight line from the stop before on that day."""


@dataclass(frozen=True)
class Planning:
    """How visits are planned.

    Parameters
    ----------
    weeks
        How far ahead.
    a_day
        Visits that fit in a working day (Monday to Friday).
    settings
        Longest gap between visits, hemisphere.
    programme
        The season's programme; without one a routine visit is for usual care.
    base
        Where each day begins and ends, latitude and longitude.
    """

    weeks: int = 4
    a_day: int = VISITS_A_DAY
    settings: HistorySettings = field(default_factory=HistorySettings)
    programme: Programme | None = None
    base: LatLon | None = None


def next_visits(
    visit_scores: pd.DataFrame | None,
    attention: pd.DataFrame | None = None,
    recovery: pd.DataFrame | None = None,
    lawns: pd.DataFrame | None = None,
    work: pd.DataFrame | None = None,
    weather: pd.DataFrame | None = None,
    *,
    today: str,
    options: Planning | None = None,
) -> pd.DataFrame:
    """Return the suggested visits of the coming weeks, in order.

    Parameters
    ----------
    visit_scores, attention, recovery
        Output tables of the round; ``None`` or empty where there are none.
    lawns, work, weather
        The register; a lawn that has left gets no visits. ``weather`` may hold a forecast for days
        to come.
    today
        Date to plan from (YYYY-MM-DD).
    options
        How far ahead, how many a day, by which settings and programme.

    Returns
    -------
    DataFrame
        :data:`NEXT_COLUMNS`, one row a visit of a lawn; ``zone`` names the zones with a reason,
        ``all`` when that is the whole lawn. Reasons that fall due close together are one visit.

    Notes
    -----
    A visit is due by its most pressing reason: a flag of attention.csv, a look at a recovering
    sward, or the lawn's usual gap between visits. Pressing flags come first, by urgency, as soon
    as there is room; then days are filled by due date, urgency and area. A visit takes along the
    steps of the programme that are open on its day, and a step that makes visits asks for one in
    its last week. While growth rests there is no routine visit. Amounts are given where product
    and rate are on record, or in the programme. The season comes from growth potential where
    weather is known, else from the calendar. Where the register has places, the visits of a day
    are in the order of a short way (:mod:`lawnscore.care.route`).

    Raises
    ------
    LawnscoreError
        When a date cannot be read, or weeks or visits a day are not above 0.
    """
    options = options or Planning()
    settings, programme = options.settings, options.programme
    start = _date(today)
    end = start + timedelta(weeks=int(positive("weeks", options.weeks)))
    positive("visits a day", options.a_day)
    gone = left_places(lawns, start.isoformat())
    areas = {p: size for p, size in _areas(lawns, visit_scores).items() if p not in gone}
    days = visited(visit_scores, work, start)
    matters = [*flag_reasons(attention, start), *recovery_reasons(recovery, days, start)]
    matters = [reason for reason in matters if (reason.lawn, reason.zone) not in gone]
    steps = season_steps(
        programme or Programme(), visit_scores, work, weather,
        today=start, settings=settings, waits=_waiting(matters),
    )  # fmt: skip
    usual = USUAL_JOB if programme is None else PHOTOGRAPH_JOB
    reasons = [*matters, *routine_reasons(list(areas), days, start, settings, job=usual)]
    reasons += [reason for place in areas for reason in steps.closing(place, start, end)]
    reasons = [_when_it_grows(reason, start, steps) for reason in reasons]
    visits = _bundled(
        reasons, end, start, lambda p: usual_gap_days(days.get(p, []), days, settings)
    )
    planned = with_steps(placed(visits, start, options.a_day, areas), steps, list(areas))
    planned = driven(planned, _where(lawns), options.base)
    known = _Known(
        areas, days, fed_record(_until(work, start)), last_sowing(work), weather, steps,
        by_programme=programme is not None,
    )  # fmt: skip
    rows = [_row(n, visit, known, steps.state(visit.day).season)
            for n, visit in enumerate(planned, 1)]  # fmt: skip
    out = pd.DataFrame(rows, columns=list(NEXT_COLUMNS))
    text = [c for c in NEXT_COLUMNS if c not in _NUMBERS]
    return out.astype(_NUMBERS | dict.fromkeys(text, "string"))


_NUMBERS = {
    "order": "Int64",
    "area_m2": "float64",
    "days_since": "Int64",
    "urgency": "float64",
    "growth_potential": "float64",
    "km": "float64",
}


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise LawnscoreError(f"{text!r} is no date", "Write it as YYYY-MM-DD.") from None


def _until(work: pd.DataFrame | None, day: date) -> pd.DataFrame:
    table = WORK.frame([]) if work is None else work
    return table[table["date"] <= day.isoformat()]


def _areas(lawns: pd.DataFrame | None, visit_scores: pd.DataFrame | None) -> dict[Place, float]:
    areas: dict[Place, float] = {}
    for row in records(lawns):
        area = row.get("area_m2")
        areas[row["lawn"], row["zone"] or "all"] = math.nan if area is None else float(area)
    for row in records(visit_scores, ("lawn", "zone")):
        areas.setdefault((row["lawn"], row["zone"]), math.nan)
    return areas


def base_of(route: RouteSettings) -> LatLon | None:
    """Return where the days of a round begin and end; ``None`` where it is not set whole."""
    if route.start_latitude_deg is None or route.start_longitude_deg is None:
        return None
    return route.start_latitude_deg, route.start_longitude_deg


def _where(lawns: pd.DataFrame | None) -> dict[str, LatLon]:
    """Return where each lawn lies: the middle of those of its zones that have a place."""
    places: dict[str, list[LatLon]] = defaultdict(list)
    for row in records(lawns):
        latitude, longitude = row.get("latitude_deg"), row.get("longitude_deg")
        if latitude is not None and longitude is not None:
            places[row["lawn"]].append((float(latitude), float(longitude)))
    return {
        lawn: (statistics.fmean(x for x, _ in own), statistics.fmean(y for _, y in own))
        for lawn, own in places.items()
    }


def _waiting(reasons: Sequence[Reason]) -> dict[Place, str]:
    """Return why feeding and work that opens the turf wait on a zone."""
    waits = {}
    for reason in reasons:
        if reason.short.startswith(_RECOVERING):
            waits[reason.lawn, reason.zone] = "the young sward is to come back first"
        elif reason.flag in _FEED_WAITS:
            waits.setdefault((reason.lawn, reason.zone), f"find out first why ({reason.flag})")
    return waits


def _when_it_grows(reason: Reason, start: date, steps: SeasonSteps) -> Reason:
    """Return a routine reason for the first day on which the grass grows; others as they are."""
    due = max(reason.due, start)
    if reason.short != "routine" or not steps.state(due).season.resting:
        return reason
    awake = due
    while steps.state(awake).season.resting and (awake - due).days < _LONGEST_REST_DAYS:
        awake += timedelta(days=1)
    why = f"{reason.why.rstrip('.')}; growth rests until about {awake}."
    return replace(reason, due=awake, why=why)


def _bundled(
    reasons: Sequence[Reason], end: date, start: date, gap_of: Callable[[Place], int]
) -> list[Visit]:
    """Join the reasons of each lawn that fall due close together into visits before ``end``."""
    by_lawn: dict[str, list[Reason]] = defaultdict(list)
    for reason in reasons:
        by_lawn[reason.lawn].append(replace(reason, due=max(reason.due, start)))
    visits = []
    for lawn, own in sorted(by_lawn.items()):

        def wanted(reason: Reason) -> date:
            return start if presses(reason) else reason.due

        left = sorted(own, key=wanted)
        while left and wanted(left[0]) <= end:
            made = wanted(left[0])
            # What is flagged is looked at by whichever visit comes first.
            now = [r for r in left if r.flag or (wanted(r) - made).days <= _TOGETHER_DAYS]
            visits.append(Visit(lawn, made, _without_idle(now)))
            later = [r for r in left if r not in now]
            again = [_again(r, made, gap_of) for r in now if _comes_back(r)]
            again += [_again(r, made, gap_of) if r.short == "routine" else r for r in later]
            left = sorted(again, key=wanted)
    return visits


def _comes_back(reason: Reason) -> bool:
    return reason.short == "routine" or reason.short.startswith(_RECOVERING)


def _again(reason: Reason, made: date, gap_of: Callable[[Place], int]) -> Reason:
    """Return the reason for the visit after the one made: that visit starts its gap anew."""
    wait = gap_of((reason.lawn, reason.zone)) if reason.short == "routine" else RECOVERY_CHECK_DAYS
    why = reason.why
    if reason.short == "routine":
        why = f"{wait} days after the visit suggested for about {made}."
    return replace(reason, due=made + timedelta(days=wait), why=why)


def _without_idle(reasons: Sequence[Reason]) -> tuple[Reason, ...]:
    """Leave a routine reason out where the zone has a better one; most urgent first."""
    busy = {reason.zone for reason in reasons if reason.short not in ("routine", "never visited")}
    flagged = {(r.zone, "recovery slow") for r in reasons if r.short.startswith("recovery slow")}
    kept = [
        r
        for r in reasons
        if not (r.short in ("routine", "never visited") and r.zone in busy)
        and not (r.short.endswith(": slow") and (r.zone, "recovery slow") in flagged)
    ]
    return tuple(sorted(kept, key=lambda r: (-r.urgency, r.due, r.zone)))


@dataclass(frozen=True, eq=False)
class _Known:
    """What the rows are written from."""

    areas: dict[Place, float]
    days: dict[Place, list[date]]
    fed: FedRecord
    sowing: tuple[str, float] | None
    weather: pd.DataFrame | None
    steps: SeasonSteps
    by_programme: bool


def _row(order: int, visit: Visit, known: _Known, season: Season) -> Row:
    zones = list(dict.fromkeys(reason.zone for reason in visit.reasons))
    every = {zone for lawn, zone in known.areas if lawn == visit.lawn}
    mine = {(visit.lawn, z): known.areas.get((visit.lawn, z), math.nan) for z in zones}
    seen = [known.days[place][-1] for place in mine if known.days.get(place)]
    amounts = _amounts(visit, mine, known, season)
    tasks = {t for r in visit.reasons for t in r.tasks} | {t for _, a in amounts for t in a.tasks}
    feeds = "feed" in tasks
    return {
        "order": order,
        "date": visit.day.isoformat(),
        "lawn": visit.lawn,
        "zone": "all" if len(zones) > 1 and set(zones) == every else ", ".join(zones),
        "short": _together(((r.short, r.zone) for r in visit.reasons), zones, "; "),
        "why": _together(((r.why, r.zone) for r in visit.reasons), zones),
        "jobs": _jobs(visit, zones),
        "amounts": _together(((a.text, place[1]) for place, a in amounts), zones),
        "warnings": heavy_rain(known.weather, visit.day) if feeds else "",
        "cautions": "\n".join(caution.text for caution in cautions_for(tasks)),
        "area_m2": math.fsum(mine.values()),
        "last_visit": max(seen).isoformat() if seen else pd.NA,
        "days_since": (visit.day - max(seen)).days if seen else pd.NA,
        "due": visit.due.isoformat(),
        "urgency": visit.urgency,
        "growth_potential": season.growth,
        "season": season.words,
        "km": visit.km,
    }


def _jobs(visit: Visit, zones: Sequence[str]) -> str:
    """Return the jobs, those of a step with the zones that it is for."""
    whole = [reason.job for reason in visit.reasons if not reason.step]
    steps = _together(((r.job, r.zone) for r in visit.reasons if r.step), zones)
    return "\n".join([*dict.fromkeys(whole), *([steps] if steps else [])])


def _together(lines: Iterable[tuple[str, str]], zones: Sequence[str], separator: str = "\n") -> str:
    """Join lines of zones; a line that several zones share is written once, with their names."""
    places: dict[str, list[str]] = {}
    for text, zone in lines:
        if not text:
            continue
        places.setdefault(text, []).append(zone)
    if len(zones) == 1:
        return separator.join(places)
    return separator.join(
        text if len(set(own)) == len(zones) else f"{', '.join(own)}: {text}"
        for text, own in places.items()
    )


def _amounts(
    visit: Visit, places: dict[Place, float], known: _Known, season: Season
) -> list[tuple[Place, Amount]]:
    """Return feed for zones with nothing to find out first, seed for those flagged as thin."""
    thin = {reason.zone for reason in visit.reasons if reason.flag in _OVERSOW_FLAGS}
    young = {reason.zone for reason in visit.reasons if reason.short.startswith(_RECOVERING)}
    waits = young | {reason.zone for reason in visit.reasons if reason.flag in _FEED_WAITS}
    fed = {place: area for place, area in places.items() if place[1] not in waits}
    by_step = {r.zone for r in visit.reasons if r.step and "seed" in r.tasks}
    sown = {p: area for p, area in places.items() if p[1] in thin - by_step}
    seeds = seed_amounts(sown, known.sowing, season)
    if known.by_programme:
        lines = _step_amounts(visit, places, known)
        return [*lines, *((place, line) for place, line in seeds.items())]
    feeds = feed_amounts(fed, known.fed, visit.day, season)
    return [(place, line) for part in (feeds, seeds) for place, line in part.items()]


def _step_amounts(
    visit: Visit, places: dict[Place, float], known: _Known
) -> list[tuple[Place, Amount]]:
    lines = []
    for reason in visit.reasons:
        step, place = known.steps.step(reason.short), (visit.lawn, reason.zone)
        if step is None:
            continue
        amount = step_amount(step, place, places[place], known.fed, visit.day)
        if amount is not None:
            lines.append((place, amount))
    return lines
