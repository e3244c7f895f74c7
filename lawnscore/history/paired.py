"""Photos of the same spots on two occasions: the differences are the sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import STAGE_ORDER
from lawnscore.history.intervals import fit_spread, satterthwaite, t_quantile
from lawnscore.history.series import Occasions, day_numbers

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

MIN_PAIRED_SPOTS = 2
LEAST_OWN = 0.25
"""Part of a scatter that is taken as the photos' own whatever else is in it; our choice."""


@dataclass(frozen=True, eq=False)
class Differences:
    """Mean differences of paired spots; all arrays (q,), NaN where not paired."""

    n: Array
    change: Array
    low: Array
    high: Array
    df: Array
    null: Array
    """Half the width of the interval where the measure has not changed, by the same quantile."""


@dataclass(frozen=True, eq=False)
class PairedSpots:
    """Photos by occasion and spot.

    Parameters
    ----------
    cell
        (c,) sorted numbers ``row of the visit table * n_spots + spot``.
    n_spots
        How many spot names the round has.
    first_cell
        (rows + 1,) where each row's cells begin.
    values, se
        Measure to (c,) mean of the spot's photos, and the mean square of their errors.
    """

    cell: Index
    n_spots: int
    first_cell: Index
    values: dict[str, Array]
    se: dict[str, Array]

    def differences(
        self,
        measure: str,
        first: Index,
        second: Index,
        variance: Array,
        mixed: Array | float = 0.0,
        unchanged: Array | None = None,
    ) -> Differences:
        """Return the mean differences ``second - first`` of one measure, with 95 % intervals.

        The spread of the differences is moderated by that of the other pairs; what the errors that
        the photos of one occasion share leave in the difference is added once (``variance``, (q,):
        :mod:`lawnscore.history.change_error`), and what of it the scatter of single differences
        holds too is taken off that (``mixed``), down to a quarter. ``unchanged`` is that variance
        where the measure has not changed; without it, it is the same.
        """
        pair, before, after = self._matches(first, second)
        value = self.values[measure]
        d = value[after] - value[before]
        good = np.isfinite(d)
        pair, before, after, d = pair[good], before[good], after[good], d[good]
        q = len(first)
        n = np.bincount(pair, minlength=q).astype(float)
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = np.bincount(pair, d, minlength=q) / n
            scatter = np.bincount(pair, (d - mean[pair]) ** 2, minlength=q)
            own = np.where(n > 1, scatter / (n - 1), np.nan)
            own = np.maximum(own - mixed * n / (n - 1), LEAST_OWN * own)
            apart = sum(np.bincount(pair, self.se[measure][i], q) / n for i in (before, after))
            shared = np.minimum(variance, apart)
            unmoved = shared if unchanged is None else np.minimum(unchanged, apart)
        spread = fit_spread(own, n - 1)
        unit, df = spread.moderate(own, np.maximum(n - 1, 0))
        sampling = unit / np.maximum(n, 1)
        freedom = satterthwaite(sampling, df, shared)
        half = t_quantile(freedom) * np.sqrt(sampling + shared)
        half = np.where(n >= MIN_PAIRED_SPOTS, half, np.nan)
        null = t_quantile(freedom) * np.sqrt(sampling + unmoved)
        return Differences(n, mean, mean - half, mean + half, freedom, null)

    def _matches(self, first: Index, second: Index) -> tuple[Index, Index, Index]:
        begin, end = self.first_cell[first], self.first_cell[first + 1]
        count = end - begin
        pair = np.repeat(np.arange(len(first)), count)
        before = np.repeat(begin, count) + (
            np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        )
        spot = self.cell[before] % self.n_spots if len(self.cell) else before
        wanted = second[pair] * self.n_spots + spot
        after = np.minimum(np.searchsorted(self.cell, wanted), max(len(self.cell) - 1, 0))
        same = self.cell[after] == wanted if len(self.cell) else np.zeros(0, bool)
        return pair[same], before[same], after[same]


def paired_spots(photo_scores: pd.DataFrame, series: Occasions) -> PairedSpots | None:
    """Return the photos by occasion and spot; ``None`` when no photo names its spot."""
    if "spot" not in photo_scores:
        return None
    spot = photo_scores["spot"].astype("object")
    known = (spot.notna() & (spot != "")).to_numpy(bool)
    if "status" in photo_scores:
        known = known & (photo_scores["status"].astype("object") == "scored").to_numpy(bool)
    if not known.any():
        return None
    photos = photo_scores[known]
    row = _visit_rows(photos, series)
    photos, row = photos[row >= 0], row[row >= 0]
    code, names = pd.factorize(photos["spot"].astype("object"), sort=True)
    cell, of = np.unique(row * len(names) + code, return_inverse=True)
    count = np.bincount(of, minlength=len(cell)).astype(float)
    values, se = {}, {}
    for name in MEASURES:
        y = _numbers(photos, name)
        error = np.nan_to_num(_numbers(photos, f"{name}_se"))
        values[name] = np.bincount(of, y, minlength=len(cell)) / count
        se[name] = np.bincount(of, error**2, minlength=len(cell)) / count
    edges = np.searchsorted(cell, np.arange(len(series.table) + 1) * len(names))
    return PairedSpots(cell, len(names), edges.astype(np.int64), values, se)


def _visit_rows(photos: pd.DataFrame, series: Occasions) -> Index:
    keys = ["lawn", "zone", "day", "stage"]
    visits = series.places.iloc[series.place].reset_index(drop=True)
    visits = visits.assign(day=series.day, stage=series.stage, row=np.arange(len(series.day)))
    wanted = pd.DataFrame(
        {
            "lawn": photos["lawn"].astype("object").to_numpy(),
            "zone": photos["zone"].astype("object").to_numpy(),
            "day": day_numbers(photos["date"]),
            "stage": photos["stage"].astype("object").map(STAGE_ORDER).to_numpy(),
        }
    )
    found = wanted.merge(visits, on=keys, how="left")["row"]
    return found.fillna(-1).to_numpy(np.int64)


def _numbers(table: pd.DataFrame, column: str) -> Array:
    if column not in table:
        return np.full(len(table), np.nan)
    out: Array = table[column].to_numpy(dtype="float64", na_value=np.nan)
    return out
