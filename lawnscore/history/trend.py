"""Robust trends: Theil-Sen slope, Mann-Kendall test, Hodges-Lehmann shifts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Trend:
    """A straight trend through a series.

    Parameters
    ----------
    slope, low, high
        Theil-Sen slope per unit of time and its 95 % interval.
    intercept
        Median of the values less slope times the median of the times.
    """

    slope: float
    intercept: float
    low: float
    high: float


@dataclass(frozen=True)
class Kendall:
    """Result of a Mann-Kendall test: score, its variance, standard normal, two-sided p."""

    score: int
    variance: float
    z: float
    p: float


def theil_sen(y: npt.ArrayLike, t: npt.ArrayLike | None = None) -> Trend:
    """Return the Theil-Sen trend (Theil 1950; Sen 1968), by SciPy.

    Raises
    ------
    ValueError
        When there are fewer than two values.
    """
    values = np.asarray(y, float)
    if len(values) < 2:
        raise ValueError(f"a trend needs two values or more, got {len(values)}")
    times = np.arange(len(values), dtype=float) if t is None else np.asarray(t, float)
    result = stats.theilslopes(values, times, alpha=0.95)
    return Trend(
        float(result.slope),
        float(result.intercept),
        float(result.low_slope),
        float(result.high_slope),
    )


def mann_kendall(y: npt.ArrayLike) -> Kendall:
    """Test a series in order of time for a monotone trend, with the correction for ties.

    Mann 1945; Kendall 1975; Gilbert 1987, chapter 16.

    Raises
    ------
    ValueError
        When there are fewer than three values.
    """
    values = np.asarray(y, float)
    n = len(values)
    if n < 3:
        raise ValueError(f"the test needs three values or more, got {n}")
    i, j = np.triu_indices(n, 1)
    score = int(np.sign(values[j] - values[i]).sum())
    _, ties = np.unique(values, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18
    z = 0.0 if score == 0 or variance == 0 else (score - np.sign(score)) / np.sqrt(variance)
    return Kendall(score, float(variance), float(z), float(2 * special.ndtr(-abs(z))))


def pseudomedian(x: npt.ArrayLike) -> float:
    """Return the Hodges-Lehmann estimate: the median of all means of two values (or one)."""
    values = np.asarray(x, float)
    i, j = np.triu_indices(len(values))
    return float(np.median((values[i] + values[j]) / 2))


def median_shift(x: npt.ArrayLike, y: npt.ArrayLike) -> float:
    """Return the Hodges-Lehmann shift from ``x`` to ``y``: the median of all differences."""
    return float(np.median(np.subtract.outer(np.asarray(y, float), np.asarray(x, float))))
