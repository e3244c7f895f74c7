"""On which day a visit fits, and in which order the visits of a day are driven."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import groupby

from lawnscore.care.route import LatLon, best_order, distance_km
from lawnscore.care.visit_reasons import (
    FLAG_DAYS,
    OTHER_FLAG_DAYS,
    URGENT_DAYS,
    Place,
    Reason,
)


@dataclass(frozen=True)
class Visit:
    """A visit of one lawn: when it is wanted, why, its day, and km from the stop before.

    ``km`` is a straight line; NaN where a place is not known.
    """

    lawn: str
    wanted: date
    reasons: tuple[Reason, ...]
    day: date = date.min
    km: float = math.nan

    @property
    def urgent(self) -> bool:
        """Whether one of its flags presses."""
        return any(presses(reason) for reason in self.reasons)

    @property
    def due(self) -> date:
        """Day on which the first of its reasons falls due."""
        return min(reason.due for reason in self.reasons)

    @property
    def urgency(self) -> float:
        """Expected loss of all its reasons together."""
        return math.fsum(reason.urgency for reason in self.reasons)


def presses(reason: Reason) -> bool:
    """Tell whether a flag asks for a visit as soon as there is room."""
    return FLAG_DAYS.get(reason.flag, OTHER_FLAG_DAYS) <= URGENT_DAYS


def placed(
    visits: Sequence[Visit], start: date, a_day: int, areas: Mapping[Place, float]
) -> list[Visit]:
    """Give each visit the first working day with room, from its due date on; by day."""

    def area(visit: Visit) -> float:
        sizes = [areas.get((visit.lawn, reason.zone), 0.0) for reason in visit.reasons]
        return sum(size for size in sizes if size > 0)

    load: Counter[date] = Counter()
    out = []
    order = sorted(visits, key=lambda v: (v.wanted, -v.urgency, -area(v), v.lawn))
    pressing = sorted((v for v in order if v.urgent), key=lambda v: -v.urgency)
    for visit in [*pressing, *(v for v in order if not v.urgent)]:
        day = _working_day(visit.wanted, start)
        while load[day] >= a_day:
            day = _working_day(day + timedelta(days=1), day + timedelta(days=1))
        load[day] += 1
        out.append(replace(visit, day=day))
    return sorted(out, key=lambda v: v.day)


def _working_day(day: date, start: date) -> date:
    """Return the working day nearest to a day, but not before ``start``."""
    if day.weekday() < 5:
        return day
    friday = day - timedelta(days=day.weekday() - 4)
    return friday if day.weekday() == 5 and friday >= start else day + timedelta(7 - day.weekday())


def driven(
    visits: Sequence[Visit], places: Mapping[str, LatLon], base: LatLon | None = None
) -> list[Visit]:
    """Put the visits of each day in the order of a short way round.

    Parameters
    ----------
    visits
        Sorted by day.
    places
        Where the lawns lie; those without a place keep their order and come last.
    base
        Where each day begins and ends.
    """
    out: list[Visit] = []
    for _, group in groupby(visits, key=lambda visit: visit.day):
        own = list(group)
        known = [visit for visit in own if visit.lawn in places]
        order = best_order([places[visit.lawn] for visit in known], base)
        here = base
        for visit in (known[k] for k in order):
            there = places[visit.lawn]
            out.append(replace(visit, km=math.nan if here is None else distance_km(here, there)))
            here = there
        out += [visit for visit in own if visit.lawn not in places]
    return out
