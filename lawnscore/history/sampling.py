"""How many photos: sample sizes, detectable changes, clusters and finite populations."""

from __future__ import annotations

import math

from scipy import special

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


def detectable_change(sd: float, n: float, *, power: float = POWER, paired: bool = False) -> float:
    """Return the smallest change that ``n`` photos a visit show with the given power.

    NaN when ``n`` is below 2. ``sd`` as in :func:`photos_to_detect`.
    """
    from scipy.optimize import brentq  # slow to import, and seldom needed

    if n < 2 or not math.isfinite(sd):
        return math.nan
    if sd == 0:
        return 0.0
    upper = 1.0
    while _power(upper, n, paired) < power:
        upper *= 2
    effect = brentq(lambda d: _power(d, n, paired) - power, 0.0, upper)
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


def _check(sd: float, size: float) -> None:
    if not sd >= 0:
        raise ValueError(f"sd is {sd}; it must be 0 or more")
    if not size > 0:
        raise ValueError(f"the half width or change is {size}; it must be above 0")
