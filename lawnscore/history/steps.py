"""The clearest step of each place: its last visits against what all before them lead one to expect.

The visits of a place are jointly normal. Their errors are not all new at each visit, so the
covariance of two visits ``i`` and ``j`` of one place is made of

* what is new at a visit: the sampling error, the day's light (diagonal);
* what fades: the lawn's own wandering, ``stray**2 exp(-days apart / FADING_DAYS)``;
* the lawn's own season: one yearly wave, ``season**2 cos(angle apart)``;
* what the visits of a stretch share, one card's print, one phone, the grass between two
  renovations: ``sd_i sd_j`` where both belong to the same;
* how the lawn follows what the whole round does, more or less than the others:
  ``response_i response_j``;
* the lawn's level, of which nothing is known beforehand.

A step that began ``m`` visits ago is judged by generalised least squares under that covariance,
so a new card, the grass after a renovation or an odd drought is no step, as far as it is known to
move readings. The statistic is the largest standardised step over ``m`` (a generalised likelihood
ratio; Lai 1995, J. R. Stat. Soc. B 57:613-658).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

WINDOWS = (1, 2, 3, 4)
"""Numbers of last visits that may stand against the past; tuned on simulated rounds."""
FADING_DAYS = 60.0
"""Days over which a lawn's own wandering fades; our choice."""
LONE_VISIT = 1.0
"""Standard errors by which a single visit must be clearer than two; tuned on simulated rounds."""
MIN_PAST = 3
"""Visits of the past before anything is said; our choice."""
PAST_VISITS = 40
"""Last visits of a place that are looked at; our choice."""
SCATTER_DF = 8.0
"""Visits that the round's scatter is worth beside a lawn's own; our choice."""
SCATTER_LAG_DAYS = 100
"""The last visits, which are in question, do not tell the scatter; our choice."""
ROUND_DF = 40.0
"""Visits that what is said of the errors is worth beside the round's scatter; our choice."""
_LEAST_SCALE, _MOST_SCALE = 0.5, 1.6
_MOST_RATIO = 6.0  # one stray visit is not to set a lawn's scatter
_UNKNOWN = 1e3  # variance of the level against the rest: nothing is known of it


@dataclass(frozen=True, eq=False)
class Shared:
    """What visits of one place share: arrays (n,) of a code, and of its standard deviation.

    Visits of a place with the same code share it; the codes of different places are not compared.
    """

    code: Index
    sd: Array


@dataclass(frozen=True, eq=False)
class Rest:
    """Visits less what the whole round did, in order of place and day, arrays (n,).

    Parameters
    ----------
    place, day, value
        Place number, day, and the value less the round's effect.
    own
        Variance of what is new at each visit.
    season
        (n_places,) standard deviation of the own season's wave.
    stray
        Standard deviation of a lawn's wandering.
    response
        Standard deviation of the lawn's own share in the round's effect, with its sign.
    shared
        What visits share.
    """

    place: Index
    day: Index
    value: Array
    own: Array
    season: Array
    stray: float
    response: Array
    shared: tuple[Shared, ...]


