"""The class stage: levels of colour, whole cells, shares that add up, the leaf's own colour."""

from __future__ import annotations

import numpy as np

from lawnscore.photo.class_net import CELL_PX, by_cell, load_net
from lawnscore.photo.classes import levels_of
from lawnscore.photo.leaf import leaf_colour, scarcity


def dark_picture(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.integers(8, 40, (64, 96, 3)).astype(np.uint8)


def test_levels_are_fine_where_the_pixels_are() -> None:
    picture = dark_picture()
    levels = levels_of(picture)
    back = levels.colours()[levels.index(picture)] * 255.0
    # Equal steps of 8 would be off by 2.3 (root mean square): 8 / sqrt(12).
    assert np.sqrt(np.mean((back - picture) ** 2)) < 1.0


def test_every_colour_has_a_number_below_32768() -> None:
    white = np.full((16, 16, 3), 255, np.uint8)
    assert int(levels_of(white).index(white).max()) < 32768


def test_the_pixels_of_a_cell_come_row_by_row() -> None:
    picture = dark_picture()
    levels = levels_of(picture)
    whole, cells = levels.index(picture), levels.cells(picture)
    assert cells.shape == (16, 24, 16)
    assert np.array_equal(cells, by_cell(whole))
    assert np.array_equal(cells[3, 5], whole[12:16, 20:24].ravel())


def test_cells_that_are_left_out_take_no_part() -> None:
    net = load_net()
    rng = np.random.default_rng(3)
    linear = rng.uniform(0.0, 0.5, (40, 3)).astype(np.float32)
    index = by_cell(rng.integers(0, 40, (64, 64)).astype(np.uint16))
    keep = np.ones((16, 16), bool)
    keep[:, 9:] = False
    other = index.copy()
    other[:, 9:] = 7
    assert np.array_equal(net.cells(linear, index, keep)[0], net.cells(linear, other, keep)[0])


def test_the_mood_is_that_of_shares_of_colour_and_hangs_on_them() -> None:
    net = load_net()
    rng = np.random.default_rng(4)
    linear = rng.uniform(0.0, 0.5, (6000, 3)).astype(np.float32)
    counts = rng.integers(1, 9, 6000).astype(np.float32)
    mood = net.mood(linear, counts)
    assert np.allclose(net.mood(linear, 10 * counts), mood, rtol=1e-4)
    assert np.allclose(net.mood(linear[::-1], counts[::-1]), mood, rtol=1e-4, atol=1e-5)
    greener = linear * np.float32([0.7, 1.0, 0.7])
    assert np.abs(net.mood(greener, counts) - mood).max() > 0.01


def test_ground_of_which_nothing_is_measured_has_a_mood_too() -> None:
    net = load_net()
    out, _ = net.cells(
        np.full((1, 3), 0.1, np.float32), np.zeros((8, 8, 16), np.uint16), np.zeros((8, 8), bool)
    )
    assert np.isfinite(out).all()


def test_the_network_tells_plain_green_from_plain_brown() -> None:
    net = load_net()
    linear = np.array([[0.05, 0.12, 0.03], [0.14, 0.09, 0.055]], np.float32)
    index = np.zeros((64, 128), np.uint16)
    index[:, 64:] = 1
    out, _ = net.cells(linear, by_cell(index), np.ones((16, 32), bool))
    likeliest = out[..., :5].argmax(axis=-1)
    assert (likeliest[4:12, 2:13] == 0).mean() > 0.9
    assert (likeliest[4:12, 19:30] == 0).mean() < 0.1


def test_without_leaf_there_is_no_leaf_colour() -> None:
    index = np.zeros((64, 64), np.uint16)
    cells = (64 // CELL_PX, 64 // CELL_PX)
    linear = np.full((1, 3), 0.1, np.float32)
    index, green = by_cell(index), np.full(cells, 0.001, np.float32)
    none = leaf_colour(index, linear, green, np.ones(cells, bool), load_net().weights)
    assert np.isnan(none.linear).all()


def test_the_error_of_the_leaf_colour_grows_where_leaf_is_scarce() -> None:
    assert scarcity(0.05) > 2.0 > 1.2 > scarcity(0.9) >= 1.0
