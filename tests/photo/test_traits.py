"""Traits of a photo: means and spreads of what three levels of the network see, piece by piece."""

from __future__ import annotations

import numpy as np
import pytest

from lawnscore.photo.traits import traits_of


def test_the_traits_of_a_photo_are_means_and_spreads_where_it_is_measured() -> None:
    rng = np.random.default_rng(4)
    keep = np.zeros((16, 24), bool)
    keep[:, :17] = True  # of the third cell of 40 mm one column in eight
    first = rng.random((3, 16, 24), np.float32) * keep
    near, deep = rng.random((2, 8, 12), np.float32), rng.random((4, 2, 3), np.float32)
    by_hand = [first[:, :, :16].mean((1, 2)), first[:, :, :16].std((1, 2)),
               near[:, :, :8].mean((1, 2)), near[:, :, :8].std((1, 2)),
               deep[:, :, :2].mean((1, 2))]  # fmt: skip
    found = traits_of(first, near, deep, keep)
    assert found.shape == (1, 3 + 3 + 2 + 2 + 4)
    assert found[0] == pytest.approx(np.concatenate(by_hand), abs=1e-5)


def test_pieces_are_as_large_as_what_the_network_was_trained_on() -> None:
    """Of 0.84 x 1.68 m there are 3 x 6; one that is mostly left out, or beside it, is none."""
    keep = np.ones((168, 336), bool)
    keep[:16, :40] = False
    near, deep = np.zeros((1, 84, 168), np.float32), np.zeros((1, 21, 42), np.float32)
    first = np.zeros((1, 168, 336), np.float32)
    first[:, :, 168:] = 7.0
    found = traits_of(first, near, deep, keep)
    assert sorted(found[:, 0]) == 8 * [0] + 9 * [7]


def test_what_lies_beside_the_edge_of_the_ground_is_no_trait_of_it() -> None:
    keep = np.ones((168, 168), bool)
    planes = [np.zeros((1, side, side), np.float32) for side in (168, 84, 21)]
    for edge, plane in zip((16, 8, 2), planes, strict=True):
        plane[:, :edge] = plane[:, -edge:] = plane[:, :, :edge] = plane[:, :, -edge:] = 9.0
    assert not traits_of(*planes, keep).any()
    keep[80:88, 80:88] = False  # as where the card lies
    for times, plane in zip((8, 4, 1), planes, strict=True):
        plane[:, 8 * times : 13 * times, 8 * times : 13 * times] = 9.0
    assert not traits_of(*planes, keep).any()


def test_a_photo_of_which_hardly_anything_is_measured_has_traits_too() -> None:
    keep = np.zeros((16, 16), bool)
    keep[3, 3] = True
    planes = [np.ones((2, side, side), np.float32) for side in (16, 8, 2)]
    planes[0] *= keep
    assert np.isfinite(traits_of(*planes, keep)).all()
