"""The fits of stated errors: what a world's own pictures may and may not say of their intervals."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.training.known_worlds import known_by
from benchmarks.training.stated_error import SETS, fitted, intervals, stacked
from benchmarks.training.worlds import kept_back
from lawnscore.photo.class_net import ClassNet, load_net

LIKE = np.array([np.log(0.01), 0.0, 0.0, 0.0])
NEVER = [name for name in SETS if "never" in name]


def pictures(error: float, far: float, n: int = 60) -> dict[str, np.ndarray]:
    """Pictures of half green ground, whose straw errs by so much."""
    rng = np.random.default_rng(8)
    said = np.tile([0.5, 0.3, 0.2, 0.0, 0.0], (n, 1)) + rng.uniform(-0.05, 0.05, (n, 5))
    true = said.copy()
    true[:, 1] -= error * rng.choice([-1.0, 1.0], n) * rng.uniform(0.5, 1.5, n)
    doubt = rng.uniform(0.05, 0.1, (n, 3))
    return {"said": said, "true": true, "doubt": doubt, "far": np.full(n, far)}


def test_a_world_has_no_part_in_the_line_that_its_intervals_come_from() -> None:
    calm = {name: pictures(0.05, 3.0) for name in NEVER}
    wild = {**calm, NEVER[0]: pictures(0.5, 3.0)}
    before, after = (
        {name: se for name, _, se in intervals(found, 1, LIKE)} for found in (calm, wild)
    )
    assert after[NEVER[0]] == pytest.approx(before[NEVER[0]])
    assert np.median(after[NEVER[1]]) > 2 * np.median(before[NEVER[1]])


def test_a_picture_that_looks_like_known_ground_gets_the_error_of_known_ground() -> None:
    found = {name: pictures(0.2, 0.5 if name == NEVER[0] else 3.0) for name in NEVER}
    stated = {name: se for name, _, se in intervals(found, 1, LIKE)}
    assert stated[NEVER[0]] == pytest.approx(np.full(60, 0.01))
    assert (stated[NEVER[1]] > 0.1).all()


def test_ninety_five_of_a_hundred_intervals_hold_where_the_line_was_fitted() -> None:
    found = {name: pictures(0.1 * (k + 1), 2.0 + k) for k, name in enumerate(NEVER)}
    x, error, weight = stacked(found, 1)
    held = np.abs(error) <= 1.96 * np.exp(x @ fitted(x, error, weight))
    assert 0.94 <= (held * weight).sum() / weight.sum() <= 0.96


def test_new_ground_is_stranger_than_other_ground_of_known_worlds() -> None:
    """Traits of two worlds and of a third, which differs where the known ones hardly vary."""
    rng = np.random.default_rng(2)
    spread = np.r_[np.full(6, 5.0), np.full(6, 0.1)]
    worlds = [rng.normal(0, 1, (200, 12)) * spread + 20 * k for k in range(2)]
    known = known_by([world[:150] for world in worlds], n=8)
    weights = {key: value.astype(np.float32) for key, value in known.items()}
    net = ClassNet(weights, load_net().rest)

    def far(traits: np.ndarray) -> float:
        each = [net.strangeness(row[None].astype(np.float32)) for row in traits]
        return float(np.median(each))

    other = far(worlds[1][150:])
    assert 0.5 < other < 1.5
    assert far(worlds[1][150:] + np.r_[np.zeros(11), 2.0]) > 2 * other


def test_every_third_group_is_kept_back() -> None:
    """Eight scenes that are made in a row are a group; photographs have groups of their own."""
    scenes = np.arange(48)
    assert np.array_equal(np.flatnonzero(kept_back("rendered", scenes)), np.r_[16:24, 40:48])
    fields = np.array([0, 0, 1, 2, 2, 5])
    assert kept_back("field", fields).tolist() == [False, False, False, True, True, True]
    assert kept_back("texture", np.array([0, 1, 2, 3])).tolist() == [False, False, False, True]
