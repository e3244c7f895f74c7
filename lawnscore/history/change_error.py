"""The error of a change between two visits: what both share is in no change.

Most of what a photo's measures err by comes from the lawn itself: its soil, the make-up of its
leaf, how its straw looks. It is there again at the next visit, so a level may be uncertain by 7
points where a change is known to 2. For one measure, with standard deviations (1 sigma, in the
measure's unit) of the errors that

    day      one day's light and moisture give all photos of a visit
    phone    another phone brings
    print    another print of the card brings, by where the card's colours come from
    faded    a season of use brings by the fading of a card
    grass    other grass brings, where it has grown in since a renovation
    point    each point brings by which the ground has changed: a scarified lawn is another lawn
    leaf     each unit brings by which the leaf's colour has changed (CIE 1976 difference)

the error that photos share has in the difference of two visits the variance

    u**2 (day**2 / lights + phone**2 / phones [other phone] + print**2 [other card]
            + grass**2 [other grass])
      + v**2 (the same of the other visit)
      + faded**2 * (days between / 180)**2 [same card]
      + point**2 * points**2 / (1 + points / 20) + leaf**2 * (dL**2 + da**2 + db**2)

The first points tell most: a lawn that was scarified hard is no other lawn than one scarified
well (the 20 is our choice). The changes of ground and leaf are those that were measured, and so
they were when the parts were fitted: what they err by is in the parts. Ground that the method is
less sure of is read more differently from day to day: ``u`` and ``v`` are
``(stated / typical)**power`` of either visit, of the error that its photos state; 1 with power 0.
Of shares whose stated error is 2.5 times the typical one, less and less is counted on to cancel,
and nothing from 3.5 times: such ground may be taken for another surface, and then a change of it
is not seen at all (both are our choice).
``points`` is half the sum of the changes of the five shares. Whether a measure has changed at all
is asked of a lawn on which it has not: there its own change brings no error, and ``points`` is that
of what else covers the ground; of the leaf's colour, ``leaf`` is nothing.
Photos of one visit that were taken hours apart were taken in several lights, which err apart; so do
several phones. Phones are told apart by what the camera wrote (EXIF), cards by their names; a phone
that is not said counts as another. Nothing is shared across a change of program, settings or
reference, nor where points read by eye corrected the shares. A change is never said to be less
sure than two levels that share nothing.

The figures stand in ``change_errors.json``, written by ``benchmarks/studies/change_errors.py``.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.measures import SURFACE_SHARES
from lawnscore.history.intervals import difference_interval, half_width_se
from lawnscore.history.series import Occasions

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

DOUBTED = 2.5
"""Stated error of a share, in typical ones, from which less is counted on to cancel; our choice."""
HALFWAY_POINTS = 20.0
"""Change of the ground from which more of it adds less and less; our choice."""
SEASON_DAYS = 180.0
"""Days of use in which a card fades as it did in the study; our choice."""
MOST_SEASONS = 2.0
"""Seasons of fading that are counted at most; our choice."""
GROWN_DAYS = 21
"""Days after a renovation from which other grass counts as grown in: seed shows after one to three
weeks (common practice, no source)."""
PARTS = ("day", "phone", "print_nominal", "print_known", "grass", "point", "leaf", "faded",
         "typical", "power")  # fmt: skip
"""What is stored of each measure."""

LEAF_COLOUR = ("leaf_L", "leaf_a", "leaf_b")
OF_LEAF = (*LEAF_COLOUR, "colour_index")
"""Measures whose own change is the change of the leaf's colour."""
METHOD = ("version", "settings_id", "colour_reference")
"""Columns of a visit across which nothing is shared."""
MADE_BY = {
    "version": "version",
    "settings_id": "settings",
    "colour_reference": "colour reference",
    "card": "card",
    "camera": "phone",
}
"""Columns of a visit that say how it was made, and the word for each."""


