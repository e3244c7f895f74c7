"""What two visits of a lawn share of their errors, and so is in no change.

Most of what a photo's measures err by comes from the lawn itself: its soil, the make-up of its
leaf, how its straw looks. That is there again at the next visit, so in a difference it cancels: a
level may be uncertain by 10 points where a change is known to 5. With the standard errors ``a``
and ``b`` that the photos of either visit share,

    variance of the difference's error = a**2 + b**2 - 2 rho a b = 2 new**2

``new`` is what a visit adds: its light, camera, moisture, dew, and what the lawn has become since.
It was measured, in the measure's own unit, by `benchmarks/studies/same_lawn.py` on lawns, soils and
cameras that the network was not trained on: lawns followed over a season from dew to drought,
renovation and regrowth. ``new`` grows with how far the ground has changed (half the sum of the
changes of the five shares), is larger where other grass may have grown, and nothing is shared
across a change of program, settings, card or reference. A change is never said to be less sure
than two levels that share nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.measures import SURFACE_SHARES
from lawnscore.history.intervals import half_width_se
from lawnscore.history.series import Occasions

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

NEW_ERROR: dict[str, tuple[float, float, float]] = {
    "green_cover_pct": (2.9, 3.6, 0.13),
    "straw_cover_pct": (2.6, 3.3, 0.24),
    "bare_soil_pct": (1.5, 1.7, 0.25),
    "litter_pct": (0.22, 0.22, 0.010),
    "cast_cover_pct": (0.28, 0.28, 0.008),
    "casts_per_m2": (5.9, 5.9, 0.4),
    "bare_patch_pct": (0.55, 0.59, 0.16),
    "bare_patches_per_m2": (0.55, 0.55, 0.09),
    "largest_bare_patch_cm2": (19.0, 19.0, 4.8),
    "colour_index": (0.031, math.inf, 0.0006),
    "leaf_L": (3.6, 4.8, 0.0),
    "leaf_a": (1.5, 1.7, 0.03),
    "leaf_b": (2.5, 3.0, 0.02),
    "evenness": (2.0, 2.0, 0.15),
    "condition": (4.1, 4.1, 0.12),
}
"""What a visit adds to the error of a measure, 1 sigma: on a lawn that has not changed (card
colours measured or learned, and nominal) and for each point that its ground has changed. Scaled to
hold 95 % of the differences of `benchmarks/studies/same_lawn.py --family report` (7 lawns, 9 visits
each). Where nominal colours have nothing in common from print to print, that is infinite."""

RENEWED_WIDENS = 1.4
"""Factor on it where a renovation lies between. Our choice: too few such pairs were measured."""

METHOD = ("version", "settings_id", "card", "colour_reference")
"""Columns of a visit that say how it was scored."""


@dataclass(frozen=True, eq=False)
class Likeness:
    """How alike two occasions of one place are, arrays (q,).

    Parameters
    ----------
    points
        Half the sum of the changes of the shares of the ground, 0 to 100; NaN where unknown.
    same_method
        Whether both were scored by the same program, settings, card and reference, as far as is
        said.
    nominal
        Whether the card's colours are nominal, or it is not said what they are.
    renewed
        Whether a renovation lies between.
    corrected
        Whether the shares were corrected by points read by eye: what lasts of their error is gone
        then, and what is left may all be new. ``None`` is nowhere.
    stated
        Gives, by measure, the errors (q,) that the photos of either occasion share.
    """

    points: Array
    same_method: Flags
    nominal: Flags
    renewed: Flags
    corrected: Flags | None = None
    stated: Callable[[str], tuple[Array, Array]] | None = None

    def lasting_share(self, measure: str) -> Array:
        """Return ``rho`` of one measure, (q,), 0 to 1; 0 of one that was not studied."""
        if measure not in NEW_ERROR or self.stated is None:
            return np.zeros(len(self.points))
        known, nominal, a_point = NEW_ERROR[measure]
        new = np.hypot(np.where(self.nominal, nominal, known), a_point * self.points)
        new = np.where(self.renewed, RENEWED_WIDENS * new, new)
        a, b = self.stated(measure)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip((a**2 + b**2 - 2 * new**2) / (2 * a * b), 0.0, 1.0)
        share = np.nan_to_num(share)
        if self.corrected is not None and measure in (*SURFACE_SHARES, "condition"):
            share = np.where(self.corrected, 0.0, share)
        return np.where(self.same_method & np.isfinite(self.points), share, 0.0)


def likeness(
    series: Occasions, first: Index, second: Index, *, renewed: Flags | None = None
) -> Likeness:
    """Return how alike pairs of occasions are; ``first`` and ``second`` are rows of the series."""
    moved = np.abs([series.values(n)[second] - series.values(n)[first] for n in SURFACE_SHARES])
    said = np.isfinite(moved)
    total = np.where(said, moved, 0.0).sum(axis=0)
    # with all shares each point is counted twice: where it went and where it came from
    points = np.where(said.all(axis=0), total / 2, np.where(said.any(axis=0), total, np.nan))
    known = np.zeros(len(series.table), bool)
    if "colour_reference" in series.table:
        known = series.table["colour_reference"].isin(("measured", "learned")).to_numpy(bool)
    return Likeness(
        points,
        ~method_changed(series, first, second),
        ~known[first],
        np.zeros(len(first), bool) if renewed is None else renewed,
        _checked(series)[first] | _checked(series)[second],
        lambda name: (shared_se(series, name)[first], shared_se(series, name)[second]),
    )


def _checked(series: Occasions) -> Flags:
    if "checked_points" not in series.table:
        return np.zeros(len(series.table), bool)
    return series.table["checked_points"].notna().to_numpy(bool)


def method_changed(series: Occasions, first: Index, second: Index) -> Flags:
    """Return whether two occasions were scored differently, as far as the cells say."""
    changed = np.zeros(len(first), bool)
    for column in METHOD:
        if column in series.table:
            codes = _codes(series, column)
            changed |= (codes[first] != codes[second]) & (codes[first] >= 0) & (codes[second] >= 0)
    return changed


def _codes(series: Occasions, column: str) -> Index:
    """Return the words of a column as numbers; -1 where empty."""
    return np.asarray(pd.factorize(series.table[column].astype("object"))[0], np.int64)


def shared_se(series: Occasions, measure: str) -> Array:
    """Return the error that a visit's photos share, (n,); 0 where the table does not say."""
    return np.nan_to_num(series.values(f"{measure}_shared_se"))


