"""The order of a day's visits by place: straight lines, no roads and no map service."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

EARTH_KM = 6371.0088
"""Mean radius of the earth, km (IUGG 1980)."""

LatLon = tuple[float, float]
"""Latitude and longitude, degrees; south and west are negative."""

Table = list[list[float]]
"""Distances between all stops, km."""

_MOST_STARTS = 8
"""Places that nearest neighbour begins from; our choice, for days with many visits."""


def distance_km(a: LatLon, b: LatLon) -> float:
    """Return the distance of two places over the earth, km: the haversine formula on a sphere.

    Examples
    --------
    >>> round(distance_km((0, 0), (0, 1)), 3)  # a degree of the equator
    111.195
    """
    lat_a, lat_b = math.radians(a[0]), math.radians(b[0])
    across = math.sin(math.radians(b[1] - a[1]) / 2) ** 2
    along = math.sin((lat_b - lat_a) / 2) ** 2
    half = along + math.cos(lat_a) * math.cos(lat_b) * across
    return 2 * EARTH_KM * math.asin(math.sqrt(min(1.0, half)))


def route_km(places: Sequence[LatLon], order: Sequence[int], base: LatLon | None = None) -> float:
    """Return the length of a route over places in an order, km; from the base and back to it."""
    stops = [places[k] for k in order]
    if base is not None and stops:
        stops = [base, *stops, base]
    return math.fsum(distance_km(a, b) for a, b in pairwise(stops))


def best_order(places: Sequence[LatLon], base: LatLon | None = None) -> list[int]:
    """Return an order in which the places are visited on a short way.

    Parameters
    ----------
    places
        (n,) places to visit.
    base
        Where the day begins and ends; ``None`` leaves both ends free.

    Returns
    -------
    list of int
        (n,) indices. The shortest found by nearest neighbour from up to eight places, each
        mended by reversing stretches (2-opt, Croes 1958) and by moving stretches of up to three
        stops elsewhere (Or 1976) until neither helps; both from memory. It is
        not proven to be the shortest.
    """
    n = len(places)
    if n < 2:
        return list(range(n))
    stops = [*places] if base is None else [*places, base]
    km = [[distance_km(a, b) for b in stops] for a in stops]
    home = None if base is None else n
    starts = range(0, n, math.ceil(n / _MOST_STARTS))
    tours = [_mended(_nearest_first(km, start, n), km, home) for start in starts]
    best = min(tours, key=lambda order: (round(_length(order, km, home), 9), order))
    # a route and its reverse are as long: the one that begins with the earlier place
    return min(best, best[::-1])


def _length(order: Sequence[int], km: Table, home: int | None) -> float:
    total = 0.0
    last = home
    for stop in order:
        if last is not None:
            total += km[last][stop]
        last = stop
    return total if home is None or last is None else total + km[last][home]


def _nearest_first(km: Table, start: int, n: int) -> list[int]:
    order, left = [start], set(range(n)) - {start}
    while left:
        row = km[order[-1]]
        order.append(min(left, key=lambda k: (row[k], k)))
        left.remove(order[-1])
    return order


def _mended(order: list[int], km: Table, home: int | None) -> list[int]:
    best, length = order, _length(order, km, home)
    while True:
        found = min(_neighbours(best), key=lambda other: _length(other, km, home), default=best)
        if _length(found, km, home) >= length - 1e-9:
            return best
        best, length = found, _length(found, km, home)


def _neighbours(order: list[int]) -> Iterator[list[int]]:
    """Yield the orders with one stretch reversed, or with up to three stops moved elsewhere."""
    n = len(order)
    for i in range(n - 1):
        for j in range(i + 2, n + 1):
            yield [*order[:i], *order[i:j][::-1], *order[j:]]
    for size in (1, 2, 3):
        for i in range(n - size + 1):
            piece, rest = order[i : i + size], [*order[:i], *order[i + size :]]
            for at in range(len(rest) + 1):
                if at != i:
                    yield [*rest[:at], *piece, *rest[at:]]
                    if size > 1:
                        yield [*rest[:at], *piece[::-1], *rest[at:]]
