"""How far each place has moved from its own past, its season and its round-mates.

The model, for one measure of one place at one visit::

    value = level + own season + what the whole round did, as this lawn follows it
            + wandering + what the visits of a stretch share + what is new at the visit

*What the whole round did* is a running mean (triangle, four weeks each way) of the other places'
departures from their own levels; outliers are drawn in, and it is shrunk by how well the mates
tell it. So droughts, winters and the shared season fall out. Levels are taken stretch by stretch
(:attr:`Visits.stretch`): a renovation brings other grass, which is read otherwise.

What is left is judged by :mod:`lawnscore.history.steps`. Times in which a renovation sets the
sward back on purpose are left out before.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from lawnscore.history.change_error import moved_points
from lawnscore.history.steps import MIN_PAST, Drift, Rest, Shared, clearest_step, no_drift

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

HISTORY_DAYS = 500
"""How far back a lawn's own past is asked: a year and a season; tuned on simulated rounds."""
MATE_DAYS = 28
"""Half width of the running mean over round-mates; tuned on simulated rounds."""
OWN_RESPONSE = 0.3
"""How much more or less than the others a lawn may go along with the round; our choice."""
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
    """Visits in order of place and day, arrays (n,).

    Parameters
    ----------
    place, day, value
        Place number, day and value.
    se
        Error that is new at each visit.
    stretch
        Number of the stretch of visits whose readings compare; ``None``: one a place.
    shared
        Errors that visits of a place share.
    point
        Error that each point brings by which a lawn goes along with the round.
    """

    place: Index
    day: Index
    value: Array
    se: Array
    stretch: Index | None = None
    shared: tuple[Shared, ...] = field(default=())
    point: float = 0.0

    def those(self, keep: npt.NDArray[np.bool_]) -> Visits:
        """Return some of the visits."""
        return Visits(
            self.place[keep],
            self.day[keep],
            self.value[keep],
            self.se[keep],
            None if self.stretch is None else self.stretch[keep],
            tuple(Shared(part.code[keep], part.sd[keep]) for part in self.shared),
            self.point,
        )


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
        return no_drift(n_places)
    visits = visits.those(visits.day > visits.day.max() - HISTORY_DAYS)
    se = _steadied(visits.se)
    common, common_var, stray, has_mates = round_effect(visits, priors)
    n_visits = np.maximum(np.bincount(visits.place, minlength=n_places), 1)
    mates = np.bincount(visits.place, has_mates, minlength=n_places) / n_visits
    rest = Rest(
        visits.place,
        visits.day,
        visits.value - common,
        se**2 + common_var,
        np.where(mates > 0.5, priors.season_mates, priors.season_alone),
        stray,
        response(visits, common),
        visits.shared,
    )
    moved = clearest_step(rest, n_places, sign=sign, min_past=min_past)
    last = np.searchsorted(visits.place, np.arange(n_places), side="right") - 1
    seen = moved.last_day >= 0
    moved.last_value[seen] = visits.value[last[seen]]
    return moved


def response(visits: Visits, common: Array) -> Array:
    """Return by how much a lawn may differ from the others in what the whole round does, 1 sigma.

    Lawns follow a drought more or less; and what they do is read more or less strongly.
    """
    read = visits.point * moved_points(np.abs(common))
    return np.asarray(np.sign(common) * np.hypot(OWN_RESPONSE * common, read))


def _steadied(se: Array) -> Array:
    # the width of an interval from a few photos is itself a chance result
    return np.asarray(np.sqrt((se**2 + np.median(se**2)) / 2))


def round_effect(
    visits: Visits, priors: DriftPriors
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
    stretch = visits.place if visits.stretch is None else visits.stretch
    alike, stretch = np.unique(stretch, return_inverse=True)
    common = np.zeros(len(offset))
    variance = np.full(len(offset), priors.common**2)
    noise = visits.se**2 + priors.stray_least**2
    stray, has_mates = priors.stray_least, np.zeros(len(offset), bool)
    for _ in range(_ROUNDS):
        w = 1 / (noise + variance)
        level = _group_mean(visits.value - common, w, stretch, len(alike))
        away = visits.value - level[stretch]
        scale = np.sqrt(noise)
        drawn = common + np.clip(away - common, -_CLIP * scale, _CLIP * scale)
        # a visit that alone tells its level tells nothing of the round
        lever = w / np.bincount(stretch, w)[stretch]
        total, weight, squared = _running(offset, drawn, np.maximum(1 - lever, 0.0) / noise)
        has_mates = weight > 1e-9 / np.median(noise)
        raw = np.where(has_mates, total / np.where(has_mates, weight, 1.0), 0.0)
        raw_var = np.where(has_mates, squared / np.where(has_mates, weight, 1.0) ** 2, np.inf)
        tau2 = _excess(raw, raw_var, has_mates, priors.common)
        keep = tau2 / (tau2 + raw_var)
        common, variance = keep * raw, tau2 * (1 - keep)
        rest = away - common
        told = visits.se**2 + variance + response(visits, common) ** 2 + priors.season_mates**2
        stray = _stray(rest, told, priors)
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
    common, common_var, stray, _ = round_effect(visits, priors)
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