@dataclass(frozen=True)
class Parts:
    """Standard deviations of one measure's errors, and what they go with; see the module."""

    day: float
    phone: float
    print_nominal: float
    print_known: float
    grass: float
    point: float
    typical: float
    power: float
    leaf: float = 0.0
    faded: float = 0.0

    def unlike(self, stated: npt.ArrayLike) -> Array:
        """Return how far ground with such a stated error counts as never seen, 0 to 1."""
        return np.asarray(np.clip(np.asarray(stated, float) / self.typical - DOUBTED, 0.0, 1.0))

    def size(self, stated: npt.ArrayLike) -> Array:
        """Return ``u`` of visits whose photos state such an error; 1 where they state none."""
        said = np.asarray(stated, float)
        return np.asarray(np.where(said > 0, said / self.typical, 1.0) ** self.power)


def moved_points(points: npt.ArrayLike) -> Array:
    """Return what points of change of the ground count for, ``points / sqrt(1 + points / 20)``."""
    p = np.asarray(points, float)
    return np.asarray(p / np.sqrt(1 + p / HALFWAY_POINTS))


@cache
def error_parts() -> dict[str, Parts]:
    """Return the parts by measure."""
    text = resources.files("lawnscore.history").joinpath("change_errors.json").read_text("utf-8")
    return {name: Parts(**parts) for name, parts in json.loads(text)["measures"].items()}


@dataclass(frozen=True, eq=False)
class ChangeError:
    """What pairs of occasions of one place share of their errors, arrays (q,).

    Parameters
    ----------
    points
        Half the sum of the changes of the shares of the ground, 0 to 100; NaN where unknown.
    others
        The same by share, among the other four: what has changed if that one has not.
    same_method, same_card, same_phone
        Whether both were scored by the same program, settings and reference, with a card of the
        same name and a phone of the same make and model. A phone that is not said is another.
    nominal
        Whether the card's colours are nominal, or it is not said what they are.
    renewed
        Whether other grass has grown in after a renovation in between.
    leaf
        By how much the leaf's colour has changed, CIE 1976 difference; 0 where unknown.
    seasons
        How many seasons of use of the card lie between.
    lights, phones
        In how many lights and with how many phones either occasion was photographed, 1 or more.
    corrected
        Whether the shares were corrected by points read by eye: what lasts of their error is gone
        then, and what is left may all be new.
    ends
        Gives, by measure, value, lower and upper end and shared error of either occasion.
    """

    points: Array
    others: dict[str, Array]
    same_method: Flags
    same_card: Flags
    same_phone: Flags
    nominal: Flags
    renewed: Flags
    leaf: Array
    seasons: Array
    lights: tuple[Array, Array]
    phones: tuple[Array, Array]
    corrected: Flags
    ends: Callable[[str], tuple[tuple[Array, ...], tuple[Array, ...]]]

    def variance(self, measure: str, *, unchanged: bool = False) -> Array:
        """Return the variance (q,) that errors common to a visit's photos have in the difference.

        That of two levels that share nothing where nothing is known to be shared. With
        ``unchanged`` it is the variance where this measure has not changed: what a test needs.
        """
        first, second = self.ends(measure)
        apart = first[3] ** 2 + second[3] ** 2
        parts = error_parts().get(measure)
        if parts is None:
            return np.asarray(apart)
        of_print = np.where(self.nominal, parts.print_nominal, parts.print_known)
        points = self.others.get(measure, self.points) if unchanged else self.points
        leaf = 0.0 if unchanged and measure in OF_LEAF else self.leaf
        variance = (parts.point * moved_points(points)) ** 2 + (parts.leaf * leaf) ** 2
        faded = np.where(self.same_card, parts.faded * self.seasons, 0.0)
        variance = variance + faded**2
        for end, lights, phones in zip((first, second), self.lights, self.phones, strict=True):
            own = parts.day**2 / lights + np.where(self.same_phone, 0.0, parts.phone**2 / phones)
            own = own + np.where(self.same_card, 0.0, of_print**2)
            own = own + np.where(self.renewed, parts.grass**2, 0.0)
            variance = variance + parts.size(end[3]) ** 2 * own
        if measure in SURFACE_SHARES:
            unlike = np.fmax(parts.unlike(first[3]), parts.unlike(second[3]))
            variance = (1 - unlike) * variance + unlike * apart
        alone = ~self.same_method | ~np.isfinite(variance)
        if measure in (*SURFACE_SHARES, "condition"):
            alone = alone | self.corrected
        return np.where(alone, apart, np.minimum(variance, apart))

    def mixed(self, measure: str) -> Array:
        """Return the variance (q,) among differences of single photos that several lights bring.

        And several phones, where they are others at the other visit. It is in :meth:`variance`
        already, so a scatter of photos that is added to that must be less by it.
        """
        parts = error_parts().get(measure)
        mixed = np.zeros(len(self.points))
        if parts is None:
            return mixed
        for end, lights, phones in zip(self.ends(measure), self.lights, self.phones, strict=True):
            own = parts.day**2 * (1 - 1 / lights)
            own = own + np.where(self.same_phone, 0.0, parts.phone**2 * (1 - 1 / phones))
            mixed = mixed + parts.size(end[3]) ** 2 * own
        return mixed

    def interval(self, measure: str, variance: Array | None = None) -> tuple[Array, Array, Array]:
        """Return the change and its 95 % interval, the visits' photos being of different spots.

        ``variance`` is what :meth:`variance` gave, where it is at hand.
        """
        first, second = self.ends(measure)
        shared = self.variance(measure) if variance is None else variance
        return difference_interval(first, second, shared)


