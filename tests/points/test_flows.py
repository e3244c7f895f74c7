"""The correction of shares: what it mends, what it leaves alone, how sure it says it is.

The rounds are those of `benchmarks/studies/points_by_eye.py`, which runs a thousand of each."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.studies import points_by_eye as study
from lawnscore.points.flows import Evidence, Targets, correct_shares

ROUNDS = 6


def worlds(name: str) -> study.World:
    return next(world for world in study.WORLDS if world.name == name)


def ratio(found: dict[str, np.ndarray], k: int = 1) -> float:
    after, before = (np.sqrt((found[name][:, k] ** 2).mean()) for name in ("mended", "plain"))
    return float(after / before)


def exact(n: int = 10, error: float = 0.0, noise: float = 0.02) -> tuple[Evidence, Targets]:
    """Photos of which ``error`` of the straw is called soil, seen without any scatter."""
    straw = np.linspace(0.05, 0.4, n)
    truth = np.column_stack([0.9 - straw, straw, 0.1 + 0 * straw, 0 * straw, 0 * straw])
    program = truth.copy()
    program[:, 1] -= error * straw
    program[:, 2] += error * straw
    se, place = np.full((n, 5), 0.02), np.arange(n)
    covariance = np.tile(np.eye(5) * noise**2, (n, 1, 1))
    evidence = Evidence(truth - program, program, covariance, se, place, np.zeros(5))
    return evidence, Targets(program, se, place + n, np.full(n, -1))  # other photos alike


def test_a_part_that_is_always_mistaken_is_given_back() -> None:
    evidence, targets = exact(error=0.5)
    found = correct_shares(evidence, targets)
    truth = targets.shares[:, 1] * 2
    assert np.abs(found.shares[:, 1] - truth).max() < 0.03
    assert np.abs(targets.shares[:, 1] - truth).max() == pytest.approx(0.2)
    assert found.shares.sum(axis=1) == pytest.approx(np.ones(10))
    assert ((found.shares >= 0) & (found.shares <= 1)).all()


def test_no_difference_changes_nothing() -> None:
    evidence, targets = exact(error=0.0)
    found = correct_shares(evidence, targets)
    assert np.abs(found.shares - targets.shares).max() < 0.006


def test_points_that_tell_nothing_leave_share_and_error_as_they_are() -> None:
    evidence, targets = exact(error=0.2, noise=3.0)
    found = correct_shares(evidence, targets)
    assert np.abs(found.shares - targets.shares).max() < 0.01
    assert found.se[:, :3] == pytest.approx(targets.stated_se[:, :3], rel=0.2)


def test_a_reader_who_may_lean_is_not_believed_to_the_last() -> None:
    evidence, targets = exact(error=0.0)
    moved = np.array([0.0, 0.04, -0.04, 0.0, 0.0])
    values = vars(evidence) | {"difference": evidence.difference + moved}
    believed = correct_shares(Evidence(**values), targets)
    doubted = correct_shares(Evidence(**(values | {"reader_se": np.full(5, 0.08)})), targets)
    shift = [float((c.shares - targets.shares)[:, 1].mean()) for c in (believed, doubted)]
    assert shift[0] > 0.015
    assert shift[1] < 0.6 * shift[0]


def test_a_photo_that_was_read_leans_on_its_own_points() -> None:
    evidence, _ = exact(error=0.0)
    own = evidence.difference.copy()
    own[3] += [0.05, -0.05, 0, 0, 0]
    values = vars(evidence) | {"difference": own, "stated_se": np.full((10, 5), 0.04)}
    targets = Targets(evidence.program, np.full((10, 5), 0.04), evidence.place, np.arange(10))
    found = correct_shares(Evidence(**values), targets)
    gap = (found.shares - targets.shares)[:, 1]
    assert gap[3] < -0.015
    assert np.abs(np.delete(gap, 3)).max() < 0.012
    assert (found.se[:, 1] < 0.04).all()


def test_the_same_points_give_the_same_numbers() -> None:
    evidence, targets = exact(error=0.3)
    first, again = (correct_shares(evidence, targets) for _ in range(2))
    np.testing.assert_array_equal(first.shares, again.shares)
    np.testing.assert_array_equal(first.se, again.se)


def test_a_spoilt_class_stage_is_brought_to_a_third() -> None:
    """Straw called soil by half, 12 photos of 60 points, 60 photos, two readers."""
    found = study.study(worlds("half, and half the stated errors"), ROUNDS, seed=11)
    assert ratio(found) < 0.38  # a third in a thousand rounds; these are few
    assert found["held"][:, 1].mean() > 0.9


def test_a_class_stage_as_good_as_it_states_is_not_made_worse() -> None:
    for name in ("as good as it states", "as good, 4 photos of 30 points"):
        found = study.study(worlds(name), ROUNDS, seed=12)
        for k in range(3):
            assert ratio(found, k) < 1.15, name  # a tenth in a thousand rounds
            assert 0.86 < found["held"][:, k].mean() <= 1.0
