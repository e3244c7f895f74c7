"""Side-by-side trials: did the treated places change otherwise than the untreated ones?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES
from lawnscore.history.change_error import MADE_BY, change_error
from lawnscore.history.changes import verdicts
from lawnscore.history.intervals import NORMAL_975, t_quantile
from lawnscore.history.sampling import ALPHA, POWER
from lawnscore.history.series import Occasions, day_numbers, iso_date, occasions

Array = npt.NDArray[np.float64]

Place = tuple[str, str | None]
"""Lawn and zone; without a zone, the lawn's only one."""

TRIAL_COLUMNS = (
    "measure",
    "pairs",
    "treated_change",
    "control_change",
    "difference",
    "low",
    "high",
    "verdict",
    "smallest_detectable",
)
LONG_BEFORE_DAYS = 60
"""Photos older than this before the start are remarked on; our choice."""


@dataclass(frozen=True, eq=False)
class Trial:
    """What a trial shows.

    Parameters
    ----------
    table
        One row a main measure, columns :data:`TRIAL_COLUMNS`: mean changes of the treated and the
        untreated places, their difference (treated less untreated) with its 95 % interval.
    start, until
        First day of the treatment and last day looked at.
    notes
        What the numbers alone do not say, in sentences.
    """

    table: pd.DataFrame
    start: str
    until: str
    notes: tuple[str, ...]


def trial(
    visit_scores: pd.DataFrame,
    treated: Sequence[Place],
    control: Sequence[Place],
    start: str,
    *,
    until: str | None = None,
) -> Trial:
    """Compare the changes of treated and untreated places from one date on.

    Parameters
    ----------
    visit_scores
        The table of visits.
    treated, control
        Places. As many controls as treated places are taken in pairs, in order; one control
        stands against all of them.
    start
        Day the treatment began; the last visit up to it (before any work) is the start.
    until
        Last day to look at; by default the last visit of each place.

    Returns
    -------
    Trial
        With one pair the interval is that of the photos alone (as in
        :mod:`lawnscore.history.changes`): it holds for these two places, not for others. With
        more pairs it is Student's over the pairs, never narrower than the photos allow.
        ``verdict`` is corrected over the measures by Holm's method; it is held against a
        treatment that did nothing, under which the treated place would have changed as the other.

    Raises
    ------
    LawnscoreError
        When a place is not in the table, the numbers of places do not match, or a place has no
        visits on both sides of the start.
    """
    pairs = _pairs(treated, control)
    series = occasions(visit_scores)
    first = int(day_numbers(pd.Series([start]))[0])
    last = None if until is None else int(day_numbers(pd.Series([until]))[0])
    ends = {
        place: _ends(series, _place(series, place), place, first, last)
        for pair in pairs
        for place in pair
    }
    names = [name for name, measure in MEASURES.items() if measure.main]
    rows = [_measure_row(series, name, pairs, ends) for name in names]
    table = pd.DataFrame(rows)
    table["verdict"] = verdicts(
        names, table["difference"].to_numpy(float), table.pop("p").to_numpy(float)
    )
    finish = max(int(series.day[end[1]]) for end in ends.values())
    return Trial(
        table[list(TRIAL_COLUMNS)], start, iso_date(finish), _notes(series, pairs, ends, first)
    )


def _pairs(treated: Sequence[Place], control: Sequence[Place]) -> list[tuple[Place, Place]]:
    if not treated or not control:
        raise LawnscoreError(
            "a trial needs treated and untreated places", "Name both, as LAWN or LAWN/ZONE."
        )
    both = set(treated) & set(control)
    if both:
        raise LawnscoreError(
            f"`{_name(both.pop())}` is both treated and untreated", "Name it once."
        )
    controls = list(control) * len(treated) if len(control) == 1 else list(control)
    if len(controls) != len(treated):
        raise LawnscoreError(
            f"{len(treated)} treated places stand against {len(control)} untreated ones",
            "Name one untreated place for all of them, or one for each, in the same order.",
        )
    return list(zip(treated, controls, strict=True))


def _name(place: Place) -> str:
    return place[0] if place[1] is None else f"{place[0]}/{place[1]}"


def _place(series: Occasions, place: Place) -> int:
    lawn, zone = place
    rows = np.flatnonzero(series.places["lawn"].to_numpy() == lawn)
    if zone is not None:
        rows = rows[series.places["zone"].to_numpy()[rows] == zone]
    if not len(rows):
        raise LawnscoreError(
            f"there are no visits of `{_name(place)}`", "Write lawn and zone as in lawns.csv."
        )
    if len(rows) > 1:
        zones = ", ".join(series.places["zone"].iloc[rows])
        raise LawnscoreError(f"lawn `{lawn}` has zones {zones}", f"Write {lawn}/ZONE.")
    return int(rows[0])


def _ends(
    series: Occasions, number: int, place: Place, start: int, last: int | None
) -> tuple[int, int]:
    seen = np.isfinite(series.values("green_cover_pct")) & (series.place == number)
    # a photo taken after work on the first day already shows the treatment's day
    early = seen & ((series.day < start) | ((series.day == start) & (series.stage < 2)))
    late = seen & (series.day > start)
    if last is not None:
        late &= series.day <= last
    if not early.any() or not late.any():
        side = "before" if not early.any() else "after"
        raise LawnscoreError(
            f"`{_name(place)}` was not photographed {side} {iso_date(start)}",
            "Choose another date with --from, or photograph it.",
        )
    return int(np.flatnonzero(early)[-1]), int(np.flatnonzero(late)[-1])


