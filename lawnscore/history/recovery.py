"""How the sward comes back after renovation, and whether it is slower than it should be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import RECOVERY
from lawnscore.history.regrowth import Prior, Regrowth, course, fit_regrowth, time_to
from lawnscore.history.renovated import (
    BEFORE_DAYS,
    SWARD_SD,
    Cases,
    find_renovations,
    regrowth_clock,
    renovation_cases,
    until,
)
from lawnscore.history.season import GrowthClock
from lawnscore.history.series import Occasions, iso_date, occasions

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

TARGET = 0.95
"""Share of the cover before that counts as recovered; our choice."""
MIN_POOL = 5
"""Past recoveries of the round before its own course is expected; our choice."""
DEFAULT_LOG_SD = 0.35
"""Spread of the log rate about the default: 4 to 6 weeks (common practice) and a margin."""
WIDE_LOG_SD = 1.2
"""Spread given to the log rate while the round's own course is still being learnt."""
PLATEAU_SD = 4.0
"""Points by which a lawn may end above or below its cover before; our choice."""
SLOW_FACTOR = 1.5
"""A recovery is slow when it takes this many times as long as expected, or more."""
SLOW_SURE = 0.85
"""... and when that is at least this probable."""
SLOW_BEHIND = 1.0
"""... and the last cover lies this many standard errors below even the slow course."""
SLOW_AFTER_DAYS = 28
"""No recovery is called slow in its first four weeks; seed takes 1 to 3 weeks to show (common
practice)."""
GROWTH_PER_DAY = 0.5
"""Growth potential of the days the default speaks of: about 13.5 degrees C; our choice."""
LONGEST_DAYS = 730
"""Days beyond which no time is given: two years, as far as the growth clock goes; our choice."""
_DRAWS = 400
_SEED = 20050301


def recovery(
    visit_scores: pd.DataFrame,
    work: pd.DataFrame | None = None,
    weather: pd.DataFrame | None = None,
    *,
    today: str | None = None,
    settings: HistorySettings | None = None,
) -> pd.DataFrame:
    """Return how green cover came back after each renovation.

    Parameters
    ----------
    visit_scores
        The table of visits.
    work
        The table of work; without it a loss of 10 points or more between before and after photos
        of one date counts as a renovation whose task is ``unrecorded``.
    weather
        Daily mean temperatures. With them the clock is summed growth potential
        (:mod:`lawnscore.history.season`), and times are given in days from the observed and the
        usual temperatures; without them the clock is plain days.
    today
        Only what had happened by this date (YYYY-MM-DD) is used; by default everything.
    settings
        Default course.

    Returns
    -------
    DataFrame
        The columns of :data:`lawnscore.contract.tables.RECOVERY`.

    Notes
    -----
    The course is a logistic curve (:mod:`lawnscore.history.regrowth`), fitted with the visits'
    own standard errors, after taking away what the round's other lawns did meanwhile (season,
    drought; :func:`lawnscore.history.drift.round_course`). Its plateau is held near the cover
    before, its rate near the expected one, each as far as the visits leave open (maximum a
    posteriori; intervals from draws of the normal approximation). The expected log rate and its
    spread come from the round's own recoveries by moments (DerSimonian & Laird 1986) once there
    are five with three visits or more; before that from ``settings.recovery_default_days``.
    A zone is back by the first visit that shows 95 % of the cover before or more, whatever the
    course says. ``slow``: more than 1.5 times the expected time with a probability of 85 %, the
    last cover clearly below even that course, and more than four weeks after the work.
    """
    options = settings or HistorySettings()
    series = occasions(until(visit_scores, today))
    done = find_renovations(series, until(work, today) if work is not None else None)
    if done.empty:
        return RECOVERY.frame([])
    clock = regrowth_clock(weather, series, done)
    cases = renovation_cases(series, done, clock)
    fit = fit_cases(cases, options, clock)
    return RECOVERY.frame(_rows(series, cases, fit, clock))


