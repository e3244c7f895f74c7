"""How far each place has moved from its own past, its season and its round-mates.

The model, for one measure of one place at one visit::

    value = level + own season + what the whole round did + stray + sampling error

* *What the whole round did* is a running mean (triangle, four weeks each way) of the other
  places' departures from their own levels; outliers are drawn in, and it is shrunk by how well the
  mates tell it. So droughts, winters and the shared season fall out.
* *Own season* is one yearly wave with a normal prior: small where round-mates carry the season,
  wide for a lone lawn.
* *Stray* is the part of a lawn's wandering that is not sampling error: it has one standard
  deviation over the round, estimated robustly, and is taken to last from visit to visit, so it
  does not average out over a few visits.

Against this stands a step: the last ``m`` visits (``m`` = 1 to 4) lie lower than all before them
predict. The statistic is the largest standardised step over ``m`` (a generalised likelihood
ratio). Times in which a renovation sets the sward back on purpose are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

HISTORY_DAYS = 500
"""How far back a lawn's own past is asked: a year and a season; tuned on simulated rounds."""
MATE_DAYS = 28
"""Half width of the running mean over round-mates; tuned on simulated rounds."""
WINDOWS = (1, 2, 3, 4)
"""Numbers of last visits that may stand against the past; tuned on simulated rounds."""
MIN_PAST = 3
"""Visits of the past before anything is said; our choice."""
_PAST_VISITS = 40
_MIN_SCATTER = 40  # visits from which a round's scatter is known to a tenth or so
_LEAST_SCALE, _MOST_SCALE = 0.3, 1.4
_MOST_RATIO = 6.0  # one stray visit is not to set a lawn's scatter
SCATTER_DF = 8.0
"""Visits that the round's scatter is worth beside a lawn's own; our choice."""
SCATTER_LAG_DAYS = 100
"""The last visits, which are in question, do not tell the scatter; our choice."""
_ROUNDS = 6
_CLIP = 2.5


@dataclass(frozen=True)
class DriftPriors:
    """Standard deviations in the unit of the measure, from tuning on simulated rounds.

    Parameters
    ----------
    season_mates, season_alone
        Own season's wave, where mates carry the season and where there are none.
    common
        What the whole round does at once, where it has to be guessed.
    stray_least
        Smallest stray a lawn is credited with.
    """

    season_mates: float
    season_alone: float
    common: float
    stray_least: float


COVER_PRIORS = DriftPriors(1.0, 5.0, 4.0, 1.0)
"""Those of green cover, points."""


@dataclass(frozen=True, eq=False)
class Visits:
    """Visits in order of place and day, arrays (n,): place number, day, value and its error."""

    place: Index
    day: Index
    value: Array
    se: Array


@dataclass(frozen=True, eq=False)
class Drift:
    """The clearest step of each place, arrays (p,); NaN where there is too little to tell.

    Parameters
    ----------
    z
        Standardised step; negative is down.
    step, step_se
        Step in the unit of the values, and its standard error.
    since
        Day of the first visit that lies off; -1 where unknown.
    n_visits
        Visits in the step.
    last_day, last_value
        The last visit that was used.
    """

    z: Array
    step: Array
    step_se: Array
    since: Index
    n_visits: Index
    last_day: Index
    last_value: Array


def drift(
    visits: Visits,
    n_places: int,
    priors: DriftPriors,
    *,
    sign: int = -1,
    min_past: int = MIN_PAST,
) -> Drift:
    """Return how far each place has moved in the direction of ``sign``.

    Parameters
    ----------
    visits
        One row a visit, finite values only, without the times after renovations.
    n_places
        Number of places; those without visits come out empty.
    priors
        Standard deviations of the parts of the model.
    sign
        -1 looks for the clearest fall, +1 for the clearest rise.
    min_past
        Visits of the past before anything is said.
    """
    if not len(visits.day):
        return _empty(n_places)
    recent = visits.day > visits.day.max() - HISTORY_DAYS
    se = _steadied(visits.se[recent])
    visits = Visits(visits.place[recent], visits.day[recent], visits.value[recent], se)
    visits = _scaled(visits, n_places, priors)
    common, common_var, stray, has_mates = round_effect(visits, n_places, priors)
    effect = (common, common_var, stray, has_mates)
    return _steps(visits, n_places, priors, sign, effect, min_past)


def _steadied(se: Array) -> Array:
    # the width of an interval from a few photos is itself a chance result
    return np.asarray(np.sqrt((se**2 + np.median(se**2)) / 2))


