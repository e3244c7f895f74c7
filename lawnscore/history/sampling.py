"""How many photos: sample sizes, detectable changes, clusters and finite populations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

ALPHA = 0.05
POWER = 0.8
"""Chance of showing a change that is there; common practice in trials."""
_MOST_PHOTOS = 10_000


def photos_for_halfwidth(
    sd: float, half_width: float, *, confidence: float = 0.95, population: float | None = None
) -> int:
    """Return the photos needed for a 95 % interval of a mean of a given half width.

    ``n = (t s / E)**2`` iterated on ``t`` (Cochran 1977), lowered for a finite population.

    Parameters
    ----------
    sd
        Standard deviation from photo to photo.
    half_width
        Half width wanted, in the unit of ``sd``.
    population
        How many photos would cover the whole zone; ``None`` is very many.

    Raises
    ------
    ValueError
        When ``sd`` is negative or ``half_width`` is not above 0.
    """
    _check(sd, half_width)
    for n in range(2, _MOST_PHOTOS):
        t = special.stdtrit(n - 1, 0.5 + confidence / 2)
        left = 1.0 if population is None else max(1 - n / population, 0.0)
        if t * sd * math.sqrt(left / n) <= half_width:
            return n
    return _MOST_PHOTOS


def photos_for_proportion(
    p: float, half_width: float, *, confidence: float = 0.95, population: float | None = None
) -> float:
    """Return the points needed for a proportion, before rounding up (Cochran 1977, chapter 4)."""
    z = special.ndtri(0.5 + confidence / 2)
    n0 = float(z**2 * p * (1 - p) / half_width**2)
    return n0 if population is None else n0 / (1 + (n0 - 1) / population)


def photos_to_detect(
    sd: float, change: float, *, power: float = POWER, paired: bool = False
) -> int:
    """Return the photos a visit that show a change between two visits.

    Parameters
    ----------
    sd
        Standard deviation from photo to photo; with ``paired`` that of the differences of spots.
    change
        Change to be shown, either direction, at the 5 % level.
    power
        Chance of showing it.
    paired
        Whether both visits photograph the same spots.

    Returns
    -------
    int
        Photos at each of the two visits, at least 2.
    """
    return max(2, math.ceil(exact_photos_to_detect(sd, change, power=power, paired=paired)))


def exact_photos_to_detect(
    sd: float, change: float, *, power: float = POWER, paired: bool = False
) -> float:
    """Return :func:`photos_to_detect` before rounding up, by the noncentral t distribution."""
    _check(sd, abs(change))
    if sd == 0:
        return 2.0

    def short(n: float) -> float:
        return _power(abs(change) / sd, n, paired) - power

    if short(2.0) >= 0:
        return 2.0
    if short(_MOST_PHOTOS) < 0:
        return float(_MOST_PHOTOS)
    return float(optimize.brentq(short, 2.0, _MOST_PHOTOS))


def detectable_change(sd: float, n: float, *, power: float = POWER, paired: bool = False) -> float:
    """Return the smallest change that ``n`` photos a visit show with the given power.

    NaN when ``n`` is below 2. ``sd`` as in :func:`photos_to_detect`.
    """
    if n < 2 or not math.isfinite(sd):
        return math.nan
    if sd == 0:
        return 0.0
    upper = 1.0
    while _power(upper, n, paired) < power:
        upper *= 2
    effect = optimize.brentq(lambda d: _power(d, n, paired) - power, 0.0, upper)
    return float(effect) * sd


def _power(effect: float, n: float, paired: bool) -> float:
    df = n - 1 if paired else 2 * (n - 1)
    shift = effect * math.sqrt(n if paired else n / 2)
    critical = special.stdtrit(df, 1 - ALPHA / 2)
    upper = float(special.nctdtr(df, shift, critical))
    lower = float(special.nctdtr(df, shift, -critical))
    # far from 0 both tails underflow to NaN in some releases; there t is as good as normal
    if math.isnan(upper):
        upper = float(special.ndtr(critical - shift))
    return 1 - upper + (0.0 if math.isnan(lower) else lower)


def smallest_real_difference(sem: float) -> float:
    """Return ``1.96 sqrt(2) SEM`` (Bland & Altman 1986): two single readings differ by more."""
    return float(special.ndtri(0.975) * math.sqrt(2) * sem)


@dataclass(frozen=True)
class Clusters:
    """Photos as clusters of parts: how alike the parts of one photo are.

    Parameters
    ----------
    mean, se
        Mean of the photos and its standard error with the photos as the sample.
    se_naive
        Standard error that counts every part as one of its own: too small.
    icc
        Intraclass correlation, one-way analysis of variance.
    deff
        Design effect ``1 + (m - 1) icc`` (Kish 1965).
    n_effective
        Number of independent parts that would be worth as much.
    low, high
        95 % interval with the photos as the sample.
    """

    mean: float
    se: float
    se_naive: float
    icc: float
    deff: float
    n_effective: float
    low: float
    high: float


def clusters(parts: Sequence[Sequence[float]]) -> Clusters:
    """Return the cluster statistics of photos of equally many parts.

    Raises
    ------
    ValueError
        When there are fewer than two photos or the photos have unequal numbers of parts.
    """
    if len(parts) < 2 or len({len(photo) for photo in parts}) != 1:
        raise ValueError("clusters needs two photos or more, with equally many parts")
    table = np.asarray(parts, float)
    k, m = table.shape
    means = table.mean(axis=1)
    between = m * means.var(ddof=1)
    within = ((table - means[:, None]) ** 2).sum() / (k * (m - 1)) if m > 1 else 0.0
    icc = float((between - within) / (between + (m - 1) * within)) if between + within else 0.0
    deff = 1 + (m - 1) * icc
    se = float(means.std(ddof=1) / math.sqrt(k))
    half = float(special.stdtrit(k - 1, 0.975)) * se
    mean = float(means.mean())
    naive = float(table.std(ddof=1) / math.sqrt(table.size))
    return Clusters(mean, se, naive, icc, deff, table.size / deff, mean - half, mean + half)


def effective_n(n: int, rho: float) -> float:
    """Return how many independent values ``n`` values of an AR(1) series are worth.

    ``n / VIF`` with ``VIF = (1 + r) / (1 - r) - 2 r (1 - r**n) / (n (1 - r)**2)``.
    """
    if not -1 < rho < 1:
        raise ValueError(f"rho is {rho}; it must lie between -1 and 1")
    inflation = (1 + rho) / (1 - rho) - 2 * rho * (1 - rho**n) / (n * (1 - rho) ** 2)
    return n / inflation


def _check(sd: float, size: float) -> None:
    if not sd >= 0:
        raise ValueError(f"sd is {sd}; it must be 0 or more")
    if not size > 0:
        raise ValueError(f"the half width or change is {size}; it must be above 0")