@dataclass(frozen=True, eq=False)
class Fit:
    """What the fit says of each case; all arrays (r,), days from the end of the work.

    Parameters
    ----------
    fitted
        Whether there was enough to fit.
    course
        The fitted curves of the cases that were fitted.
    days, low, high
        Days to 95 % of the cover before; NaN where it is not reached within
        :data:`LONGEST_DAYS`, in ``high`` where that is possible.
    slow
        Probability that it takes :data:`SLOW_FACTOR` times the expected time or more.
    behind
        Whether the last cover is clearly below a course of :data:`SLOW_FACTOR` times the time.
    expected
        Expected days.
    source
        Where the expected course comes from.
    """

    fitted: npt.NDArray[np.bool_]
    course: Regrowth
    days: Array
    low: Array
    high: Array
    slow: Array
    behind: npt.NDArray[np.bool_]
    expected: Array
    source: npt.NDArray[np.object_]


def fit_cases(
    cases: Cases,
    settings: HistorySettings,
    clock: GrowthClock | None,
    *,
    plateau_sd: float = PLATEAU_SD,
) -> Fit:
    """Return the fitted course of each case that has enough visits.

    Parameters
    ----------
    plateau_sd
        Points by which a course may level off above or below the cover before.
    """
    fitted = np.isfinite(cases.before) & (cases.n_after >= 2)
    r = len(fitted)
    depth = _depth(cases)
    usual = settings.recovery_default_days * (1.0 if clock is None else GROWTH_PER_DAY)
    default_log_rate = np.log(np.maximum(depth + _logit(TARGET), 0.2) / usual)
    log_rate, log_sd, source = _expected_rate(cases, fitted, default_log_rate, settings)
    expected_t = np.maximum(depth + _logit(TARGET), 0.2) / np.exp(log_rate)
    expected_t = np.where(np.isfinite(depth), expected_t, usual)
    expected = _days(clock, cases.end_day, expected_t)
    rows = np.flatnonzero(fitted)
    prior = Prior(
        cases.before[rows],
        np.hypot(cases.before_se[rows], plateau_sd),
        log_rate[rows],
        log_sd[rows],
    )
    curves = fit_regrowth(cases.t[rows], cases.y[rows], cases.sd[rows], prior)
    out = {name: np.full(r, np.nan) for name in ("days", "low", "high", "slow")}
    for start in range(0, len(rows), 2000):
        part = slice(start, start + 2000)
        low, middle, high, slow = _spread(cases, rows[part], curves, part, SLOW_FACTOR * expected_t)
        at = rows[part]
        for name, t in (("days", middle), ("low", low), ("high", high)):
            out[name][at] = _within_reach(_days(clock, cases.end_day[at], t))
        out["slow"][at] = slow
    behind = _behind(cases, SLOW_FACTOR * expected_t)
    return Fit(
        fitted, curves, out["days"], out["low"], out["high"], out["slow"], behind, expected, source
    )


def _behind(cases: Cases, slow_time: Array) -> npt.NDArray[np.bool_]:
    """Return whether the last cover on the course lies clearly below the slow one."""
    last = np.maximum(cases.n_after - 1, 0)[:, None]
    t, y, sd = (np.take_along_axis(a, last, 1)[:, 0] for a in (cases.t, cases.y, cases.sd))
    depth = _depth(cases)
    with np.errstate(invalid="ignore"):
        rate = np.maximum(depth + _logit(TARGET), 0.2) / slow_time
        share = course(t, np.ones_like(t), depth, rate)
        z = (share * cases.before - y) / np.hypot(sd, np.hypot(cases.before_se, SWARD_SD))
    return np.asarray(z > SLOW_BEHIND)


def _logit(p: float) -> float:
    return float(np.log(p / (1 - p)))


def _depth(cases: Cases) -> Array:
    # b2 of a course that starts at the cover after the work and ends at the cover before
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip(cases.after / cases.before, 0.02, 0.94)
    return np.asarray(np.log(1 / share - 1), float)


