"""The fitted course of each recovery day by day, with the band in which its visits lie."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.settings import HistorySettings
from lawnscore.history.recovery import TARGET, Fit, fit_cases
from lawnscore.history.regrowth import course
from lawnscore.history.renovated import (
    Cases,
    elapsed,
    find_renovations,
    others_course,
    regrowth_clock,
    renovation_cases,
    until,
)
from lawnscore.history.series import Days, Occasions, iso_date, occasions

Array = npt.NDArray[np.float64]

COURSE_COLUMNS = ("lawn", "zone", "renovation_date", "days", "cover", "low", "high")
"""Columns of :func:`recovery_courses`; ``days`` count from the first day of the work."""

DRAWN_PLATEAU_SD = 8.0
"""Points by which a drawn course may end above or below the cover before: a tired lawn that is
overseeded often ends well above it; our choice."""
DRAWN_DAYS = 300
"""Days after the work that are drawn: to the spring after an autumn's work; our choice."""
STEPS = 48
"""Points of a drawn course."""
_DRAWS = 1000
_SEED = 20030301
_ENDS = (0.025, 0.5, 0.975)


def recovery_courses(
    visit_scores: pd.DataFrame,
    work: pd.DataFrame | None = None,
    weather: pd.DataFrame | None = None,
    *,
    today: str | None = None,
    settings: HistorySettings | None = None,
) -> pd.DataFrame:
    """Return the course that fits each recovery, as points to draw.

    Parameters
    ----------
    visit_scores, work, weather, today, settings
        As for :func:`lawnscore.history.recovery.recovery`.

    Returns
    -------
    DataFrame
        :data:`COURSE_COLUMNS`. ``cover`` is the median course with a plateau of its own, which may
        lie above or below the cover before; ``low`` to ``high`` is where 95 % of visits lie: what
        the fit leaves open, the weather's play with a sward, and the error of a visit. No rows for
        a renovation that fixes no course (too few visits, or hardly any cover lost).
    """
    options = settings or HistorySettings()
    series = occasions(until(visit_scores, today))
    done = find_renovations(series, until(work, today) if work is not None else None)
    if done.empty:
        return pd.DataFrame(columns=list(COURSE_COLUMNS))
    clock = regrowth_clock(weather, series, done)
    cases = renovation_cases(series, done, clock, course_days=DRAWN_DAYS)
    fit = fit_cases(cases, options, clock, plateau_sd=DRAWN_PLATEAU_SD)
    drawn = []
    for case in np.flatnonzero(fit.fitted & (cases.after < TARGET * cases.before)):
        end, last = int(cases.end_day[case]), int(cases.seen_day[case].max())
        days = np.unique(np.linspace(end, max(last, end + 1), STEPS + 1).round().astype(np.int64))
        effect, unknown = others_course(series, done, np.r_[cases.before_day[case], days])
        t = elapsed(clock, np.full(len(days), end), days)
        band = _band(cases, fit, int(case), t, unknown[1:]) + (effect[1:] - effect[0])
        drawn.append(_points(series, cases, int(case), days, np.clip(band, 0.0, 100.0)))
    if not drawn:
        return pd.DataFrame(columns=list(COURSE_COLUMNS))
    return pd.concat(drawn, ignore_index=True)[list(COURSE_COLUMNS)]


def _points(series: Occasions, cases: Cases, i: int, days: Days, band: Array) -> pd.DataFrame:
    place, first = series.places.iloc[int(cases.place[i])], int(cases.day[i])
    low, middle, high = band
    return pd.DataFrame({"days": days - first, "cover": middle, "low": low, "high": high}).assign(
        lawn=place["lawn"], zone=place["zone"], renovation_date=iso_date(first)
    )


def _band(cases: Cases, fit: Fit, i: int, t: Array, unknown: Array) -> Array:
    """Return the ends and the middle of what visits at times ``t`` show, (3, m)."""
    rng = np.random.default_rng(_SEED)
    at = int(np.cumsum(fit.fitted)[i] - 1)
    factor = np.linalg.cholesky(fit.course.covariance[at] + 1e-12 * np.eye(3))
    z = rng.standard_normal((_DRAWS, 3)) @ factor.T
    plateau = np.clip(fit.course.plateau[at] + z[:, 0], 1.0, 100.0)
    b2 = fit.course.b2[at] + z[:, 1]
    rate = fit.course.rate[at] * np.exp(np.clip(z[:, 2], -5, 5))
    curves = course(t[None, :], plateau[:, None], b2[:, None], rate[:, None])
    middle = np.quantile(curves, 0.5, axis=0)
    # a sward that no logistic course fits well is told with a wider band
    n = int(np.isfinite(cases.y[i]).sum())
    misfit = max(1.0, float(fit.course.rss[at]) / max(n - 2, 1))
    error = np.sqrt(misfit * np.nanmedian(cases.sd[i]) ** 2 + unknown)
    seen = curves + rng.standard_normal(curves.shape) * error
    low, _, high = np.quantile(seen, _ENDS, axis=0)
    return np.stack([low, middle, high])
