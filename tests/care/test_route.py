"""The order of a day's visits, held against every order there is on small sets."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from lawnscore.care.route import LatLon, best_order, distance_km, route_km


def some_places(seed: int, n: int) -> list[LatLon]:
    rng = np.random.default_rng(seed)
    return [(52 + float(a), float(b)) for a, b in rng.uniform(-0.15, 0.15, (n, 2))]


def shortest_km(places: list[LatLon], base: LatLon | None) -> float:
    return min(route_km(places, order, base) for order in permutations(range(len(places))))


def test_distances_of_known_places() -> None:
    # Quarter of a meridian on the mean sphere: pi / 2 * 6371.0088 km; antipodes are twice that.
    assert distance_km((0, 10), (90, 10)) == pytest.approx(10007.557, abs=1e-3)
    assert distance_km((0, 0), (0, 180)) == pytest.approx(20015.115, abs=1e-3)
    # Haversine worked example, Rosetta Code: 36.12 N 86.67 W to 33.94 N 118.40 W is 2887.26 km
    # with a radius of 6372.8 km (from memory).
    known = 2887.26 * 6371.0088 / 6372.8
    assert distance_km((36.12, -86.67), (33.94, -118.40)) == pytest.approx(known, abs=0.01)


@pytest.mark.parametrize("base", [None, (52.0, 0.0)])
def test_it_is_the_shortest_of_all_orders_on_small_sets(base: LatLon | None) -> None:
    hit = 0
    for seed in range(20):
        places = some_places(seed, 2 + seed % 5)
        found, best = route_km(places, best_order(places, base), base), shortest_km(places, base)
        assert best - 1e-9 <= found <= 1.03 * best
        hit += found <= best + 1e-6
    assert hit >= 19


def test_every_place_is_visited_once_and_a_line_in_its_order() -> None:
    line = [(52.0, 0.1 * k) for k in (3, 0, 4, 1, 2)]
    order = best_order(line)
    assert [line[k][1] for k in order] in ([x[1] for x in sorted(line)], sorted(
        (x[1] for x in line), reverse=True))  # fmt: skip
    assert sorted(best_order(some_places(1, 12))) == list(range(12))


def test_mending_shortens_what_nearest_neighbour_makes() -> None:
    # On a line from the middle, nearest neighbour runs to one end and back over all of it.
    line = [(52.0, x) for x in (0.0, 0.1, -0.11, 0.3, -0.35, 0.9)]
    ends = sorted(x for _, x in line)
    span = distance_km((52.0, ends[0]), (52.0, ends[-1]))
    assert route_km(line, best_order(line)) == pytest.approx(span, rel=1e-3)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_few_places(n: int) -> None:
    assert sorted(best_order(some_places(2, n), (52.0, 0.0))) == list(range(n))


def test_the_date_line_is_no_barrier() -> None:
    assert distance_km((0, 179.5), (0, -179.5)) == pytest.approx(111.195, abs=1e-3)
