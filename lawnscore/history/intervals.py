"""95 % intervals for what a few photos say about a zone.

Two kinds of function: the textbook intervals (Wilson, Clopper-Pearson, Student, Garwood), and
the ones for visits, where the photos are the sample. A visit has few photos, its shares lie near
0 or 100, and part of the error is common to all its photos. So a visit's interval

* takes the spread from photo to photo, relative to what the mean leads one to expect
  (a *unit variance*: share ``s2 / (m (100 - m))``, density ``s2 / (m / area + k m2)``);
* moderates it by the spread of the other visits of the round (:func:`fit_spread`), so that two
  photos that happen to agree do not give a needle of an interval;
* inverts the score test, in which the variance is that of the *supposed* mean, so that it keeps
  to the range and leans the right way near its ends (:func:`score_share`,
  :func:`score_density`);
* adds the error that the photos share, which more photos do not make smaller.

In a difference of two visits most of that shared error cancels
(:mod:`lawnscore.history.change_error`): :func:`difference_interval`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]

CONFIDENCE = 0.95
NORMAL_975 = 1.959964
"""Of the standard normal distribution: half the width of such an interval, in standard errors."""

_MIN_PRIOR_GROUPS = 4
"""Visits with two photos or more, from which a spread may be borrowed; our choice."""
_MIN_PRIOR_DF, _MAX_PRIOR_DF = 1.0, 40.0
"""Bounds of the weight of the borrowed spread, in degrees of freedom; our choice."""


def wilson(
    count: npt.ArrayLike, n: npt.ArrayLike, *, confidence: float = CONFIDENCE
) -> tuple[Array, Array]:
    """Return the Wilson score interval of a proportion.

    Parameters
    ----------
    count, n
        Successes and trials; ``n`` above 0. They need not be whole numbers.

    Returns
    -------
    low, high
        Proportions, 0 to 1.

    Notes
    -----
    Newcombe 1998, Stat. Med. 17:857-872, method 3.
    """
    x, size = np.asarray(count, float), np.asarray(n, float)
    z = special.ndtri(0.5 + confidence / 2)
    p = x / size
    half = z * np.sqrt(p * (1 - p) / size + z**2 / (4 * size**2))
    centre, scale = p + z**2 / (2 * size), 1 + z**2 / size
    return np.maximum((centre - half) / scale, 0.0), np.minimum((centre + half) / scale, 1.0)


def t_quantile(df: npt.ArrayLike, level: float = 0.5 + CONFIDENCE / 2) -> Array:
    """Return Student's quantile, read off a fine table so that millions of rows are quick.

    Parameters
    ----------
    df
        Degrees of freedom, whole or not; taken as 0.5 where lower.
    level
        Probability below the quantile.
    """
    inverse = np.linspace(0.0, 2.0, 801)
    table = np.empty_like(inverse)
    table[0] = special.ndtri(level)
    table[1:] = special.stdtrit(1 / inverse[1:], level)
    wanted: Array = np.interp(1 / np.maximum(np.asarray(df, float), 0.5), inverse, table)
    return wanted


@dataclass(frozen=True)
class Spread:
    """What other visits say of the unit variance of one.

    Parameters
    ----------
    unit
        Typical unit variance; NaN when nothing could be borrowed.
    df
        How many degrees of freedom it is worth; 0 when nothing could be borrowed.
    """

    unit: float
    df: float

    def moderate(self, unit: Array, df: Array) -> tuple[Array, Array]:
        """Return unit variances pulled towards the typical one, and their degrees of freedom.

        ``(d0 u0 + d u) / (d0 + d)`` with ``d0 + d`` (Smyth 2004, Stat. Appl. Genet. Mol. Biol.
        3:3, from memory). NaN where neither the visit nor the others tell.
        """
        own = np.where(np.isfinite(unit) & (df > 0), df, 0.0)
        total = own + self.df
        safe = np.where(total > 0, total, np.nan)
        pulled = (np.where(own > 0, unit, 0.0) * own + (self.df and self.unit * self.df)) / safe
        return pulled, safe


def fit_spread(unit: npt.ArrayLike, df: npt.ArrayLike) -> Spread:
    """Return the typical unit variance of many visits and how much it is worth.

    The logarithms of the variances scatter by more than their own degrees of freedom account
    for; what is left over says how much visits differ, and so how far one may be borrowed for
    another (moments of the logarithm, Smyth 2004).

    Parameters
    ----------
    unit, df
        One unit variance a visit and its degrees of freedom; NaN, 0 or less are passed over.
    """
    u, d = np.asarray(unit, float).ravel(), np.asarray(df, float).ravel()
    keep = np.isfinite(u) & (u > 0) & (d > 0)
    if keep.sum() < _MIN_PRIOR_GROUPS:
        return Spread(float("nan"), 0.0)
    u, d = u[keep], d[keep]
    # a variance of nearly nothing is rounding, not knowledge
    u = np.maximum(u, 1e-3 * np.median(u))
    level = np.log(u) - special.digamma(d / 2) + np.log(d / 2)
    weight = 1 / special.polygamma(1, d / 2)
    centre = float(np.average(level, weights=weight))
    excess = float(np.average((level - centre) ** 2 - special.polygamma(1, d / 2), weights=weight))
    df0 = _MAX_PRIOR_DF if excess <= 0 else 2 * _inverse_trigamma(excess)
    df0 = min(max(df0, _MIN_PRIOR_DF), _MAX_PRIOR_DF)
    unit0 = float(np.exp(centre + special.digamma(df0 / 2) - np.log(df0 / 2)))
    return Spread(unit0, df0)


def _inverse_trigamma(value: float) -> float:
    # Newton's steps on 1 / trigamma, which is nearly straight (Smyth 2004, appendix)
    y = 0.5 + 1 / value
    for _ in range(50):
        tri = float(special.polygamma(1, y))
        step = tri * (1 - tri / value) / float(special.polygamma(2, y))
        y += step
        if -step / y < 1e-8:
            break
    return y


def score_share(
    mean_pct: Array, variance_factor: Array, shared_se: Array, t: Array
) -> tuple[Array, Array]:
    """Return the score interval of a mean share.

    All means ``p`` with ``|m - p| <= t sqrt(f p (100 - p) + u**2)``.

    Parameters
    ----------
    mean_pct
        Mean of the photos ``m``, 0 to 100.
    variance_factor
        ``f``: unit variance divided by the number of photos.
    shared_se
        ``u``: error common to the photos, in points.
    t
        Quantile that belongs to the degrees of freedom.
    """
    k = t**2 * variance_factor
    a, b = 1 + k, 2 * mean_pct + 100 * k
    root = np.sqrt(np.maximum(b**2 - 4 * a * (mean_pct**2 - (t * shared_se) ** 2), 0.0))
    return np.clip((b - root) / (2 * a), 0, 100), np.clip((b + root) / (2 * a), 0, 100)


def score_density(
    mean: Array, variance_slope: Array, shared_se: Array, t: Array
) -> tuple[Array, Array]:
    """Return the score interval of a mean density, never below 0.

    All means ``r`` with ``|m - r| <= t sqrt(c r + u**2)``; ``c`` is the dispersion (variance over
    mean of the counts) divided by the ground measured, so that ``c = 1 / area`` is Poisson.
    """
    k = t**2 * variance_slope
    b = 2 * mean + k
    root = np.sqrt(np.maximum(b**2 - 4 * (mean**2 - (t * shared_se) ** 2), 0.0))
    return np.maximum((b - root) / 2, 0.0), (b + root) / 2


def satterthwaite(sampling_var: Array, df: Array, shared_var: Array) -> Array:
    """Return the degrees of freedom of a sampling variance plus a known one.

    Welch-Satterthwaite with infinite degrees for the shared part.
    """
    total = sampling_var + shared_var
    with np.errstate(divide="ignore", invalid="ignore"):
        out = total**2 / (sampling_var**2 / df)
    return np.where(np.isfinite(out), np.minimum(out, 1e6), np.where(sampling_var > 0, df, 1e6))


def difference_interval(
    first: Sequence[Array], second: Sequence[Array], variance: Array
) -> tuple[Array, Array, Array]:
    """Return a difference ``second - first`` and its interval, from the intervals of the two.

    The method of variance estimates recovery (MOVER): distances to the ends are squared and added
    (Newcombe 1998, Stat. Med. 17:873-890, method 10), less the share of them that is the error
    common to either's photos; what is left of that in the difference is added once. Never wider
    than with nothing in common.

    Parameters
    ----------
    first, second
        Value, lower and upper end, and the standard error that the photos share, (q,) each.
    variance
        (q,) variance of the difference of those shared errors.
    """
    (a, a_low, a_high, a_se), (b, b_low, b_high, b_se) = first, second
    change = b - a
    common = special.ndtri(0.5 + CONFIDENCE / 2) ** 2 * variance

    def own(low: Array, high: Array, se: Array) -> Array:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(1 - np.nan_to_num(np.clip(se / half_width_se(low, high), 0, 1)) ** 2)

    a_own, b_own = own(a_low, a_high, a_se), own(b_low, b_high, b_se)

    def reach(x: Array, y: Array) -> Array:
        return np.asarray(np.sqrt(np.minimum(b_own * x**2 + a_own * y**2 + common, x**2 + y**2)))

    return change, change - reach(b - b_low, a_high - a), change + reach(b_high - b, a - a_low)


def half_width_se(low: npt.ArrayLike, high: npt.ArrayLike) -> Array:
    """Return the standard error that a 95 % interval amounts to: a quarter of its width, nearly."""
    z = special.ndtri(0.5 + CONFIDENCE / 2)
    out: Array = (np.asarray(high, float) - np.asarray(low, float)) / (2 * z)
    return out
