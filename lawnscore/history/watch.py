"""What is watched for drift: the measures, their scales and thresholds, and the quiet times."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.settings import HistorySettings
from lawnscore.history.change_error import own_variance
from lawnscore.history.drift import COVER_PRIORS, DriftPriors, Visits
from lawnscore.history.recovery import recovery
from lawnscore.history.renovated import until
from lawnscore.history.same_spots import spot_se
from lawnscore.history.series import Occasions, day_numbers, occasions, set_back
from lawnscore.history.steps import MIN_PAST, Drift, Shared
from lawnscore.history.visit_errors import visit_errors

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Watch:
    """How one measure is watched for drift.

    Parameters
    ----------
    flag, measure, sign
        Flag raised, column watched, and the direction that is bad.
    scale, back
        Scale on which visits are compared, and the way back from it.
    priors
        Standard deviations on that scale.
    least
        Smallest step worth a flag, in the unit of the measure.
    min_past
        Visits of the past before anything is said.
    """

    flag: str
    measure: str
    sign: int
    scale: Callable[[Array], Array]
    back: Callable[[Array], Array]
    priors: DriftPriors
    least: float
    min_past: int = MIN_PAST


def _same(x: Array) -> Array:
    return x


def _root(x: Array) -> Array:
    return np.asarray(np.sqrt(np.maximum(x, 0.0)))


def _square(x: Array) -> Array:
    return np.asarray(np.maximum(x, 0.0) ** 2)


WATCHES = (
    Watch("cover falling", "green_cover_pct", -1, _same, _same, COVER_PRIORS, 3.0),
    Watch(
        "colour fading", "colour_index", -1, _same, _same,
        DriftPriors(0.01, 0.04, 0.03, 0.006), 0.03,
    ),
    # each lawn has a casting season of its own, so its round-mates tell little of it
    Watch(
        "casts rising", "casts_per_m2", 1, _root, _square,
        DriftPriors(0.7, 1.5, 1.0, 0.25), 5.0,
    ),
    # bare patches have hardly any season, so one visit of the past tells what is usual
    Watch(
        "bare patches growing", "bare_patch_pct", 1, _root, _square,
        DriftPriors(0.1, 0.2, 0.1, 0.1), 2.0, 1,
    ),
)  # fmt: skip
"""What is watched for drift, and when it is flagged."""

SEASON_DAYS = 45
"""How far from a year apart visits may be to count as the same season; our choice."""
SEASON_SHARE = 0.35
"""Share of a step that must be new against the same season a year before; our choice."""
QUIET_FACTOR = 2.0
"""The sward is left out of the watch for twice the expected recovery after a renovation."""
LOOK_BACK_DAYS = 120
"""A drift is flagged while the last visit is no older than this; our choice."""


@dataclass(frozen=True, eq=False)
class State:
    """What every flag looks at.

    Parameters
    ----------
    series
        Occasions up to the day looked from.
    today
        That day, as a day number.
    recovery
        The recovery table as of that day.
    quiet
        (n,) True where the sward is set back on purpose.
    rows
        First photographed occasion of each visit.
    photos
        The table of photos where it is at hand; it names the spots.
    """

    series: Occasions
    today: int
    settings: HistorySettings
    recovery: pd.DataFrame
    quiet: npt.NDArray[np.bool_]
    rows: Index
    photos: pd.DataFrame | None = None


def look(
    visit_scores: pd.DataFrame,
    work: pd.DataFrame | None = None,
    weather: pd.DataFrame | None = None,
    *,
    photo_scores: pd.DataFrame | None = None,
    today: str | None = None,
    settings: HistorySettings | None = None,
) -> State:
    """Return the round as it was known on one day; arguments as for ``attention``."""
    options = settings or HistorySettings()
    visits = until(visit_scores, today)
    series = occasions(visits)
    table = recovery(visits, work, weather, today=today, settings=options)
    quiet = _quiet(series, table, options)
    photos = None if photo_scores is None else until(photo_scores, today)
    rows = _first_rows(series)
    return State(series, _today(series, today), options, table, quiet, rows, photos)


def _today(series: Occasions, today: str | None) -> int:
    if today is not None:
        return int(day_numbers(pd.Series([today]))[0])
    return int(series.day.max()) if len(series.day) else 0


def _first_rows(series: Occasions) -> Index:
    has = np.flatnonzero(np.isfinite(series.values("green_cover_pct")))
    _, first = np.unique(series.visit[has], return_index=True)
    return np.asarray(has[first], np.int64)


def _quiet(
    series: Occasions, table: pd.DataFrame, settings: HistorySettings
) -> npt.NDArray[np.bool_]:
    if table.empty:
        return np.zeros(len(series.day), bool)
    names = series.places.assign(place=np.arange(len(series.places)))
    joined = table[["lawn", "zone"]].astype(object).merge(names, on=["lawn", "zone"], how="left")
    place = joined["place"].to_numpy(np.int64)
    begin = day_numbers(table["renovation_date"])
    usual = settings.recovery_default_days
    expected = np.maximum(table["expected_days_to_95"].fillna(usual).to_numpy(float), usual)
    end = begin + (QUIET_FACTOR * np.minimum(expected, 2 * usual)).astype(np.int64)
    return set_back(series, place, begin, end)


def watched_visits(state: State, watch: Watch) -> Visits:
    """Return the visits of one measure on the watch's scale, without the quiet times.

    What they err by, and what of it they share, is that of :mod:`lawnscore.history.change_error`;
    the errors that last on a lawn are no part of how it moves.
    """
    series, measure = state.series, watch.measure
    y = watch.scale(series.values(measure))
    rows = state.rows[~state.quiet[state.rows] & np.isfinite(y[state.rows])]
    parts = visit_errors(series, measure, state.recovery)

    def scaled(error: Array) -> Array:
        value = series.values(measure)
        ends = watch.scale(value + error), watch.scale(np.maximum(value - error, 0.0))
        return np.asarray(ends[0] - ends[1])[rows] / 2

    own = scaled(np.sqrt(own_variance(series, measure)))
    own = np.fmin(own, spot_se(state.photos, series, measure, watch.scale)[rows])
    known = np.isfinite(own)
    usual = float(np.median(own[known])) if known.any() else 3 * watch.priors.stray_least
    own = np.hypot(np.where(known, own, 1.5 * usual), scaled(parts.new))
    own = np.maximum(own, 0.1 * watch.priors.stray_least)
    shared = tuple(Shared(part.code[rows], scaled(part.sd)) for part in parts.shared)
    place = series.place[rows]
    stretch = _stretches(place, own, shared)
    return Visits(place, series.day[rows], y[rows], own, stretch, shared, parts.point)


def _stretches(place: Index, own: Array, shared: Sequence[Shared]) -> Index:
    """Return the number of each visit's stretch: what is shared within it is more than chance."""
    keys = [place]
    for part in shared:
        if len(own) and np.median(part.sd) > np.median(own):
            keys.append(part.code)
    return np.unique(np.stack(keys, axis=1), axis=0, return_inverse=True)[1].reshape(-1)


def as_in_that_season(visits: Visits, moved: Drift, watch: Watch) -> npt.NDArray[np.bool_]:
    """Return which places stand as they stood in the same season a year before, (p,).

    What comes back every year is the lawn's season and no drift. A place without visits of that
    season is not among them.
    """
    place, n = visits.place, len(moved.z)
    late = visits.day >= moved.since[place]
    apart = np.abs(moved.last_day[place] - visits.day - 365)
    same = ~late & (apart <= SEASON_DAYS)

    def mean(of: npt.NDArray[np.bool_]) -> Array:
        count = np.bincount(place[of], minlength=n)
        total = np.bincount(place[of], visits.value[of], minlength=n)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    with np.errstate(invalid="ignore"):
        new = watch.sign * (mean(late) - mean(same))
        return np.asarray(new < SEASON_SHARE * watch.sign * moved.step)
