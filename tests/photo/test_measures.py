"""Measures on maps drawn by hand, and their errors against fields of known spread."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo.casts import Casts, find_casts
from lawnscore.photo.classes import ClassMap
from lawnscore.photo.measures import (
    SQUARE_PART,
    Measures,
    dgci,
    index_of_dispersion,
    measure,
    sampling_se,
    variance_inflation,
)
from lawnscore.photo.patches import find_patches
from tests.photo.maps import FlatGround, class_map, discs


def measured(made: ClassMap) -> Measures:
    ground = FlatGround()
    return measure(made, find_casts(made, ground), find_patches(made), ground, ScoringSettings())


# Karcher & Richardson 2003, "Quantifying turfgrass color using digital image analysis", Crop Sci.
# 43:943-951; colours and values worked from its formula.
@pytest.mark.parametrize(
    ("rgb8", "expected"),
    [
        ((70, 110, 50), 0.56328),
        ((60, 90, 40), 0.563834),
        ((100, 140, 60), 0.459851),
        ((0, 128, 0), 0.499346),
        ((150, 150, 70), 0.29281),
        ((34, 139, 34), 0.566502),
    ],
)
def test_dgci_worked_values(rgb8: tuple[int, int, int], expected: float) -> None:
    assert dgci(np.array(rgb8) / 255) == pytest.approx(expected, abs=1e-5)


def test_dgci_outside_its_domain_is_reported_not_clipped() -> None:
    # Hue 30, saturation and brightness 0.5: algebra gives 1/6.
    assert dgci(np.array([0.5, 0.375, 0.25])) == pytest.approx(0.166667, abs=1e-6)
    assert dgci(np.array([0.0, 0.02, 0.01])) > 1.0 - 0.3


def test_dgci_of_grey_is_unknown() -> None:
    assert math.isnan(dgci(np.array([0.4, 0.4, 0.4])))


def test_dgci_follows_another_library() -> None:
    # skimage's HSV is an independent oracle of hue, saturation and brightness.
    from skimage.color import rgb2hsv

    for rgb in np.random.default_rng(0).uniform(0, 1, (50, 3)):
        hue, saturation, brightness = rgb2hsv(rgb)
        expected = ((hue * 360 - 60) / 60 + 2 - saturation - brightness) / 3
        assert dgci(rgb) == pytest.approx(expected, abs=1e-9)


# Effective number of correlated values: closed form for an AR(1) row, from memory, worked anew.
@pytest.mark.parametrize(
    ("rho", "inflation", "n_eff"), [(0.5, 2.96, 33.783784), (0.9, 17.200048, 5.813937)]
)
def test_correlated_values_worked(rho: float, inflation: float, n_eff: float) -> None:
    assert variance_inflation(100, rho) == pytest.approx(inflation, abs=1e-5)
    assert 100 / variance_inflation(100, rho) == pytest.approx(n_eff, abs=1e-5)


def test_variance_inflation_is_the_exact_double_sum() -> None:
    n, rho = 7, 0.6
    lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    assert variance_inflation(n, rho) == pytest.approx((rho**lag).sum() / n)


def test_index_of_dispersion_worked() -> None:
    # Variance over mean of the counts 3, 0, 7, 1, 12, 2, 0, 5, by hand: 4.552381.
    counts = np.array([3, 0, 7, 1, 12, 2, 0, 5.0])
    assert index_of_dispersion(counts) == pytest.approx(4.552381, abs=1e-6)
    assert index_of_dispersion(np.zeros(4)) == 1.0


def test_every_measure_has_a_value_and_an_error() -> None:
    made = class_map(np.full((150, 200), 0.8, np.float32))
    found = measured(made)
    assert list(found.values) == list(MEASURES)
    assert list(found.se) == list(MEASURES)


def test_shares_add_up() -> None:
    rng = np.random.default_rng(4)
    green = rng.uniform(0, 0.8, (150, 200)).astype(np.float32)
    made = class_map(green, cast=0.1 * green, litter=0.05 * green, weight=rng.random(green.shape))
    found = measured(made)
    assert sum(found.values[name] for name in SURFACE_SHARES) == pytest.approx(100, abs=1e-6)


def test_shares_weigh_the_measured_part_of_a_cell() -> None:
    green = np.zeros((50, 50), np.float32)
    green[:, :25] = 1
    weight = np.ones(green.shape)
    weight[:, 25:] = 1 / 3
    assert measured(class_map(green, weight=weight)).values["green_cover_pct"] == pytest.approx(75)


def test_known_cover_casts_and_patch() -> None:
    shape = (200, 200)  # 1 m2
    bare = discs(shape, [(300, 300, 100)])
    casts = [(x, y, 28.0) for x in range(150, 1000, 200) for y in (500, 700, 900)]
    made = class_map(0.9 * (1 - bare), cast=discs(shape, casts))
    found = measured(made).values
    assert found["casts_per_m2"] == pytest.approx(15, rel=0.1)
    assert found["cast_cover_pct"] == pytest.approx(15 * math.pi * 1.4**2 / 100, rel=0.03)
    assert found["bare_patch_pct"] == pytest.approx(0.785, rel=0.10)
    assert found["largest_bare_patch_cm2"] == pytest.approx(78.5, rel=0.10)
    assert found["bare_patches_per_m2"] == pytest.approx(1.0)


def test_evenness_by_hand() -> None:
    green = np.full((80, 80), 0.9, np.float32)
    for row in range(4):
        for col in range(4):
            if (row + col) % 2:
                green[row * 20 : row * 20 + 20, col * 20 : col * 20 + 20] = 0.7
    # Sixteen squares, half at 90 and half at 70 %: sample standard deviation 10 * sqrt(16 / 15).
    expected = 100 - 2 * 10 * math.sqrt((1 - SQUARE_PART) * 16 / 15)
    assert measured(class_map(green)).values["evenness"] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("spread", [1.0, 4.0, 9.0])
def test_errors_of_the_classes_do_not_make_a_lawn_uneven(spread: float) -> None:
    """Squares with a true spread, and an error in each as large as the stage was seen to make."""
    rng = np.random.default_rng(int(spread))
    stage, off, plain = spread * math.sqrt(SQUARE_PART / (1 - SQUARE_PART)), [], []
    for _ in range(40):
        squares = 80 + spread * rng.normal(size=(10, 10))
        true = 100 - 2 * squares.std(ddof=1)
        squares = squares + stage * rng.normal(size=(10, 10))
        green = np.kron(np.clip(squares / 100, 0, 1), np.ones((20, 20))).astype(np.float32)
        found = measured(class_map(green))
        off.append((found.values["evenness"] - true) / found.se["evenness"])
        plain.append((100 - 2 * squares.std(ddof=1) - true) / found.se["evenness"])
    assert abs(np.mean(off)) < 0.3
    assert np.mean(plain) < np.mean(off) - 0.3
    assert np.sqrt(np.mean(np.square(off))) < 1.0


def test_evenness_reads_full_squares_only() -> None:
    green = np.full((80, 80), 0.8, np.float32)
    weight = np.ones(green.shape)
    green[:, 60:] = 0.1
    weight[:, 64:] = 0
    assert measured(class_map(green, weight=weight)).values["evenness"] == pytest.approx(100)


def test_leaf_colour_unknown_without_leaf() -> None:
    nan = float("nan")
    made = class_map(np.zeros((100, 100), np.float32), leaf_linear=(nan, nan, nan))
    found = measured(made)
    for name in ("colour_index", "leaf_L", "leaf_a", "leaf_b"):
        assert math.isnan(found.values[name])
        assert math.isnan(found.se[name])
    assert found.values["condition"] >= 0


def test_leaf_colour_of_a_known_green() -> None:
    # sRGB (70, 110, 50): Lab D65 42.284, -26.080, 28.833 (colour-science).
    from lawnscore.card.colourspace import decode_srgb

    leaf = tuple(decode_srgb(np.array([70, 110, 50]) / 255))
    found = measured(class_map(np.full((100, 100), 0.8, np.float32), leaf_linear=leaf)).values
    assert found["colour_index"] == pytest.approx(0.56328, abs=1e-4)
    lab = [found["leaf_L"], found["leaf_a"], found["leaf_b"]]
    assert lab == pytest.approx([42.284, -26.080, 28.833], abs=0.02)


def test_colour_error_is_that_of_many_draws() -> None:
    made = class_map(np.full((100, 100), 0.8, np.float32), leaf_se=0.004)
    rng = np.random.default_rng(8)
    from lawnscore.card.colourspace import encode_srgb

    draws = [dgci(encode_srgb(made.leaf_linear + rng.normal(0, 0.004, 3))) for _ in range(4000)]
    assert measured(made).se["colour_index"] == pytest.approx(np.std(draws), rel=0.15)


def test_casts_in_a_quadrat_follow_the_published_interval() -> None:
    # Ten casts in a quadrat of 0.25 m2 are 40 per m2, 95 % 19.18 to 73.56: Garwood 1936, "Fiducial
    # limits for the Poisson distribution", Biometrika 28:437-442. Our error is
    # symmetric, so its half width is compared.
    shape = (100, 100)
    made = class_map(np.full(shape, 0.9, np.float32))
    rng = np.random.default_rng(1)
    sure = Casts(*rng.uniform(0, 500, (2, 10)), np.full(10, 25.0), np.ones(10))
    found = measure(made, sure, find_patches(made), FlatGround(), ScoringSettings())
    assert found.values["casts_per_m2"] == pytest.approx(40.0)
    half_width = (73.5614 - 19.1816) / 2
    assert 1.96 * found.sampling_se["casts_per_m2"] == pytest.approx(half_width, rel=0.1)


def test_no_casts_seen_is_not_none_for_sure() -> None:
    found = measured(class_map(np.full((200, 200), 0.9, np.float32)))
    assert found.values["casts_per_m2"] == 0
    # Garwood 1936, as above: none seen, up to 3.69 at 95 %.
    assert 1.0 <= found.sampling_se["casts_per_m2"] * 1.96 <= 3.69


def field(rng: np.random.Generator, reach_cells: float, size: int = 320) -> np.ndarray:
    """Green cover of mean 0.6 that varies over `reach_cells`."""
    rough = rng.standard_normal((size + 200, size + 200)).astype(np.float32)
    smooth = cv2.GaussianBlur(rough, (0, 0), reach_cells)
    # White noise blurred by a Gaussian keeps 1 / (2 reach sqrt(pi)) of its standard deviation.
    smooth *= 2 * reach_cells * math.sqrt(math.pi)
    return np.clip(0.6 + 0.08 * smooth[100:-100, 100:-100], 0, 1)


@pytest.mark.parametrize("reach_cells", [2.4, 9.6, 16.0])  # 12, 48 and 80 mm
def test_stated_error_is_honest(reach_cells: float) -> None:
    rng = np.random.default_rng(11)
    ratio = []
    for _ in range(120):
        made = class_map(field(rng, reach_cells))
        shares = cv2.resize(made.shares[..., 0], (16, 16), interpolation=cv2.INTER_AREA)
        se = sampling_se(shares.astype(np.float64), np.ones((16, 16)))
        ratio.append((float(made.shares[..., 0].mean()) - 0.6) / se)
    # The field model has a longer reach than these Gaussian fields: wide of the mark is allowed.
    assert 0.5 < np.std(ratio) < 1.3  # of 120: give or take 0.04 (80 mm: 0.65 in the long run)


def test_too_few_tiles_give_no_sampling_error() -> None:
    assert math.isnan(sampling_se(np.zeros((1, 3)), np.ones((1, 3))))


def test_error_of_the_ground_measured_and_of_the_sample_are_kept_apart() -> None:
    rng = np.random.default_rng(2)
    made = class_map(field(rng, 12.0), model_se=0.02)
    found = measured(made)
    assert found.se["green_cover_pct"] == pytest.approx(2.0)
    tiles = cv2.resize(made.shares[..., 0], (16, 16), interpolation=cv2.INTER_AREA)
    expected = 100 * sampling_se(tiles.astype(np.float64), np.ones((16, 16)))
    assert found.sampling_se["green_cover_pct"] == pytest.approx(expected)


def test_a_count_of_casts_is_less_sure_where_little_is_green() -> None:
    nothing = Casts(*np.zeros((4, 0)))
    errors = []
    for green in (0.95, 0.6, 0.1):
        made = class_map(np.full((200, 200), green, np.float32))
        found = measure(made, nothing, find_patches(made), FlatGround(), ScoringSettings())
        errors.append(found.se["casts_per_m2"])
    assert errors[0] < 2.0 < errors[1] < 10.0 < errors[2]


def test_a_count_of_casts_errs_by_a_share_of_itself_by_hand() -> None:
    """Sure casts on closed turf: 0.3 of the count, the scale twice, 1.5 per m2 that stay."""
    made = class_map(np.full((200, 200), 1.0, np.float32))  # 1 m2
    rng = np.random.default_rng(1)
    sure = Casts(*rng.uniform(0, 1000, (2, 50)), np.full(50, 25.0), np.ones(50))
    ground = FlatGround(scale_rel_se=0.1)
    found = measure(made, sure, find_patches(made), ground, ScoringSettings())
    expected = math.hypot(50 * math.hypot(0.3, 2 * 0.1), 1.5)
    assert found.values["casts_per_m2"] == pytest.approx(50.0)
    assert found.se["casts_per_m2"] == pytest.approx(expected, rel=1e-3)


def test_casts_that_keep_together_say_less_of_the_lawn_by_hand() -> None:
    """All 40 in one of four quadrats: variance over mean is 40 in place of 1."""
    made = class_map(np.full((200, 200), 1.0, np.float32))  # four quadrats of 0.25 m2
    rng = np.random.default_rng(2)
    corner, spread = rng.uniform(20, 480, (2, 40)), rng.uniform(20, 980, (2, 40))
    clumped, even = (
        measure(made, Casts(*places, np.full(40, 25.0), np.ones(40)), find_patches(made),
                FlatGround(), ScoringSettings()).sampling_se["casts_per_m2"]
        for places in (corner, spread)
    )  # fmt: skip
    assert clumped == pytest.approx(math.sqrt(40 * 40 + 1), rel=1e-3)
    assert even < 0.5 * clumped