def _scaled(visits: Visits, n_places: int, priors: DriftPriors) -> Visits:
    """Return visits whose errors are what they scatter by, place by place.

    Part of a visit's error stays the same from visit to visit on one lawn (the same spots, and what
    more of the class model's error lasts than is counted on), and so is no part of its scatter;
    less may last, too. Each place's own scatter before its last visits is moderated by the round's.
    """
    common, common_var, _, _ = round_effect(visits, n_places, priors)
    rest = visits.value - common
    level = _group_mean(rest, 1 / visits.se**2, visits.place, n_places)
    told = visits.se**2 + common_var + priors.stray_least**2
    ratio = np.minimum((rest - level[visits.place]) ** 2 / told, _MOST_RATIO)
    last = np.full(n_places, -1, np.int64)
    np.maximum.at(last, visits.place, visits.day)
    early = visits.day < last[visits.place] - SCATTER_LAG_DAYS
    if early.sum() < _MIN_SCATTER:
        return visits
    total = np.bincount(visits.place[early], ratio[early], minlength=n_places)
    n = np.bincount(visits.place[early], minlength=n_places)
    # a level fitted to n values takes one of them
    freedom = np.maximum(n - 1, 0)
    usual = float(total.sum() / max(int(freedom.sum()), 1))
    own = (SCATTER_DF * usual + total) / (SCATTER_DF + freedom)
    scale = np.sqrt(np.clip(own, _LEAST_SCALE**2, _MOST_SCALE**2))
    return Visits(visits.place, visits.day, visits.value, visits.se * scale[visits.place])


def _empty(n: int) -> Drift:
    nan, none = np.full(n, np.nan), np.full(n, -1, np.int64)
    return Drift(nan, nan.copy(), nan.copy(), none, np.zeros(n, np.int64), none.copy(), nan.copy())


def round_effect(
    visits: Visits, n_places: int, priors: DriftPriors
) -> tuple[Array, Array, float, npt.NDArray[np.bool_]]:
    """Return what the round-mates did at each visit, its variance, the stray, who has mates.

    Returns
    -------
    common, common_var
        (n,) shrunk effect of the others and what is left unknown of it.
    stray
        Standard deviation of a lawn's own wandering.
    has_mates
        (n,) whether others were visited near that day.
    """
    first = int(visits.day.min())
    offset = visits.day - first
    common = np.zeros(len(offset))
    variance = np.full(len(offset), priors.common**2)
    noise = visits.se**2 + priors.stray_least**2
    stray, has_mates = priors.stray_least, np.zeros(len(offset), bool)
    for _ in range(_ROUNDS):
        level = _group_mean(visits.value - common, 1 / (noise + variance), visits.place, n_places)
        away = visits.value - level[visits.place]
        scale = np.sqrt(noise)
        drawn = common + np.clip(away - common, -_CLIP * scale, _CLIP * scale)
        total, weight, squared = _running(offset, drawn, 1 / noise)
        has_mates = weight > 1e-9 / np.median(noise)
        raw = np.where(has_mates, total / np.where(has_mates, weight, 1.0), 0.0)
        raw_var = np.where(has_mates, squared / np.where(has_mates, weight, 1.0) ** 2, np.inf)
        tau2 = _excess(raw, raw_var, has_mates, priors.common)
        keep = tau2 / (tau2 + raw_var)
        common, variance = keep * raw, tau2 * (1 - keep)
        rest = away - common
        stray = _stray(rest, visits.se**2 + variance, priors)
        noise = visits.se**2 + stray**2
    return common, variance, stray, has_mates


def round_course(
    visits: Visits, n_places: int, priors: DriftPriors, days: Index
) -> tuple[Array, Array]:
    """Return what the round as a whole did on given days, and what is left unknown of it.

    Parameters
    ----------
    visits
        As for :func:`drift`.
    days
        (m,) day numbers, in or out of the time of the visits.

    Returns
    -------
    effect, variance
        (m,) effect shrunk by how well the visits near that day tell it; 0 where they tell nothing.
    """
    if len(visits.day) < MIN_PAST:
        return np.zeros(len(days)), np.full(len(days), 0.0)
    common, common_var, stray, _ = round_effect(visits, n_places, priors)
    noise = visits.se**2 + stray**2
    level = _group_mean(visits.value - common, 1 / (noise + common_var), visits.place, n_places)
    away = visits.value - level[visits.place]
    first = int(min(visits.day.min(), days.min())) - MATE_DAYS
    n_days = int(max(visits.day.max(), days.max())) + MATE_DAYS + 1 - first
    kernel = 1 - np.abs(np.arange(-MATE_DAYS, MATE_DAYS + 1)) / (MATE_DAYS + 1)
    drawn = common + np.clip(away - common, -_CLIP * np.sqrt(noise), _CLIP * np.sqrt(noise))

    def near(x: Array, shape: Array) -> Array:
        daily = np.bincount(visits.day - first, x, minlength=n_days)
        return np.asarray(np.convolve(daily, shape, "same")[days - first])

    weight = near(1 / noise, kernel)
    known = weight > 1e-9
    safe = np.where(known, weight, 1.0)
    raw = np.where(known, near(drawn / noise, kernel) / safe, 0.0)
    raw_var = np.where(known, near(1 / noise, kernel**2) / safe**2, np.inf)
    tau2 = _excess(raw, raw_var, known, priors.common)
    keep = tau2 / (tau2 + raw_var)
    return keep * raw, np.where(known, tau2 * (1 - keep), 0.0)