def _expected_rate(
    cases: Cases, fitted: npt.NDArray[np.bool_], default: Array, settings: HistorySettings
) -> tuple[Array, Array, npt.NDArray[np.object_]]:
    """Return log rate, its spread and its source, by the round's own recoveries if it can."""
    r = len(fitted)
    days = settings.recovery_default_days
    text = f"default of {days:g} days"
    out = np.where(np.isfinite(default), default, 0.0), np.full(r, DEFAULT_LOG_SD)
    use = fitted & (cases.n_after >= 3) & (cases.after < 0.9 * cases.before)
    rows = np.flatnonzero(use)
    if len(rows) < MIN_POOL:
        return (*out, np.full(r, text, object))
    wide = np.full(len(rows), WIDE_LOG_SD)
    sd = np.hypot(cases.before_se[rows], PLATEAU_SD)
    prior = Prior(cases.before[rows], sd, default[rows], wide)
    free = fit_regrowth(cases.t[rows], cases.y[rows], cases.sd[rows], prior)
    variance = free.covariance[:, 2, 2]
    # the wide prior's own share of the estimate is taken out again
    data_precision = np.maximum(1 / variance - 1 / WIDE_LOG_SD**2, 1e-6)
    estimate = (np.log(free.rate) / variance - default[rows] / WIDE_LOG_SD**2) / data_precision
    good = data_precision > 1.0
    if good.sum() < MIN_POOL:
        return (*out, np.full(r, text, object))
    centre, spread = pooled_log_rate(estimate[good], 1 / data_precision[good])
    n = int(good.sum())
    source = np.full(r, f"{n} recoveries of this round", object)
    return np.full(r, centre), np.full(r, max(spread, 0.1)), source


def pooled_log_rate(estimate: Array, variance: Array) -> tuple[float, float]:
    """Return centre and spread of log rates over recoveries (DerSimonian & Laird 1986).

    Estimates more than three robust standard deviations from the median are drawn in to there
    first, so that one failed recovery does not set what is expected of the others.
    """
    middle = float(np.median(estimate))
    scale = 1.4826 * float(np.median(np.abs(estimate - middle))) + 1e-9
    x = np.clip(estimate, middle - 3 * scale, middle + 3 * scale)
    w = 1 / variance
    fixed = float(np.average(x, weights=w))
    q = float(np.sum(w * (x - fixed) ** 2))
    c = float(np.sum(w) - np.sum(w**2) / np.sum(w))
    tau2 = max((q - (len(x) - 1)) / c, 0.0) if c > 0 else 0.0
    w = 1 / (variance + tau2)
    centre = float(np.average(x, weights=w))
    return centre, float(np.sqrt(tau2 + 1 / np.sum(w)))


def _spread(
    cases: Cases, rows: Index, curves: Regrowth, part: slice, slow_time: Array
) -> tuple[Array, Array, Array, Array]:
    """Return 2.5, 50 and 97.5 % of the time, and the probability of ``slow_time`` or more."""
    rng = np.random.default_rng(_SEED)
    m = len(rows)
    factor = np.linalg.cholesky(curves.covariance[part] + 1e-12 * np.eye(3))
    z = rng.standard_normal((m, _DRAWS, 3)) @ np.swapaxes(factor, 1, 2)
    plateau = np.clip(curves.plateau[part, None] + z[..., 0], 1.0, 100.0)
    b2 = curves.b2[part, None] + z[..., 1]
    rate = curves.rate[part, None] * np.exp(np.clip(z[..., 2], -5, 5))
    # where the sward levels off also says what it was before, as far as the two are alike
    own, like = cases.before_se[rows, None] ** -2.0, PLATEAU_SD**-2.0
    before = (own * cases.before[rows, None] + like * plateau) / (own + like)
    before = before + rng.standard_normal((m, _DRAWS)) / np.sqrt(own + like)
    t = time_to(TARGET * before, plateau, b2, rate)
    t = np.sort(np.where(np.isnan(t), np.inf, t), axis=1)
    ends = [t[:, int(q * _DRAWS)] for q in (0.025, 0.5, 0.975)]
    low, middle, high = (np.where(np.isfinite(end), end, np.nan) for end in ends)
    return low, middle, high, np.mean(t >= slow_time[rows, None], axis=1)


def _days(clock: GrowthClock | None, start: Index, t: Array) -> Array:
    if clock is None:
        return t
    return clock.day_of(clock.at(start) + t) - start


