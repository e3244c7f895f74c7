"""What the visits say of each renovation: cover before, after and since, on a clock of growth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.history.change_error import change_error, own_variance
from lawnscore.history.drift import COVER_PRIORS, Visits, round_course
from lawnscore.history.intervals import half_width_se
from lawnscore.history.season import GrowthClock, growth_clock, read_weather
from lawnscore.history.series import (
    Occasions,
    day_numbers,
    next_begun,
    renovations,
    set_back,
    work_at_places,
)

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

BEFORE_DAYS = 75
"""How old the last photos before the work may be; our choice."""
COURSE_DAYS = 200
"""Visits later than this after the work tell of the next season, not of regrowth; our choice."""
SWARD_SD = 2.5
"""Points by which weather and season move a sward off a smooth course; our choice."""
SET_BACK_DAYS = 90
"""How long a renovated lawn is no guide to the season of the others; our choice."""
UNKNOWN_SE = 6.0
"""Points; standard error taken for a visit without interval; our choice."""
UNRECORDED_DROP = 10.0
"""Points of cover lost between before and after on one date that tell of unrecorded work."""
_MOST_VISITS = 16


@dataclass(frozen=True, eq=False)
class Cases:
    """One row a renovation, arrays (r,) unless said; times run from the end of the work.

    Parameters
    ----------
    place, day, end_day, task
        Where, first and last day of the work, and what it was.
    before, before_se, before_day
        Cover before and its day; NaN and -1 when it was not photographed.
    t, y, sd
        (r, k) time on the clock, cover less what the round's other lawns did since the work, and
        its standard error; NaN-padded.
    cover, seen_day
        (r, k) cover as seen and the day; padded with NaN and -1.
    now, now_day
        Cover and day of the last visit before the next renovation; NaN and -1 when none.
    after
        Cover just after the work.
    n_after
        Photographed occasions after the work within :data:`COURSE_DAYS`.
    """

    place: Index
    day: Index
    end_day: Index
    task: npt.NDArray[np.object_]
    before: Array
    before_se: Array
    before_day: Index
    t: Array
    y: Array
    sd: Array
    cover: Array
    seen_day: Index
    now: Array
    now_day: Index
    after: Array
    n_after: Index


def until(table: pd.DataFrame, today: str | None) -> pd.DataFrame:
    """Return the rows dated no later than ``today``; all of them when that is ``None``."""
    if today is None or table.empty:
        return table
    day = day_numbers(table["date"])
    limit = day_numbers(pd.Series([today]))[0]
    return pd.DataFrame(table.loc[day <= limit])


def find_renovations(series: Occasions, work: pd.DataFrame | None) -> pd.DataFrame:
    """Return the renovations in the work table, and those that only the photos tell of."""
    done = renovations(work_at_places(work, series.places))
    return _with_unrecorded(series, done)


def _with_unrecorded(series: Occasions, done: pd.DataFrame) -> pd.DataFrame:
    cover = series.values("green_cover_pct")
    before, after = series.stage == 0, series.stage == 2
    _, i, j = np.intersect1d(series.visit[before], series.visit[after], return_indices=True)
    a, b = np.flatnonzero(before)[i], np.flatnonzero(after)[j]
    with np.errstate(invalid="ignore"):
        dropped = cover[a] - cover[b] >= UNRECORDED_DROP
    rows = a[dropped]
    known = set(zip(done["place"], done["day"], strict=True))
    near = [
        any((int(series.place[r]), int(series.day[r]) + k) in known for k in range(-14, 15))
        for r in rows
    ]
    rows = rows[~np.asarray(near, bool)]
    extra = pd.DataFrame(
        {
            "place": series.place[rows],
            "day": series.day[rows],
            "last_day": series.day[rows],
            "task": "unrecorded",
        }
    )
    if extra.empty:
        return done
    both = extra if done.empty else pd.concat([done, extra], ignore_index=True)
    return both.sort_values(["place", "day"], kind="stable").reset_index(drop=True)


def regrowth_clock(
    weather: pd.DataFrame | None, series: Occasions, done: pd.DataFrame
) -> GrowthClock | None:
    """Return the growth clock of the round; ``None`` without weather: plain days."""
    record = read_weather(weather)
    if record is None or not len(series.day):
        return None
    first = int(min(series.day.min(), done["day"].min()))
    return growth_clock(record, first, int(max(series.day.max(), done["last_day"].max())))


def elapsed(clock: GrowthClock | None, start: Index, end: Index) -> Array:
    """Return the time from ``start`` to ``end`` on the clock; in days without one."""
    if clock is None:
        return np.asarray(end - start, float)
    return np.asarray(clock.at(end) - clock.at(start))


def _cover(series: Occasions) -> tuple[Array, Array]:
    cover = series.values("green_cover_pct")
    se = half_width_se(series.values("green_cover_pct_low"), series.values("green_cover_pct_high"))
    return cover, np.where(np.isfinite(se) & (se > 0), se, UNKNOWN_SE)


def renovation_cases(
    series: Occasions,
    done: pd.DataFrame,
    clock: GrowthClock | None,
    *,
    course_days: int = COURSE_DAYS,
) -> Cases:
    """Return what the visit table says of each renovation, up to so many days after the work."""
    cover, se = _cover(series)
    rows = np.flatnonzero(np.isfinite(cover))
    place = done["place"].to_numpy()
    day, end_day = done["day"].to_numpy(), done["last_day"].to_numpy()
    last_before = series.last_before(rows, place, day)
    first_after = series.first_after(rows, place, end_day)
    # the `before` photos of the next renovation's day still show where this one got to
    stop = series.last_before(rows, place, next_begun(done)) + 1
    before = rows[np.maximum(last_before, 0)] if len(rows) else np.zeros_like(place)
    has_before = last_before >= 0
    has_before &= day - series.day[before] <= BEFORE_DAYS
    n_later = np.where(first_after >= 0, np.maximum(stop - first_after, 0), 0)
    first_after = np.maximum(first_after, 0)
    index = first_after[:, None] + np.arange(_MOST_VISITS)
    inside = np.arange(_MOST_VISITS) < n_later[:, None]
    seen = rows[np.minimum(index, len(rows) - 1)] if len(rows) else np.zeros_like(index)
    inside &= series.day[seen] - end_day[:, None] <= course_days
    last = rows[np.clip(stop - 1, 0, len(rows) - 1)] if len(rows) else np.zeros_like(place)
    t = elapsed(clock, end_day[:, None], series.day[seen])
    effect, unknown = others_course(series, done, series.day)
    # what the other lawns did since, season or drought, is none of the recovery's doing
    shift = effect[seen] - np.where(has_before, effect[before], 0.0)[:, None]
    shift = np.where(has_before[:, None], shift, 0.0)
    before_se, sd = _errors_apart(series, se, before, seen)
    before_se = np.where(has_before, before_se, np.nan)
    sd = np.where(has_before[:, None], sd, se[seen])
    return Cases(
        place=place,
        day=day,
        end_day=end_day,
        task=done["task"].to_numpy(),
        before=np.where(has_before, cover[before], np.nan),
        before_se=before_se,
        before_day=np.where(has_before, series.day[before], -1),
        t=np.where(inside, t, np.nan),
        y=np.where(inside, cover[seen] - shift, np.nan),
        sd=np.where(inside, np.sqrt(sd**2 + SWARD_SD**2 + unknown[seen]), np.nan),
        cover=np.where(inside, cover[seen], np.nan),
        seen_day=np.where(inside, series.day[seen], -1),
        now=np.where(n_later > 0, cover[last], np.nan),
        now_day=np.where(n_later > 0, series.day[last], -1),
        after=np.where(inside[:, 0], cover[seen[:, 0]], np.nan),
        n_after=inside.sum(axis=1).astype(np.int64),
    )


def _errors_apart(series: Occasions, se: Array, before: Index, seen: Index) -> tuple[Array, Array]:
    """Return the errors of the cover before (r,) and since (r, k), less what both have in common.

    A recovery is measured by the cover before, so what stays on the lawn is no error of it
    (:mod:`lawnscore.history.change_error`): the two errors are such that the squares add up to
    those of the difference.
    """
    measure = "green_cover_pct"
    own = np.minimum(own_variance(series, measure), se**2)
    own = np.where(np.isfinite(own), own, se**2)
    first = np.repeat(before, seen.shape[1])
    renewed = np.ones(len(first), bool)
    left = change_error(series, first, seen.ravel(), renewed=renewed).variance(measure)
    alike = change_error(series, before, before).variance(measure) / 2
    return np.sqrt(own[before] + alike), np.sqrt(
        own[seen] + np.maximum(left.reshape(seen.shape) - alike[:, None], alike[:, None])
    )


def others_course(series: Occasions, done: pd.DataFrame, days: Index) -> tuple[Array, Array]:
    """Return what the lawns not set back did by given days, and what is unknown of it."""
    cover, se = _cover(series)
    away = set_back(
        series,
        done["place"].to_numpy(),
        done["day"].to_numpy(),
        done["last_day"].to_numpy() + SET_BACK_DAYS,
    )
    rows = np.flatnonzero(np.isfinite(cover) & ~away)
    if not len(rows):
        return np.zeros(len(days)), np.zeros(len(days))
    visits = Visits(series.place[rows], series.day[rows], cover[rows], se[rows])
    return round_course(visits, len(series.places), COVER_PRIORS, days)
