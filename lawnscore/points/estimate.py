"""Shares from points: the points alone, beside the program, and both together.

Photos are drawn, and points within them, so the photos are the sample: every variance is that
between photos (cluster sampling, Cochran 1977, ch. 9 and 10).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

FEWEST_PHOTOS = 3
"""Fewer photos than this carry no interval; our choice."""

_MOST_PHOTOS = 5000


@dataclass(frozen=True)
class Estimate:
    """A mean with its standard error and 95 % interval; NaN where too few photos tell.

    Parameters
    ----------
    value, se, low, high
        In the unit of what was averaged.
    n_photos
        Photos it rests on.
    weight
        How far the program was leaned on: 0 not at all, 1 in full.
    """

    value: float
    se: float
    low: float
    high: float
    n_photos: int
    weight: float = 0.0

    @property
    def clear(self) -> bool:
        """Whether the interval leaves out 0."""
        return self.low > 0 or self.high < 0


def mean_over_photos(values: ArrayLike, *, least_se: float = 0.0) -> Estimate:
    """Return the mean of one value a photo, with Student's interval.

    Below :data:`FEWEST_PHOTOS` photos there is no interval. Its standard error is never taken below
    ``least_se`` (:func:`binomial_se`): photos that agree by luck do not make it 0.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.size == 0:
        return _unknown(0)
    if y.size < FEWEST_PHOTOS:
        return _with_interval(float(y.mean()), float("nan"), y.size)
    se = max(float(np.sqrt(y.var(ddof=1) / y.size)), least_se)
    return _with_interval(float(y.mean()), se, y.size)


def binomial_se(share: float, n: int) -> float:
    """Return the standard error of a share of ``n`` points, never 0: as if 2 of 4 more were hits.

    Agresti & Coull 1998, Am. Stat. 52:119-126 (from memory); ``sqrt(p (1 - p) / n)`` otherwise.

    >>> round(binomial_se(0.0, 96), 4)
    0.014
    """
    p = (share * n + 2.0) / (n + 4.0)
    return float(np.sqrt(p * (1.0 - p) / (n + 4.0)))


def difference_estimate(
    seen: ArrayLike,
    program: ArrayLike,
    program_all: ArrayLike,
    *,
    weight: float | None = None,
    least_se: float = 0.0,
) -> Estimate:
    """Return the mean share over all photos, from points in some and the program in all.

    ``mean(seen) + w (mean(program_all) - mean(program))``: with ``w = 1`` the difference estimator
    (Cochran 1977, ch. 7; Sarndal, Swensson & Wretman 1992, ch. 6), with ``w = 0`` the points alone.

    Parameters
    ----------
    seen
        (k,) share seen in each photo that was read.
    program
        (k,) the program's share at the same points.
    program_all
        (N,) the program's share of every photo.
    weight
        ``w``; by default the one that makes the variance least, Cov / ((1 + k / N) Var), held
        between 0 and 1 (prediction-powered inference: Angelopoulos, Duchi & Zrnic 2023, arXiv
        2311.01453): so the program never makes the points worse.

    least_se
        The standard error is not taken below this (:func:`binomial_se`).

    Notes
    -----
    The variance is ``Var(seen - w program) / k + w**2 Var(program) / N``.

    Examples
    --------
    >>> y, f = [1, 0, 1, 1, 0, 1, 0, 1], [0.9, 0.2, 0.8, 0.6, 0.3, 0.7, 0.4, 0.9]
    >>> round(difference_estimate(y, f, [0.55] * 1000, weight=1).value, 3)
    0.575
    """
    y, f, every = (np.asarray(a, dtype=np.float64) for a in (seen, program, program_all))
    k, n = y.size, every.size
    if k < FEWEST_PHOTOS:
        return _unknown(k)
    if weight is None:
        spread = float(f.var(ddof=1))
        best = float(np.cov(y, f)[0, 1]) / ((1 + k / n) * spread) if spread > 0 else 0.0
        weight = min(max(best, 0.0), 1.0)
    value = float(y.mean() + weight * (every.mean() - f.mean()))
    variance = (y - weight * f).var(ddof=1) / k + weight**2 * f.var(ddof=1) / n
    return _with_interval(value, max(float(np.sqrt(variance)), least_se), k, weight)


def photos_to_halve(values: ArrayLike) -> int | None:
    """Return how many photos more would halve the interval of their mean; ``None`` if unknown.

    As many points in each as before, and Student's quantile of the larger number.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.size < FEWEST_PHOTOS or not y.std() > 0:
        return None
    sizes = np.arange(y.size, _MOST_PHOTOS)
    half = special.stdtrit(sizes - 1, 0.975) / np.sqrt(sizes)
    return int(sizes[int(np.argmax(half <= half[0] / 2))] - y.size)


def _with_interval(value: float, se: float, k: int, weight: float = 0.0) -> Estimate:
    half = float(special.stdtrit(k - 1, 0.975)) * se if k > 1 else float("nan")
    return Estimate(value, se, value - half, value + half, k, weight)


def _unknown(k: int) -> Estimate:
    nan = float("nan")
    return Estimate(nan, nan, nan, nan, k)