def _within_reach(days: Array) -> Array:
    """Return days, NaN where they are more than anyone can tell."""
    with np.errstate(invalid="ignore"):
        return np.where(days <= LONGEST_DAYS, days, np.nan)


def back_days(cases: Cases) -> Index:
    """Return the day of the first visit with 95 % of the cover before or more; -1 for none."""
    with np.errstate(invalid="ignore"):
        shown = cases.cover >= TARGET * cases.before[:, None]
        late = cases.now >= TARGET * cases.before
    first = np.take_along_axis(cases.seen_day, shown.argmax(axis=1)[:, None], 1)[:, 0]
    return np.where(shown.any(axis=1), first, np.where(late, cases.now_day, -1))


def _rows(series: Occasions, cases: Cases, fit: Fit, clock: GrowthClock | None) -> pd.DataFrame:
    back = back_days(cases)
    states, notes = _states(cases, fit, back)
    lost = cases.before - cases.after
    with np.errstate(divide="ignore", invalid="ignore"):
        recovered = np.where(lost >= 2.0, 100 * (cases.now - cases.after) / lost, np.nan)
    since = np.where(cases.now_day >= 0, cases.now_day - cases.day, -1)
    lag = cases.end_day - cases.day  # days count from the first day of the work
    table = pd.DataFrame(
        {
            "lawn": series.places["lawn"].to_numpy()[cases.place],
            "zone": series.places["zone"].to_numpy()[cases.place],
            "renovation_date": [iso_date(d) for d in cases.day],
            "task": cases.task,
            "cover_before": cases.before,
            "cover_after": cases.after,
            "cover_now": cases.now,
            "days_since": pd.array([None if s < 0 else int(s) for s in since], dtype="Int64"),
            "recovered_pct": recovered,
            "days_to_95": fit.days + lag,
            "days_to_95_low": fit.low + lag,
            "days_to_95_high": fit.high + lag,
            "state": states,
            "expected_days_to_95": fit.expected + lag,
            "expected_from": fit.source,
            "clock": "days" if clock is None else "growth",
            "note": notes,
            "back_by": [iso_date(d) if d >= 0 else None for d in back],
        }
    )
    return table


def _states(cases: Cases, fit: Fit, back: Index) -> tuple[list[str], list[str | None]]:
    states: list[str] = []
    notes: list[str | None] = []
    since = cases.now_day - cases.end_day
    position = np.cumsum(fit.fitted) - 1
    for i in range(len(cases.day)):
        if not fit.fitted[i]:
            states.append("too few visits")
            notes.append(_too_few(cases, i))
            continue
        if back[i] >= 0 or (np.isfinite(fit.days[i]) and fit.days[i] <= since[i]):
            states.append("recovered")
        elif fit.slow[i] >= SLOW_SURE and since[i] > SLOW_AFTER_DAYS and fit.behind[i]:
            states.append("slow")
        else:
            states.append("recovering")
        plateau = float(fit.course.plateau[position[i]])
        notes.append(_note(cases, fit, i, plateau, back=bool(back[i] >= 0)))
    return states, notes


def _too_few(cases: Cases, i: int) -> str:
    if np.isnan(cases.before[i]):
        return f"no photos from the {BEFORE_DAYS} days before the work"
    if cases.n_after[i] == 0:
        return "no photos since the work"
    return "one set of photos since the work; two are needed"


def _note(cases: Cases, fit: Fit, i: int, plateau: float, *, back: bool) -> str | None:
    parts = []
    if cases.task[i] == "unrecorded":
        parts.append("work not in work.csv; seen from the photos before and after")
    if cases.before[i] - cases.after[i] < 2.0:
        parts.append("the work cost hardly any cover")
    if back:
        return "; ".join(parts) or None
    if np.isnan(fit.days[i]):
        target = TARGET * cases.before[i]
        level = f"levels off at {plateau:.0f} %" if plateau < target else "not within two years"
        parts.append(f"not reached: {level}, 95 % of the cover before is {target:.0f} %")
    elif np.isnan(fit.high[i]):
        parts.append("that it is never reached cannot be ruled out")
    return "; ".join(parts) or None