def _measure_row(
    series: Occasions,
    name: str,
    pairs: list[tuple[Place, Place]],
    ends: dict[Place, tuple[int, int]],
) -> dict[str, object]:
    found = [[_change(series, name, ends[place]) for place in pair] for pair in pairs]
    table = np.array([[(c.change, c.down, c.up) for c in pair] for pair in found])
    each = table[:, 0, 0] - table[:, 1, 0]
    down = np.hypot(table[:, 0, 1], table[:, 1, 2])
    up = np.hypot(table[:, 0, 2], table[:, 1, 1])
    alike = np.array([_alike(treated, untreated) for treated, untreated in found])
    difference = float(each.mean())
    low, high, df = _interval(each, down, up)
    test_low, test_high, _ = _interval(each, alike, alike)
    t975 = float(t_quantile(df))
    half = (difference - test_low) if difference >= 0 else (test_high - difference)
    p = _two_sided(difference, half / t975, df)
    if p < ALPHA:  # which way it went is known, however far
        low, high = (max(low, 0.0), high) if difference > 0 else (low, min(high, 0.0))
    return {
        "measure": name,
        "pairs": len(pairs),
        "treated_change": float(table[:, 0, 0].mean()),
        "control_change": float(table[:, 1, 0].mean()),
        "difference": difference,
        "low": low,
        "high": high,
        "p": p,
        "smallest_detectable": (t975 + float(t_quantile(df, POWER))) * half / t975,
    }


@dataclass(frozen=True)
class _Change:
    """The change of one place: how far its interval reaches, variance of its error.

    Parameters
    ----------
    change, down, up
        Change, and how far its 95 % interval reaches below and above.
    unchanged
        The same reach, either way, had this measure not changed there.
    moved
        Variance that the change itself adds.
    """

    change: float
    down: float
    up: float
    unchanged: float
    moved: float


def _change(series: Occasions, name: str, ends: tuple[int, int]) -> _Change:
    a, b = np.array([ends[0]]), np.array([ends[1]])
    # what was tried may have changed the grass, so less of the errors is counted on to cancel
    error = change_error(series, a, b, renewed=np.ones(1, bool))
    whole, still = error.variance(name), error.variance(name, unchanged=True)
    change, low, high = error.interval(name, whole)
    _, least, most = error.interval(name, still)
    return _Change(
        float(change[0]),
        float((change - low)[0]),
        float((high - change)[0]),
        float((most - least)[0]) / 2,
        max(float((whole - still)[0]), 0.0),
    )


def _alike(treated: _Change, untreated: _Change) -> float:
    """Return how far the difference reaches, had the treatment done nothing.

    Then the treated place would have changed as the other did, so what a change of that size adds
    to the error is counted for both, and not what the treated one's own adds: a difference is not
    to be the doubt whether there is one.
    """
    moved = NORMAL_975 * math.sqrt(untreated.moved)
    return math.hypot(math.hypot(treated.unchanged, moved), math.hypot(untreated.unchanged, moved))


_ONE_PAIR_DF = 10.0
"""Degrees of freedom counted for one pair's photos, as the tables do not keep them; our choice."""


def _interval(each: Array, down: Array, up: Array) -> tuple[float, float, float]:
    k, mean = len(each), float(each.mean())
    photos_down = float(np.sqrt(np.sum(down**2))) / k
    photos_up = float(np.sqrt(np.sum(up**2))) / k
    if k == 1:
        return mean - photos_down, mean + photos_up, _ONE_PAIR_DF
    half = float(t_quantile(k - 1)) * float(each.std(ddof=1)) / np.sqrt(k)
    return mean - max(half, photos_down), mean + max(half, photos_up), float(k - 1)


def _two_sided(difference: float, se: float, df: float) -> float:
    from scipy import special

    if not np.isfinite(se) or se <= 0:
        return float("nan")
    return float(2 * special.stdtr(df, -abs(difference) / se))


def _notes(
    series: Occasions,
    pairs: list[tuple[Place, Place]],
    ends: dict[Place, tuple[int, int]],
    start: int,
) -> tuple[str, ...]:
    notes = []
    if len(pairs) == 1:
        notes.append(
            "One pair is not proof: it shows whether these two places changed differently, not "
            "why. Repeat it on other lawns, and swap the sides."
        )
    else:
        notes.append(
            f"{len(pairs)} pairs; which place was treated should have been left to chance."
        )
    if len({pair[1] for pair in pairs}) < len(pairs):
        notes.append("All pairs share one untreated place, so they are not independent.")
    for place, (a, b) in ends.items():
        if start - series.day[a] > LONG_BEFORE_DAYS:
            notes.append(
                f"{_name(place)}: the last photos before the start are from "
                f"{iso_date(series.day[a])}."
            )
        for column, word in MADE_BY.items():
            if column not in series.table:
                continue
            old, new = series.table[column].iloc[a], series.table[column].iloc[b]
            if pd.notna(old) and pd.notna(new) and old != new:
                notes.append(f"{_name(place)}: made with another {word} before than after.")
    return tuple(notes)