def correlation(series: Occasions, measure: str, first: Index, second: Index, rho: Array) -> Array:
    """Return the correlation of the estimates of two occasions, (q,).

    ``rho a b / (s_a s_b)`` with the shared errors ``a, b`` and the whole errors ``s`` that the
    intervals amount to; 0 where the table does not say.
    """
    shared = shared_se(series, measure)
    whole = half_width_se(series.values(f"{measure}_low"), series.values(f"{measure}_high"))
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.nan_to_num(np.clip(shared / whole, 0.0, 1.0))
    return np.asarray(rho * part[first] * part[second])


def renewed_between(series: Occasions, first: Index, second: Index, done: pd.DataFrame) -> Flags:
    """Return whether a renovation was begun after the first occasion's day, by the second's.

    Parameters
    ----------
    done
        Renovations, columns ``place`` and ``day`` in order (:func:`series.renovations`). One on
        the first occasion's own day lies between when that was photographed before the work;
        one on the second's own day when that was photographed after it.
    """
    if done.empty:
        return np.zeros(len(first), bool)
    span = 4_000_000  # sub-days: day * 4 + stage stays below this
    key = np.sort(done["place"].to_numpy() * span + done["day"].to_numpy() * 4 + 1)

    def before(rows: Index) -> Index:
        at = series.place[rows] * span + series.day[rows] * 4 + series.stage[rows]
        return np.asarray(np.searchsorted(key, at), np.int64)

    return np.asarray(before(second) > before(first))
