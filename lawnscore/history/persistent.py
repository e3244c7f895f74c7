"""The part of a stated error that stays on its lawn, and so is in no change.

Most of what a photo's measures err by comes from the lawn itself: its soil, the make-up of its
leaf, how its straw looks. That is there again at the next visit, so in a difference most of it
cancels. With the standard errors ``a`` and ``b`` that the photos of either visit share,

    variance of the difference's error = a**2 + b**2 - 2 rho a b

``rho`` is the lasting share of the stated variance. It is a matter of figures, and these come from
`benchmarks/studies/same_lawn.py`: lawns followed over a season, soil moisture, dew, cover, straw,
chlorophyll, mowing, light, camera and its settings changing from visit to visit. ``1 - rho`` is
what was left of the stated variance in differences, so an error that is stated too wide counts
as lasting: only what differences really err by matters here.

* It falls as the lawn changes: in a straight line with the change of what covers the ground
  (half the sum of the changes of the five shares), to nothing at :data:`FADES_AT_POINTS`.
* It is halved where a renovation lies between: other grass may have grown.
* It is smaller where the card's colours are nominal, and nothing for the leaf's colour then.
* It is nothing across a change of program, settings, card or reference.
"""

from __future__ import annotations

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

LASTING: dict[str, tuple[float, float]] = {
    "green_cover_pct": (0.6, 0.45),
    "straw_cover_pct": (0.75, 0.6),
    "bare_soil_pct": (0.8, 0.7),
    "litter_pct": (0.7, 0.7),
    "cast_cover_pct": (0.7, 0.7),
    "casts_per_m2": (0.3, 0.3),
    "bare_patch_pct": (0.6, 0.6),
    "bare_patches_per_m2": (0.6, 0.6),
    "largest_bare_patch_cm2": (0.0, 0.0),
    "colour_index": (0.5, 0.0),
    "leaf_L": (0.5, 0.5),
    "leaf_a": (0.65, 0.6),
    "leaf_b": (0.5, 0.2),
    "evenness": (0.4, 0.4),
    "condition": (0.6, 0.5),
}
"""Lasting share of the stated variance on an unchanged lawn: card colours measured or learned, and
nominal. From `benchmarks/studies/same_lawn.py`, 30 lawns of either family, the less of the two;
less still for casts, which differ much from lawn to lawn, and for colours that hang on one print of
a card."""

FADES_AT_POINTS = 30.0
"""Change of the ground's cover at which nothing of the error is taken to last (same source)."""

RENEWED = 0.5
"""Part of the lasting share that is left where a renovation lies between. Measured was 0.9 or more
for the shares, but less for evenness; our choice, low."""

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
    """

    points: Array
    same_method: Flags
    nominal: Flags
    renewed: Flags
    corrected: Flags | None = None

    def lasting_share(self, measure: str) -> Array:
        """Return ``rho`` of one measure, (q,), 0 to 1; 0 of one that was not studied."""
        known, nominal = LASTING.get(measure, (0.0, 0.0))
        share = np.where(self.nominal, nominal, known)
        share = share * np.clip(1 - self.points / FADES_AT_POINTS, 0, 1)
        share = np.where(self.renewed, RENEWED * share, share)
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
