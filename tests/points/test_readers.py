"""What two readers' differences say of the error they leave."""

from __future__ import annotations

import numpy as np
import pytest

from lawnscore.points.compare import Compared
from lawnscore.points.readers import ASSUMED_KAPPA, LEAN, reader_pairs, reader_se


def compared(*said: list[int]) -> Compared:
    columns = np.column_stack(said)
    n = len(columns)
    names = tuple("ABC"[: columns.shape[1]])
    return Compared(("x",), np.zeros(n, np.int64), columns, names, np.full((n, 5), 0.2))


def test_one_reader_is_taken_to_agree_as_people_do() -> None:
    found = reader_se(compared([0] * 80 + [1] * 20))
    assert found[1] == pytest.approx(LEAN * 2 * (1 - ASSUMED_KAPPA) * 0.2 * 0.8)
    assert found[2] == 0.0


def test_two_readers_say_it_themselves() -> None:
    first, second = [0] * 60 + [1] * 40, [0] * 60 + [1] * 30 + [2] * 10
    both = compared(first, second)
    assert reader_se(both) == pytest.approx(LEAN * np.array([0, 0.1, 0.1, 0, 0]) / np.sqrt(2))
    (pair,) = reader_pairs(both)
    assert (pair.first, pair.second) == ("A", "B")
    assert pair.kappa.observed == pytest.approx(0.9)
    alike = compared(first, first)
    assert (reader_se(alike) == 0).all()


def test_points_one_could_not_tell_or_did_not_read_do_not_count() -> None:
    first, second = [0] * 60 + [1] * 40, [0] * 55 + [-1] * 5 + [1] * 10 + [-2] * 30
    (pair,) = reader_pairs(compared(first, second))
    assert pair.kappa.n == 65
    assert pair.kappa.observed == 1.0
    assert reader_pairs(compared(first, [0] * 40 + [-2] * 60)) == []