@dataclass(frozen=True, eq=False)
class Drift:
    """The clearest step of each place, arrays (p,); NaN where there is too little to tell.

    Parameters
    ----------
    z
        Standardised step, negative is down, as sure as a normal deviate of that size: its scatter
        is itself known from few visits (Student's t). One visit alone is counted for
        :data:`LONE_VISIT` less.
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


def no_drift(n: int) -> Drift:
    """Return a drift of ``n`` places of which nothing is known."""
    nan, none = np.full(n, np.nan), np.full(n, -1, np.int64)
    return Drift(nan, nan.copy(), nan.copy(), none, np.zeros(n, np.int64), none.copy(), nan.copy())


def clearest_step(rest: Rest, n_places: int, *, sign: int = -1, min_past: int = MIN_PAST) -> Drift:
    """Return the clearest step of each place in the direction of ``sign``.

    Parameters
    ----------
    rest
        One row a visit, finite values only.
    n_places
        Number of places; those without visits come out empty.
    sign
        -1 looks for the clearest fall, +1 for the clearest rise.
    min_past
        Visits of the past before anything is said.
    """
    index, inside = _last_rows(rest.place, n_places)
    whole = np.linalg.cholesky(_covariance(rest, index, inside))
    y = np.where(inside, rest.value[index], 0.0)
    k = y.shape[1]
    late = np.arange(k)[:, None] >= k - np.asarray(WINDOWS)
    sides = np.concatenate([y[:, :, None], inside[:, :, None] * late], axis=2)
    white = np.linalg.solve(whole, sides)
    news, shapes = white[:, :, 0], white[:, :, 1:]
    scale, freedom = _scatter(news, rest.day[index], inside)
    power = (shapes**2).sum(axis=1)
    step = np.einsum("pkm,pk->pm", shapes, news) / np.where(power > 0, power, 1.0)
    with np.errstate(divide="ignore"):
        se = scale[:, None] / np.sqrt(power)
    return _clearest(rest, index, inside, (step, se, freedom), sign, min_past)


def _last_rows(place: Index, n_places: int) -> tuple[Index, Flags]:
    end = np.searchsorted(place, np.arange(n_places), side="right")
    begin = np.searchsorted(place, np.arange(n_places), side="left")
    k = int(min(PAST_VISITS, max((end - begin).max(), max(WINDOWS) + 1)))
    index = end[:, None] - k + np.arange(k)
    inside = index >= begin[:, None]
    return np.clip(index, 0, len(place) - 1), inside


def _covariance(rest: Rest, index: Index, inside: Flags) -> Array:
    """Return the covariance of each place's visits, (p, k, k); 1 on the diagonal of no visit.

    Only the lower triangle is meant: there visits follow one another, and what fades is a product
    like the rest, ``exp(-i) exp(j)``.
    """
    own, day = rest.own[index], rest.day[index]
    usual = float(np.median(own[inside])) + rest.stray**2
    first = np.where(inside, day, np.iinfo(day.dtype).max).min(axis=1, keepdims=True)
    day = np.where(inside, day - first, 0)
    fading, turn = day / FADING_DAYS, 2 * np.pi * day / 365.25
    level, response = np.full(day.shape, np.sqrt(_UNKNOWN * usual)), rest.response[index]
    season = rest.season[:, None]
    wave = season * np.cos(turn), season * np.sin(turn)
    rows = [level, rest.stray * np.exp(-fading), *wave, response]
    columns = [level, rest.stray * np.exp(fading), *wave, response]
    out = np.matmul(
        np.stack(rows, axis=2) * inside[:, :, None], np.stack(columns, axis=1) * inside[:, None, :]
    )
    for part in rest.shared:
        code, sd = part.code[index], np.where(inside, part.sd[index], 0.0)
        if sd.any():
            same = code[:, :, None] == code[:, None, :]
            out += same * sd[:, :, None] * sd[:, None, :]
    diagonal = np.arange(out.shape[1])
    out[:, diagonal, diagonal] += np.where(inside, own, 1.0)
    return np.asarray(out)


def _scatter(news: Array, day: Index, inside: Flags) -> tuple[Array, Array]:
    """Return by how much each place's visits scatter more than was said, and how well it is known.

    A factor and its degrees of freedom, (p,) each.

    ``news`` are what each visit adds to those before it, standardised. Spots photographed again
    and again scatter less than the sampling error says, a rough zone more. Each place's own
    scatter before its last visits is moderated by the round's.
    """
    first = inside & ~np.roll(inside, 1, axis=1)
    first[:, 0] = inside[:, 0]
    early = inside & ~first & (day < day[:, -1:] - SCATTER_LAG_DAYS)
    ratio = np.where(early, np.minimum(news**2, _MOST_RATIO), 0.0)
    n = early.sum(axis=1)
    usual = (ROUND_DF + ratio.sum()) / (ROUND_DF + n.sum())
    own = (SCATTER_DF * usual + ratio.sum(axis=1)) / (SCATTER_DF + n)
    scale = np.sqrt(np.clip(own, _LEAST_SCALE**2, _MOST_SCALE**2))
    return np.asarray(scale), np.asarray(SCATTER_DF + n, float)


def _as_normal(z: Array, freedom: Array) -> Array:
    """Return the normal deviates that are as unlikely as deviates of Student's t."""
    return np.asarray(-np.sign(z) * special.ndtri(special.stdtr(freedom, -np.abs(z))))


def _clearest(
    rest: Rest,
    index: Index,
    inside: Flags,
    fit: tuple[Array, Array, Array],
    sign: int,
    min_past: int,
) -> Drift:
    step, se, freedom = fit
    n_places = len(index)
    out = no_drift(n_places)
    best = np.full(n_places, -np.inf)
    n = inside.sum(axis=1)
    for column, m in enumerate(WINDOWS):
        z = step[:, column] / se[:, column]
        if m == 1:
            z = np.sign(z) * np.maximum(np.abs(z) - LONE_VISIT, 0.0)
        z = _as_normal(z, freedom)
        take = (n - m >= min_past) & inside[:, -m] & (sign * z > best)
        best = np.where(take, sign * z, best)
        for name, value in (
            ("z", z),
            ("step", step[:, column]),
            ("step_se", se[:, column]),
            ("since", rest.day[index[:, -m]]),
            ("n_visits", np.full(n_places, m)),
        ):
            getattr(out, name)[take] = value[take]
    known = inside[:, -1]
    out.last_day[known] = rest.day[index[known, -1]]
    return out
