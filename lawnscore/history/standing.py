"""Which places stand flagged, and since when: one rule for all that is watched.

How clear a step must be follows from how often it is looked for. A round's flags may be false
:data:`FALSE_A_YEAR` times a lawn and year in all; each measure takes an equal share, and each
visit of the last year its share of that (Bonferroni). So a lawn that is seen four times a year
needs not be as clear off as one that is seen every fortnight, and no measure has a threshold of
its own.

A flag is raised by a visit at which the step is that clear, and held while it is not
:data:`HOLD` less clear; one that flickers at the edge is one flag. Each visit is judged by what
was known on its own day, so what was said of it never changes, and neither does ``since``, as
visits are added. What the round-mates' later visits explain is no longer shown.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import special

from lawnscore.history.drift import Visits, drift
from lawnscore.history.steps import PAST_VISITS, Drift
from lawnscore.history.watch import LOOK_BACK_DAYS, WATCHES, Watch, as_in_that_season

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

FALSE_A_YEAR = 0.05
"""False flags a lawn and year that are put up with, all measures together; our choice."""
HOLD = 1.0
"""Standard errors by which a standing flag's step may be less clear; our choice."""
LEAST_LOOKS = 4
"""Visits a year that are counted at least, also where the lawn is seen less often; our choice."""


def clear_from(looks: Index, false_a_year: float = FALSE_A_YEAR) -> Array:
    """Return from which standardised step on a place is off, by its visits of a year, (p,).

    A normal deviate that chance passes no more often than ``false_a_year`` at so many looks at so
    many measures.
    """
    looks = np.maximum(looks, LEAST_LOOKS)
    return np.asarray(-special.ndtri(false_a_year / (len(WATCHES) * looks)))


def looks_of_last_year(visits: Visits, n_places: int) -> Index:
    """Return how many visits each place had in the year up to its last, (p,)."""
    last = np.zeros(n_places, np.int64)
    np.maximum.at(last, visits.place, visits.day)
    year = visits.day > last[visits.place] - 365
    return np.bincount(visits.place[year], minlength=n_places)


@dataclass(frozen=True, eq=False)
class Look:
    """What one day's look says of each place, (p,).

    Parameters
    ----------
    moved
        The clearest steps.
    off, held
        Whether a place is clearly off, and whether a flag that stood would be held.
    """

    moved: Drift
    off: Flags
    held: Flags


@dataclass(frozen=True, eq=False)
class _Seen:
    """What a day shows, whatever the limit: steps, which are large and new, visits a year, (p,)."""

    moved: Drift
    large: Flags
    looks: Index


@dataclass(frozen=True, eq=False)
class Past:
    """The visits of one measure, to be looked at as of any day; each look is taken once."""

    visits: Visits
    watch: Watch
    n_places: int
    false_a_year: float = FALSE_A_YEAR
    seen: dict[int, _Seen] = field(default_factory=dict)
    taken: dict[int, Look] = field(default_factory=dict)

    def judged_by(self, false_a_year: float) -> Past:
        """Return the same past for another rate of false flags."""
        return Past(self.visits, self.watch, self.n_places, false_a_year, self.seen)

    def look(self, day: int) -> Look:
        """Return what was known at the end of a day."""
        if day not in self.taken:
            self.taken[day] = self._look(day)
        return self.taken[day]

    def _look(self, day: int) -> Look:
        if day not in self.seen:
            self.seen[day] = self._see(day)
        now, sign = self.seen[day], self.watch.sign
        limit = clear_from(now.looks, self.false_a_year)
        with np.errstate(invalid="ignore"):
            held = now.large & (sign * now.moved.z > limit - HOLD)
            return Look(now.moved, held & (sign * now.moved.z > limit), held)

    def _see(self, day: int) -> _Seen:
        watch, visits = self.watch, self.visits.those(self.visits.day <= day)
        moved = drift(visits, self.n_places, watch.priors, sign=watch.sign, min_past=watch.min_past)
        before = moved.last_value - moved.step
        change = watch.sign * (watch.back(moved.last_value) - watch.back(before))
        with np.errstate(invalid="ignore"):
            large = (change >= watch.least) & ~as_in_that_season(visits, moved, watch)
        return _Seen(moved, large, looks_of_last_year(visits, self.n_places))

    def days_of(self, place: int, day: int) -> Index:
        """Return the days of a place's visits up to a day, last first."""
        own = self.visits.day[(self.visits.place == place) & (self.visits.day <= day)]
        return np.asarray(own[::-1][:PAST_VISITS], np.int64)


def standing(past: Past, today: int) -> tuple[Drift, Flags, Index]:
    """Return the steps as of today, which places stand flagged, and the day since when, (p,)."""
    now = past.look(today)
    flagged = np.zeros(past.n_places, bool)
    since = now.moved.since.copy()
    recent = today - now.moved.last_day <= LOOK_BACK_DAYS
    for place in np.flatnonzero(now.held & recent):
        for day in past.days_of(int(place), today):
            then = past.look(int(day))
            if not then.held[place]:
                break
            flagged[place] |= then.off[place]
            since[place] = then.moved.since[place]
    return now.moved, flagged, since
