"""A bag against what it should cover, and what is left in it against what should be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lawnscore.care.units import positive, significant
from lawnscore.contract.errors import LawnscoreError

OUTPUT_TOLERANCE = 0.10
"""Difference from the wanted rate that is let pass when no spread is known. Common practice."""


@dataclass(frozen=True)
class BagCheck:
    """What a bag should have covered or should still hold, and whether it does."""

    expected: float
    found: float
    unit: str
    rate_g_m2: float
    difference_pct: float
    allowed_pct: float
    warnings: tuple[str, ...]


def check_empty_bag(
    bag_kg: float, wanted_g_m2: float, covered_m2: float, *, spread_pct: float | None = None
) -> BagCheck:
    """Compare the area that an emptied bag covered with what it should have covered.

    Parameters
    ----------
    bag_kg
        Weight of the full bag, kg.
    wanted_g_m2
        Rate that was meant, g/m2 (all passes together).
    covered_m2
        Area it covered until it was empty, m2.
    spread_pct
        Spread of this setting's runs (1 sigma, %), when known: twice it is let pass, else 10 %.

    Examples
    --------
    >>> check_empty_bag(20, 35, 480).warnings[0]
    'The bag was empty after 480 m2 in place of 571 m2: 41.7 g/m2 were laid down, 19 % over ...'
    """
    bag, wanted = positive("bag", bag_kg, "kg"), positive("rate", wanted_g_m2, "g/m2")
    covered = positive("area covered", covered_m2, "m2")
    expected, rate = bag * 1000 / wanted, bag * 1000 / covered
    over = (rate / wanted - 1) * 100
    allowed = _allowed_pct(spread_pct)
    warnings = []
    if abs(over) > allowed + 1e-9:
        what = "over" if over > 0 else "under"
        when = "was empty after" if over > 0 else "lasted for"
        warnings.append(
            f"The bag {when} {significant(covered, 3)} m2 in place of {significant(expected, 3)} "
            f"m2: {significant(rate, 3)} g/m2 were laid down, {abs(over):.0f} % {what} the "
            f"{significant(wanted, 3)} g/m2 meant. Calibrate the spreader again."
        )
    return BagCheck(expected, covered, "m2", rate, over, allowed, tuple(warnings))


def expected_left_kg(start_kg: float, spread: Sequence[tuple[float, float]]) -> float:
    """Return what should be left, kg: weight before less rate times area of each piece.

    Parameters
    ----------
    start_kg
        Weight before, kg.
    spread
        Wanted rate in g/m2 and area in m2 of each piece fed from it.

    Returns
    -------
    float
        Below 0 when the bag did not hold enough.

    Examples
    --------
    >>> round(expected_left_kg(20, [(35, 140), (35, 200)]), 3)
    8.1
    """
    if not spread:
        raise LawnscoreError("nothing was fed from the bag", "Give at least one rate and area.")
    return positive("bag", start_kg, "kg") - math.fsum(
        positive("rate", rate, "g/m2") * positive("area", area, "m2") / 1000
        for rate, area in spread
    )


def check_bag_left(
    start_kg: float,
    spread: Sequence[tuple[float, float]],
    left_kg: float,
    *,
    spread_pct: float | None = None,
) -> BagCheck:
    """Compare what is left in a bag with what should be.

    Parameters
    ----------
    start_kg, spread
        As in :func:`expected_left_kg`.
    left_kg
        Weight left, kg; 0 is an empty bag.
    spread_pct
        As in :func:`check_empty_bag`.

    Examples
    --------
    >>> check_bag_left(20, [(35, 140), (35, 200)], 6.5).expected
    8.1
    """
    start, left = (
        positive("bag", start_kg, "kg"),
        positive("what is left", left_kg, "kg", zero=True),
    )
    if left > start:
        raise LawnscoreError(
            f"{left:g} kg are left of {start:g} kg", "What is left cannot be more than there was."
        )
    expected = expected_left_kg(start, spread)
    area, wanted, used = math.fsum(area for _, area in spread), start - expected, start - left
    over = (used / wanted - 1) * 100
    allowed = _allowed_pct(spread_pct)
    warnings = []
    if expected < 0:
        warnings.append(
            f"{significant(wanted, 3)} kg were to be laid down but the bag held {start:g} kg."
        )
    elif abs(over) > allowed + 1e-9:
        what = "more" if over > 0 else "less"
        warnings.append(
            f"{significant(left, 3)} kg are left where {significant(expected, 3)} kg should be: "
            f"{abs(over):.0f} % {what} was laid down than meant. Calibrate the spreader again."
        )
    return BagCheck(expected, left, "kg", used * 1000 / area, over, allowed, tuple(warnings))


def _allowed_pct(spread_pct: float | None) -> float:
    if spread_pct is None or math.isnan(spread_pct):
        return OUTPUT_TOLERANCE * 100
    return 2 * positive("spread", spread_pct, "%", zero=True)
