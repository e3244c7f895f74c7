"""The class stage: levels of colour, whole cells, shares that add up, the leaf's own colour."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.special import expit, softmax

from lawnscore.card.colourspace import decode_srgb
from lawnscore.photo.class_net import CELL_PX, ClassNet, by_cell, load_net
from lawnscore.photo.classes import (
    SURFACES,
    ClassMap,
    classify,
    levels_of,
    share_errors,
)
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


class PlainLight:
    """A correction that takes camera values for sRGB."""

    @staticmethod
    def grid(levels: np.ndarray) -> np.ndarray:
        every = np.stack(np.meshgrid(*levels, indexing="ij"), axis=-1).reshape(-1, 3)
        return decode_srgb(every).astype(np.float32)


def half_leaf_half_soil() -> tuple[Any, ClassMap]:
    rng = np.random.default_rng(7)
    rgb = np.empty((96, 128, 3))
    rgb[:, :64], rgb[:, 64:] = (70, 110, 45), (120, 96, 70)
    rgb = np.clip(rgb + rng.normal(0, 12, rgb.shape), 0, 255).astype(np.uint8)
    ground: Any = SimpleNamespace(rgb=rgb, mask=np.zeros(rgb.shape[:2], bool), mm_per_px=1.25)
    return ground, classify(ground, PlainLight())  # type: ignore[arg-type]


def test_each_output_of_the_network_is_taken_for_what_it_is() -> None:
    """Five shares, casts, shade."""
    ground, seen = half_leaf_half_soil()
    levels = levels_of(ground.rgb)
    index, linear = levels.cells(ground.rgb), PlainLight.grid(levels.value / 255.0)
    out = load_net().cells(linear, index, np.ones(index.shape[:2], bool))[0]
    assert SURFACES == ("green", "straw", "soil", "cast", "litter")
    assert np.allclose(seen.shares, softmax(out[..., :5], axis=-1), atol=1e-5)
    assert np.allclose(seen.cast_score, expit(out[..., 5]), atol=1e-5)
    assert np.allclose(seen.shade, expit(out[..., -1]), atol=1e-5)


def test_errors_of_shares_follow_the_stored_line_by_hand() -> None:
    """Logarithm: constant, spread + 0.03, doubt + 0.004, strangeness; a little is always left."""
    shares = np.zeros((4, 4, 5), np.float32)
    shares[..., 0], shares[..., 1], shares[..., 2] = 0.5, 0.3, 0.2
    keep = np.ones((4, 4), bool)
    constant = np.array([[np.log(0.05), 0, 0, 0]] * 3, np.float32)
    found = share_errors(shares, keep, 1.0, constant)
    assert found[:3] == pytest.approx(np.hypot(0.05, [0.004, 0.006, 0.006]), rel=1e-4)
    lines = np.array([[0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], np.float32)
    found = share_errors(shares, keep, 2.0, lines)
    torn = 0.3 * 0.2 / 0.5
    assert found[:3] == pytest.approx(np.hypot([0.53, torn + 0.004, 2.0], [0.004, 0.006, 0.006]),
                                      rel=1e-3)  # fmt: skip


def test_ground_like_what_is_known_has_the_error_of_such_ground() -> None:
    shares = np.full((4, 4, 5), 0.2, np.float32)
    keep = np.ones((4, 4), bool)
    left_out = np.array([[np.log(0.2), 0, 0, 0]] * 3, np.float32)
    known = np.array([[np.log(0.05), 0, 0, 0]] * 3, np.float32)

    def straw(strangeness: float, lines: np.ndarray = known) -> float:
        return float(share_errors(shares, keep, strangeness, left_out, known=lines)[1])

    assert straw(0.2) == straw(0.9) == pytest.approx(np.hypot(0.05, 0.006), rel=1e-4)
    halfway = np.sqrt((0.05**2 + 0.2**2) / 2)
    assert straw(1.15) == pytest.approx(np.hypot(halfway, 0.006), rel=1e-4)
    assert straw(1.4) == straw(3.0) == pytest.approx(np.hypot(0.2, 0.006), rel=1e-4)
    # The wider of the two counts where the ground is strange.
    assert straw(2.0, known + np.array([[2.0, 0, 0, 0]], np.float32)) > 0.3


def test_ground_like_what_is_known_is_less_sure_the_stranger_it_is() -> None:
    shares = np.full((4, 4, 5), 0.2, np.float32)
    left_out = np.array([[np.log(0.01), 0, 0, 0]] * 3, np.float32)
    known = np.array([[np.log(0.1), 0, 0, 1.0]] * 3, np.float32)

    def straw(strangeness: float) -> float:
        keep = np.ones((4, 4), bool)
        return float(share_errors(shares, keep, strangeness, left_out, known=known)[1])

    assert straw(0.25) == pytest.approx(np.hypot(0.025, 0.006), rel=1e-4)
    assert straw(0.4) == pytest.approx(np.hypot(0.04, 0.006), rel=1e-4)


def test_stranger_ground_has_wider_errors(monkeypatch: pytest.MonkeyPatch) -> None:
    def as_strange_as(strangeness: float) -> ClassMap:
        monkeypatch.setattr(ClassNet, "strangeness", lambda _self, _traits: strangeness)
        return half_leaf_half_soil()[1]

    known, seen = as_strange_as(0.5), as_strange_as(2.0)
    assert seen.strangeness == 2.0
    assert (seen.model_se[:3] > 1.1 * known.model_se[:3]).any()
    assert seen.straw_soil_confidence < known.straw_soil_confidence


def test_the_nearest_known_world_says_how_strange_a_photo_is() -> None:
    """Two worlds at 0 and at 10, of spreads 1 and 2, by hand."""
    weights = {
        "strange.directions": np.array([[0.0, 0.0], [0.0, 1.0], [4.0, 0.0]], np.float32),
        "strange.mean": np.array([[0.0, 0.0], [10.0, 0.0]], np.float32),
        "strange.factor": np.array([np.eye(2), np.eye(2) / 2], np.float32),
    }
    net = ClassNet(weights, load_net().rest)
    # The first trait says nothing, the third says along the first direction, four times over.
    piece = {x: np.array([5.0, 0.0, x / 4], np.float32) for x in (0.0, 2.0, 8.0)}
    at = {x: net.strangeness(traits[None]) for x, traits in piece.items()}
    assert at[0.0] == 0.0
    assert at[2.0] == pytest.approx(2.0 / np.sqrt(2.0))
    assert at[8.0] == pytest.approx(1.0 / np.sqrt(2.0))
    # Of pieces the middle one: one odd corner does not make a lawn strange.
    assert net.strangeness(np.stack([piece[0.0], piece[2.0], piece[8.0]])) == pytest.approx(at[8.0])


def test_a_photo_has_the_traits_of_its_own_colours() -> None:
    """What the package hands on is what it saw: another lawn, other traits; the same, the same."""
    net = load_net()
    ground, _ = half_leaf_half_soil()
    levels = levels_of(ground.rgb)
    linear = PlainLight.grid(levels.value / 255.0)
    index = levels.cells(ground.rgb)
    keep = np.ones(index.shape[:2], bool)
    _, once = net.cells(linear, index, keep)
    _, again = net.cells(linear, index[::-1].copy(), keep)
    _, darker = net.cells(0.5 * linear, index, keep)
    size = len(net.weights["strange.directions"])
    assert once.shape == (1, size)
    assert np.abs(once - again).max() < np.abs(once - darker).max()
    assert net.strangeness(once) > 0


def test_the_leaf_colour_is_the_stored_line_by_hand() -> None:
    """The mean of the leafiest cells times e to a line; here a constant of log 0.8."""
    index = by_cell(np.zeros((64, 64), np.uint16))
    cells = (64 // CELL_PX, 64 // CELL_PX)
    linear = np.array([[0.06, 0.12, 0.03]], np.float32)
    weights = {
        "leaf.weight": np.zeros((10, 3), np.float32),
        "leaf.covariance": np.eye(3, dtype=np.float32) * 0.01,
    }
    weights["leaf.weight"][-1] = np.log(0.8)
    found = leaf_colour(index, linear, np.ones(cells, np.float32), np.ones(cells, bool), weights)
    assert found.seen == pytest.approx(linear[0], rel=1e-4)
    assert found.linear == pytest.approx(0.8 * linear[0], rel=1e-4)
    # the stored error, of a full sward
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(0.1 * found.linear, rel=0.01)
