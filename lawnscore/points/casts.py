"""Casts marked by eye beside the casts the program counts, and what that says of the counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lawnscore.photo.measures import CAST_REL_SE

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.points.program import Program

Array = NDArray[np.float64]

MATCH_MM = 25.0
"""A mark and a cast of the program this near are one: half of a large cast. Our choice."""

_PER_CAST = 1.0
"""Variance of a count over its mean at least: chance alone (Poisson)."""


@dataclass(frozen=True, eq=False)
class CastCounts:
    """Casts of the photos that were looked at, k photos; only tiles that were looked at count.

    Parameters
    ----------
    seen
        (k,) casts marked, the mean over the readers.
    counted
        (k,) casts the program expects there.
    agreed
        (k,) of these, those that a reader marked too.
    """

    seen: Array
    counted: Array
    agreed: Array

    @property
    def recall(self) -> float:
        """Share of the marked casts that the program counts; NaN where none was marked."""
        return float(self.agreed.sum() / self.seen.sum()) if self.seen.sum() > 0 else float("nan")

    @property
    def precision(self) -> float:
        """Share of the program's count that was marked; NaN where it counts none."""
        total = self.counted.sum()
        return float(self.agreed.sum() / total) if total > 0 else float("nan")


@dataclass(frozen=True)
class CastFactor:
    """What counts are to be multiplied by, with its 95 % interval; ``log_se`` of its logarithm."""

    factor: float
    low: float
    high: float
    log_se: float
    n_seen: float


def count_casts(points: pd.DataFrame, program: Program) -> CastCounts:
    """Set the casts marked in points.csv beside those the program counts in the same tiles.

    Marks on ground that is not measured, and of photos that are not in the round any more, are
    left out.

    Raises
    ------
    LawnscoreError
        When a photo cannot be scored any more.
    """
    there = {place.relative: place.path for place in program.opened.photos}
    rows = points[points["kind"].isin(["tile", "cast"])]
    rows = rows[rows["sha256"].isin(list(program.current))]
    found = []
    for sha256, own in rows.groupby("sha256", sort=False):
        path = there[program.current[str(sha256)]]
        marks = own[own["kind"] == "cast"][["x_mm", "y_mm"]].to_numpy(float)
        view = program.at(path, str(sha256), [(x, y) for x, y in marks.tolist()])
        on = np.zeros(len(own), bool)
        on[np.flatnonzero(own["kind"] == "cast")] = np.isfinite(view.shares).all(axis=1)
        each = [
            _one_reader(part, on[own["reader"] == reader], view.casts)
            for reader, part in own.groupby("reader", sort=False)
        ]
        found.append(np.mean(each, axis=0))
    seen, counted, agreed = np.array(found).reshape(-1, 3).T
    return CastCounts(seen, counted, agreed)


def _one_reader(rows: pd.DataFrame, on: NDArray[np.bool_], casts: Array) -> list[float]:
    """Return marks, the program's count and what agrees, in the tiles one reader looked at."""
    tiles = rows[rows["kind"] == "tile"][["x_mm", "y_mm", "side_mm"]].to_numpy(float)
    marks = rows[on][["x_mm", "y_mm"]].to_numpy(float)
    marks, casts = marks[_within(marks, tiles)], casts[_within(casts[:, :2], tiles)]
    return [float(len(marks)), float(casts[:, 2].sum()), matched(marks, casts)]


def _within(places: Array, tiles: Array) -> NDArray[np.bool_]:
    gap = np.abs(places[:, None, :] - tiles[None, :, :2])
    inside = np.all(gap <= tiles[None, :, 2:] / 2, axis=2)
    return np.asarray(np.any(inside, axis=1), dtype=np.bool_)


def matched(marks: Array, casts: Array) -> float:
    """Return how many of the program's casts (c, 3) were marked (m, 2), by their chances.

    Each mark has one cast at most, the nearest pairs together first in the sum (Kuhn 1955's
    assignment), none farther than :data:`MATCH_MM`.

    Examples
    --------
    >>> matched(np.array([[0.0, 0.0], [100.0, 0.0]]), np.array([[5.0, 0.0, 0.9]]))
    0.9
    """
    from scipy.optimize import linear_sum_assignment

    if not len(marks) or not len(casts):
        return 0.0
    gap = np.linalg.norm(marks[:, None] - casts[None, :, :2], axis=2)
    worth = np.where(gap <= MATCH_MM, casts[None, :, 2] * (2.0 - gap / MATCH_MM), 0.0)
    pairs = linear_sum_assignment(worth, maximize=True)
    return float(np.where(gap[pairs] <= MATCH_MM, casts[pairs[1], 2], 0.0).sum())


def cast_factor(counts: CastCounts) -> CastFactor:
    """Return what the program's counts are to be multiplied by.

    The ratio estimator with the photos as the sample (Cochran 1977, ch. 6), its logarithm pulled
    towards 0 by the error that counts are stated with: few casts change nothing.
    """
    seen, counted, k = float(counts.seen.sum()), float(counts.counted.sum()), len(counts.seen)
    # half a cast on either side: a ratio of nothing to nothing says nothing
    ratio = (seen + 0.5) / (counted + 0.5)
    rest = counts.seen - ratio * counts.counted
    spread = k / max(k - 1, 1) * float((rest**2).sum())
    variance = max(spread, _PER_CAST * (seen + 0.5)) / (seen + 0.5) ** 2
    weight = CAST_REL_SE**2 / (CAST_REL_SE**2 + variance)
    log_factor, log_se = weight * float(np.log(ratio)), float(np.sqrt(weight * variance))
    half = float(special.ndtri(0.975)) * log_se
    low, high = np.exp([log_factor - half, log_factor + half])
    return CastFactor(float(np.exp(log_factor)), float(low), float(high), log_se, seen)