def _group_mean(y: Array, w: Array, group: Index, n: int) -> Array:
    weight = np.bincount(group, w, minlength=n)
    total = np.bincount(group, w * y, minlength=n)
    return np.asarray(total / np.where(weight > 0, weight, 1.0))


def _running(offset: Index, y: Array, w: Array) -> tuple[Array, Array, Array]:
    # weighted sums over the other rows near each row's day: value, weight, squared weight
    n_days = int(offset.max()) + 1
    kernel = 1 - np.abs(np.arange(-MATE_DAYS, MATE_DAYS + 1)) / (MATE_DAYS + 1)

    def spread(x: Array, shape: Array) -> Array:
        daily = np.bincount(offset, x, minlength=n_days)
        full = np.convolve(daily, shape)[MATE_DAYS : MATE_DAYS + n_days]
        return np.asarray(full[offset] - x)  # a lawn is not its own mate

    return spread(w * y, kernel), spread(w, kernel), spread(w, kernel**2)


def _excess(raw: Array, raw_var: Array, known: npt.NDArray[np.bool_], guess: float) -> float:
    if known.sum() < 10:
        return guess**2
    spread = float(np.mean(raw[known] ** 2 - np.minimum(raw_var[known], 1e12)))
    return max(spread, (0.2 * guess) ** 2)


def _stray(rest: Array, known_var: Array, priors: DriftPriors) -> float:
    if len(rest) < 10:
        return 1.5 * priors.stray_least
    total = (1.4826 * float(np.median(np.abs(rest)))) ** 2
    return float(np.sqrt(max(total - float(np.median(known_var)), priors.stray_least**2)))


def _steps(
    visits: Visits,
    n_places: int,
    priors: DriftPriors,
    sign: int,
    effect: tuple[Array, Array, float, npt.NDArray[np.bool_]],
    min_past: int,
) -> Drift:
    common, common_var, stray, has_mates = effect
    index, inside = _last_rows(visits.place, n_places)
    y = np.where(inside, (visits.value - common)[index], 0.0)
    var = np.where(inside, (visits.se**2 + common_var)[index], 1.0)
    angle = 2 * np.pi * visits.day[index] / 365.25
    design = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=2)
    season = np.where(
        _last_known(has_mates, index, inside), priors.season_mates, priors.season_alone
    )
    out = _empty(n_places)
    best = np.full(n_places, -np.inf)
    for m in WINDOWS:
        step, se, n_past = _one_window(y, var, design, inside, season, stray, m)
        enough = (n_past >= min_past) & inside[:, -m]
        z = step / se
        take = enough & (sign * z > best)
        best = np.where(take, sign * z, best)
        first = index[:, -m]
        for name, value in (
            ("z", z),
            ("step", step),
            ("step_se", se),
            ("since", visits.day[first]),
            ("n_visits", np.full(n_places, m)),
        ):
            getattr(out, name)[take] = value[take]
    known = inside[:, -1]
    out.last_day[known] = visits.day[index[known, -1]]
    out.last_value[known] = visits.value[index[known, -1]]
    return out


def _last_rows(place: Index, n_places: int) -> tuple[Index, npt.NDArray[np.bool_]]:
    end = np.searchsorted(place, np.arange(n_places), side="right")
    begin = np.searchsorted(place, np.arange(n_places), side="left")
    k = int(min(_PAST_VISITS, max((end - begin).max(), max(WINDOWS))))
    index = end[:, None] - k + np.arange(k)
    inside = index >= begin[:, None]
    return np.clip(index, 0, len(place) - 1), inside


def _last_known(
    mates: npt.NDArray[np.bool_], index: Index, inside: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    share = (mates[index] & inside).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
    return np.asarray(share > 0.5)


def _one_window(
    y: Array,
    var: Array,
    design: Array,
    inside: npt.NDArray[np.bool_],
    season: Array,
    stray: float,
    m: int,
) -> tuple[Array, Array, Index]:
    """Return step, its error and the visits it is held against, for the last ``m`` visits."""
    past = inside.copy()
    past[:, -m:] = False
    w = np.where(past, 1 / (var + stray**2), 0.0)
    normal = np.einsum("pk,pki,pkj->pij", w, design, design)
    normal[:, 0, 0] += 1e-6
    for i in (1, 2):
        normal[:, i, i] += season**-2.0
    inverse = np.linalg.inv(normal)
    coefficients = np.einsum("pij,pkj,pk->pi", inverse, design, w * y)
    late = 1 / var[:, -m:]
    late = late / late.sum(axis=1, keepdims=True)
    row = np.einsum("pk,pki->pi", late, design[:, -m:])
    step = (late * y[:, -m:]).sum(axis=1) - (row * coefficients).sum(axis=1)
    variance = (late**2 * var[:, -m:]).sum(axis=1) + stray**2
    variance += np.einsum("pi,pij,pj->p", row, inverse, row)
    return step, np.sqrt(variance), past.sum(axis=1)
