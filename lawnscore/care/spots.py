"""Where to stand: spots spread evenly over a zone, with names that stay from visit to visit."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lawnscore.care.units import positive

BANDS = "ABCD"
"""Letters of the four quarters of a zone's length, from the side you come in by."""

EDGE = 0.08
"""Share of length and width kept clear at each edge, so that the photo shows turf; our choice."""


@dataclass(frozen=True)
class Spot:
    """One place to photograph.

    Parameters
    ----------
    name
        Stands before ``--`` in the file name.
    along, across
        Share of the zone's length and width, 0 to 1; NaN for a spot of earlier visits whose
        place only the operator knows.
    known
        Photographed before.
    """

    name: str
    along: float
    across: float
    known: bool = False


def spread_spots(n: int, *, place: str, known: Sequence[str] = ()) -> list[Spot]:
    """Return ``n`` spots spread over a zone, in the order of a walk along it.

    Parameters
    ----------
    n
        How many.
    place
        Lawn and zone; the spread starts at a point of its own in each.
    known
        Names of spots photographed before. They come first and keep their names; all of them
        are kept, even when they are more than ``n``.

    Notes
    -----
    The points are a Halton sequence (Halton 1960) shifted round its edges by a random vector of
    the place: each stretch of lawn is equally likely to be photographed, and more photos later
    add spots without moving the first ones.

    Raises
    ------
    LawnscoreError
        When ``n`` is not above 0.

    Examples
    --------
    >>> [spot.name for spot in spread_spots(4, place="elm-3/front")]
    ['A1', 'B1', 'C1', 'D1']
    """
    positive("number of photos", n)
    planned = _sequence(max(n, len(known)) + len(known), place)
    by_name = {spot.name: spot for spot in planned}
    kept = [
        Spot(name, by_name[name].along, by_name[name].across, known=True)
        if name in by_name
        else Spot(name, float("nan"), float("nan"), known=True)
        for name in dict.fromkeys(known)
    ]
    names = {spot.name for spot in kept}
    fresh = [spot for spot in planned if spot.name not in names][: max(n - len(kept), 0)]
    return sorted(
        [*kept, *fresh], key=lambda spot: (spot.along != spot.along, spot.along, spot.name)
    )


def known_spots(photo_scores: pd.DataFrame | None) -> dict[tuple[str, str], list[str]]:
    """Return the spots of each lawn and zone at its last visit that named any."""
    if photo_scores is None or photo_scores.empty or "spot" not in photo_scores:
        return {}
    named = photo_scores[photo_scores["spot"].notna() & (photo_scores["spot"] != "")]
    out: dict[tuple[str, str], list[str]] = {}
    for (lawn, zone), photos in named.groupby(["lawn", "zone"]):
        last = photos[photos["date"] == photos["date"].max()]
        out[str(lawn), str(zone)] = sorted({str(spot) for spot in last["spot"]})
    return out


def where_to_stand(spot: Spot, length_m: float | None = None, width_m: float | None = None) -> str:
    """Return in words where a spot is: in metres when the zone's size is given, else in shares.

    Examples
    --------
    >>> where_to_stand(Spot("A1", 0.25, 0.5), 20, 8)
    '5.0 m along, 4.0 m across'
    >>> where_to_stand(Spot("A1", 0.25, 0.5))
    '25 % along, 50 % across'
    """
    if spot.along != spot.along:
        return "where you stood before"
    if length_m and width_m:
        return f"{spot.along * length_m:.1f} m along, {spot.across * width_m:.1f} m across"
    return f"{spot.along * 100:.0f} % along, {spot.across * 100:.0f} % across"


def _sequence(n: int, place: str) -> list[Spot]:
    from scipy.stats import qmc

    seed = int.from_bytes(hashlib.sha256(place.encode()).digest()[:8], "big")
    shift = np.random.default_rng(seed).random(2)
    points = (qmc.Halton(d=2, scramble=False).random(n) + shift) % 1.0
    counts = dict.fromkeys(BANDS, 0)
    spots = []
    for along, across in points:
        band = BANDS[min(int(along * len(BANDS)), len(BANDS) - 1)]
        counts[band] += 1
        inside = EDGE + (1 - 2 * EDGE) * np.array([along, across])
        spots.append(Spot(f"{band}{counts[band]}", float(inside[0]), float(inside[1])))
    return spots