def change_error(
    series: Occasions, first: Index, second: Index, *, renewed: Flags | None = None
) -> ChangeError:
    """Return what pairs of occasions share; ``first`` and ``second`` are rows of the series."""
    shares = np.array([[series.values(n)[end] for n in SURFACE_SHARES] for end in (first, second)])
    moved = np.abs(shares[1] - shares[0])
    said = np.isfinite(moved)
    total = np.where(said, moved, 0.0).sum(axis=0)
    # with all shares each point is counted twice: where it went and where it came from
    points = np.where(said.all(axis=0), total / 2, np.where(said.any(axis=0), total, np.nan))
    known, checked = colours_known(series), checked_by_eye(series)
    phone = _codes(series, "camera")
    leaf = [series.values(name)[second] - series.values(name)[first] for name in LEAF_COLOUR]
    return ChangeError(
        points=points,
        others=_moved_among_others(shares, points),
        same_method=~_differ(series, first, second, METHOD),
        same_card=~_differ(series, first, second, ("card",)),
        same_phone=(phone[first] == phone[second]) & ((phone[first] >= 0) | (first == second)),
        nominal=~known[first],
        renewed=np.zeros(len(first), bool) if renewed is None else renewed,
        leaf=np.nan_to_num(np.linalg.norm(leaf, axis=0)),
        seasons=np.minimum(
            np.abs(series.day[second] - series.day[first]) / SEASON_DAYS, MOST_SEASONS
        ),
        lights=_numbers_of(series, "lights", first, second),
        phones=_numbers_of(series, "phones", first, second),
        corrected=checked[first] | checked[second],
        ends=lambda name: (_ends(series, name, first), _ends(series, name, second)),
    )


def _moved_among_others(shares: Array, points: Array) -> dict[str, Array]:
    """Return points of change among the other shares, by share; of shares (2, 5, q).

    The others as parts of what is not that share, on the lesser of the two areas of it. Shares that
    are unknown count for nothing; NaN where none is known (``points`` is NaN).
    """
    out = {}
    for k, name in enumerate(SURFACE_SHARES):
        rest = np.nan_to_num(np.delete(shares, k, axis=1))
        area = rest.sum(axis=1)
        part = rest / np.where(area > 0, area, 1.0)[:, None]
        moved = np.abs(part[1] - part[0]).sum(axis=0) / 2 * area.min(axis=0)
        out[name] = np.where(np.isnan(points), np.nan, moved)
    return out


def _numbers_of(series: Occasions, column: str, first: Index, second: Index) -> tuple[Array, Array]:
    """Return a count of either occasion; 1 where the table does not say."""
    count = np.fmax(series.values(column), 1.0)
    return count[first], count[second]


def _ends(series: Occasions, measure: str, rows: Index) -> tuple[Array, ...]:
    names = (measure, f"{measure}_low", f"{measure}_high")
    return (*(series.values(name)[rows] for name in names), shared_se(series, measure)[rows])


