"""Points beside the program: means, readers, points that take no part."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.points.compare import compare_points, photo_means
from tests.points.fakes import FakeProgram, photo_table, point_rows

SHARES = np.array([[0.8, 0.1, 0.1, 0, 0], [0.6, 0.3, 0.1, 0, 0]])


def program(n: int = 6) -> FakeProgram:
    table = photo_table(SHARES)
    cells = {f"{k:064x}": np.tile(SHARES[k], (n, 1)) for k in range(2)}
    return FakeProgram(table, cells)


def test_two_readers_of_one_point_count_as_one_point() -> None:
    sha = f"{0:064x}"
    points = pd.concat([point_rows(sha, [0, 1, 5]), point_rows(sha, [0, 2], reader="B")])
    found = compare_points(points, program())  # type: ignore[arg-type]
    assert found.readers == ("A", "B")
    assert found.said.tolist() == [[0, 0], [1, 2], [-1, -2]]
    assert found.told.tolist() == [True, True, False]
    assert found.seen[1].tolist() == [0, 0.5, 0.5, 0, 0]
    means = photo_means(found)
    assert means.n_points.tolist() == [2]
    assert means.seen[0].tolist() == [0.5, 0.25, 0.25, 0, 0]
    assert means.program[0] == pytest.approx(SHARES[0])


def test_points_off_the_ground_and_of_other_photos_take_no_part() -> None:
    sha = f"{0:064x}"
    points = pd.concat([point_rows(sha, [0] * 8), point_rows("f" * 64, [0] * 3)])
    found = compare_points(points, program(6))  # type: ignore[arg-type]
    assert len(found.photo) == 6
    assert found.n_off == 2
    assert found.photos == (sha,)


def test_the_spread_within_a_photo_is_that_of_its_points() -> None:
    """With many points: the multinomial covariance of one point, over n."""
    rng = np.random.default_rng(0)
    n = 3000
    seen = rng.choice(3, n, p=[0.8, 0.1, 0.1])
    own = FakeProgram(photo_table(SHARES), {f"{0:064x}": np.tile(SHARES[0], (n, 1))})
    means = photo_means(compare_points(point_rows(f"{0:064x}", seen), own))  # type: ignore[arg-type]
    p = means.seen[0]
    wanted = (np.diag(p) - np.outer(p, p)) / n
    assert means.covariance[0] == pytest.approx(wanted, abs=0.02 / n)


def test_nothing_told_is_said() -> None:
    found = compare_points(point_rows(f"{0:064x}", [5, 5]), program())  # type: ignore[arg-type]
    with pytest.raises(LawnscoreError, match="no point could be told"):
        photo_means(found)
