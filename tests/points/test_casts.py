"""Casts marked by eye: matching by hand, the ratio and its interval."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.tables import POINTS
from lawnscore.points.casts import CastCounts, cast_factor, count_casts, matched
from tests.points.fakes import FakeProgram, photo_table

SHA = f"{0:064x}"


def row(kind: str, x: float, y: float, reader: str = "A") -> dict[str, object]:
    return {
        "kind": kind, "photo": "p", "sha256": SHA, "draw": "d", "number": 1, "x_mm": x, "y_mm": y,
        "side_mm": 250.0 if kind == "tile" else None, "seen": "cast" if kind == "cast" else None,
        "reader": reader, "session": "s", "read_at": "2026-06-04T09:00:00Z",
    }  # fmt: skip


def program(casts: list[list[float]]) -> FakeProgram:
    cells = np.tile([0.8, 0.1, 0.1, 0, 0], (400, 1))
    return FakeProgram(photo_table(cells[:1]), {SHA: cells}, {SHA: np.array(casts)})


def test_each_mark_has_one_cast_and_the_nearer_wins() -> None:
    marks = np.array([[0.0, 0.0], [30.0, 0.0]])
    casts = np.array([[2.0, 0.0, 0.9], [28.0, 0.0, 0.8], [200.0, 0.0, 1.0]])
    assert matched(marks, casts) == pytest.approx(1.7)
    assert matched(marks[:1], casts[1:]) == 0.0  # 28 mm is too far
    assert matched(np.zeros((0, 2)), casts) == 0.0


def test_only_tiles_that_were_looked_at_and_measured_ground_count() -> None:
    points = POINTS.frame(
        [row("tile", 125, 125), row("cast", 50, 100), row("cast", 240, 200), row("cast", 300, 100),
         row("cast", -5, 100)]
    )  # fmt: skip
    own = program([[52.0, 101.0, 0.9], [150.0, 150.0, 0.5], [300.0, 100.0, 1.0]])
    found = count_casts(points, own)  # type: ignore[arg-type]
    assert found.seen.tolist() == [2.0]
    assert found.counted.tolist() == [pytest.approx(1.4)]
    assert found.agreed.tolist() == [pytest.approx(0.9)]
    assert found.recall == pytest.approx(0.45)
    assert found.precision == pytest.approx(0.9 / 1.4)


def test_two_readers_are_averaged() -> None:
    points = POINTS.frame(
        [row("tile", 125, 125), row("cast", 50, 100), row("tile", 125, 125, "B"),
         row("cast", 50, 100, "B"), row("cast", 90, 90, "B")]
    )  # fmt: skip
    assert count_casts(points, program([[50.0, 100.0, 1.0]])).seen.tolist() == [1.5]  # type: ignore[arg-type]


def test_many_casts_give_the_ratio_and_few_give_one() -> None:
    """The ratio estimator, Cochran 1977, "Sampling Techniques", ch. 6: sum over sum."""
    rng = np.random.default_rng(0)
    counted = rng.uniform(20, 60, 30)
    seen = rng.poisson(1.4 * counted).astype(float)
    found = cast_factor(CastCounts(seen, counted, counted))
    assert found.factor == pytest.approx(seen.sum() / counted.sum(), rel=0.01)
    assert found.low < 1.4 < found.high
    few = cast_factor(CastCounts(np.array([2.0]), np.array([0.4]), np.array([0.4])))
    assert 1.0 < few.factor < 1.25
    assert few.low < 1.0 < few.high
    none = cast_factor(CastCounts(np.zeros(3), np.zeros(3), np.zeros(3)))
    assert none.factor == pytest.approx(1.0, abs=0.05)


def test_the_interval_holds() -> None:
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(300):
        true = float(np.exp(rng.normal(0, 0.3)))  # as counts err by what they state
        counted = rng.uniform(3, 40, 10)
        seen = rng.poisson(true * counted).astype(float)
        found = cast_factor(CastCounts(seen, counted, counted))
        held += found.low <= true <= found.high
    assert 0.91 < held / 300 <= 0.99


def test_nothing_looked_at() -> None:
    empty = count_casts(POINTS.frame(pd.DataFrame()), program([[0.0, 0.0, 1.0]]))  # type: ignore[arg-type]
    assert len(empty.seen) == 0
    assert np.isnan(empty.recall)
    assert np.isnan(empty.precision)