def colours_known(series: Occasions) -> Flags:
    """Return where the colours of the card are known better than nominal, (n,)."""
    if "colour_reference" not in series.table:
        return np.zeros(len(series.table), bool)
    return series.table["colour_reference"].isin(("measured", "learned")).to_numpy(bool)


def checked_by_eye(series: Occasions) -> Flags:
    """Return where points read by eye corrected the shares, (n,)."""
    if "checked_points" not in series.table:
        return np.zeros(len(series.table), bool)
    return series.table["checked_points"].notna().to_numpy(bool)


def shared_se(series: Occasions, measure: str) -> Array:
    """Return the error that a visit's photos share, (n,); 0 where the table does not say."""
    return np.nan_to_num(series.values(f"{measure}_shared_se"))


def own_variance(series: Occasions, measure: str) -> Array:
    """Return the variance of a visit's estimate less the error that its photos share, (n,)."""
    whole = half_width_se(series.values(f"{measure}_low"), series.values(f"{measure}_high"))
    return np.maximum(whole**2 - shared_se(series, measure) ** 2, 0.0)


def alike_sd(
    measure: str, points: float = 0.0, *, stated: float = 0.0, same_phone: bool = True
) -> float:
    """Return the error of a change that no number of photos makes smaller, 1 sigma.

    With the same card, leaf of the same colour, each visit in one light, the ground changed by so
    many points, and photos that state such an error (0 is the typical one). NaN for a measure
    that was not studied.
    """
    parts = error_parts().get(measure)
    if parts is None:
        return float("nan")
    phone = 0.0 if same_phone else parts.phone
    both = 2 * float(parts.size(stated)) ** 2 * (parts.day**2 + phone**2)
    variance = both + float(parts.point * moved_points(points)) ** 2
    if measure in SURFACE_SHARES:
        unlike = float(parts.unlike(stated))
        variance = (1 - unlike) * variance + unlike * 2 * stated**2
    return float(np.sqrt(variance))


def method_changed(series: Occasions, first: Index, second: Index) -> Flags:
    """Return whether two occasions were scored differently, as far as the cells say."""
    return _differ(series, first, second, (*METHOD, "card"))


def made_otherwise(series: Occasions, first: Index, second: Index) -> npt.NDArray[np.object_]:
    """Return what two occasions differ in of how they were made, in words; None for nothing."""
    out = np.full(len(first), "", object)
    for column, word in MADE_BY.items():
        other = _differ(series, first, second, (column,))
        out[other] = out[other] + np.where(out[other] == "", word, ", " + word)
    out[out == ""] = None
    return out


def _differ(series: Occasions, first: Index, second: Index, columns: tuple[str, ...]) -> Flags:
    changed = np.zeros(len(first), bool)
    for column in columns:
        codes = _codes(series, column)
        changed |= (codes[first] != codes[second]) & (codes[first] >= 0) & (codes[second] >= 0)
    return changed


def _codes(series: Occasions, column: str) -> Index:
    """Return the words of a column as numbers; -1 where empty or without the column."""
    if column not in series.table:
        return np.full(len(series.table), -1, np.int64)
    words = series.table[column].astype("object")
    return np.asarray(pd.factorize(words.where(words != ""))[0], np.int64)


def renewed_between(series: Occasions, first: Index, second: Index, done: pd.DataFrame) -> Flags:
    """Return whether other grass has grown in between, :data:`GROWN_DAYS` after a renovation.

    Parameters
    ----------
    done
        Renovations, columns ``place`` and ``day`` in order (:func:`series.renovations`).
    """
    if done.empty:
        return np.zeros(len(first), bool)
    span = 4_000_000  # sub-days: day * 4 + stage stays below this
    key = np.sort(done["place"].to_numpy() * span + (done["day"].to_numpy() + GROWN_DAYS) * 4)

    def before(rows: Index) -> Index:
        at = series.place[rows] * span + series.day[rows] * 4 + series.stage[rows]
        return np.asarray(np.searchsorted(key, at, side="right"), np.int64)

    return np.asarray(before(second) > before(first))
