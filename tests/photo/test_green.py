"""Green leaf without a card: worked cases, invariances, and scenes with known truth."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from lawnscore.card.colourspace import encode_srgb
from lawnscore.photo.green import (
    FLARE,
    LEAF_GREENNESS,
    SOIL_GREENNESS,
    green_mask,
    greenness,
    leaf_limit,
)

SOIL = np.array([0.20, 0.15, 0.10])
LEAF = np.array([0.06, 0.11, 0.04])


def picture(linear: NDArray, *, noise: float = 0.0, seed: int = 1) -> NDArray[np.uint8]:
    encoded = encode_srgb(np.clip(linear, 0, 1))
    encoded = encoded + noise * np.random.default_rng(seed).normal(size=encoded.shape)
    return np.clip(np.round(255 * encoded), 0, 255).astype(np.uint8)


def blades(share: float, *, side: int = 200, seed: int = 3) -> NDArray[np.bool_]:
    """Straight blades 7 px wide until they cover the share."""
    rng = np.random.default_rng(seed)
    mask = np.zeros((side, side), np.uint8)
    while mask.mean() < share:
        a, b = rng.integers(-20, side + 20, (2, 2))
        cv2.line(mask, a.tolist(), b.tolist(), 1, 7)
    return mask > 0


def ground(mask: NDArray[np.bool_], light: NDArray | float = 1.0) -> NDArray:
    return np.where(mask[..., None], LEAF, SOIL) * light


def test_worked_greenness() -> None:
    # By hand: linear (0.2, 0.15, 0.1), flare 0.01 -> ln(0.16/0.21) - 0.35 ln(0.11/0.21).
    expected = math.log(0.16 / 0.21) - 0.35 * math.log(0.11 / 0.21)
    found = greenness(picture(np.broadcast_to(SOIL, (20, 20, 3))))
    assert pytest.approx(0.01) == FLARE
    assert found == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("grey", [0, 3, 40, 128, 255])
def test_grey_is_no_leaf_however_bright(grey: int) -> None:
    flat = np.full((30, 30, 3), grey, np.uint8)
    assert greenness(flat) == pytest.approx(0, abs=1e-5)
    assert not green_mask(flat).any()


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5, 0.8])
def test_cover_of_blades_on_soil(share: float) -> None:
    true = blades(share)
    found = green_mask(picture(ground(true), noise=0.02))
    assert 100 * abs(found.mean() - true.mean()) < 1.5
    assert (found & true).sum() / (found | true).sum() > 0.85


def test_bare_soil_and_closed_sward_are_not_split() -> None:
    none, whole = np.zeros((150, 150), bool), np.ones((150, 150), bool)
    fine = np.random.default_rng(5).normal(size=(150, 150))
    rough = np.exp(4.0 * cv2.GaussianBlur(fine, (0, 0), 3))[..., None]  # a spread of 0.4 in logs
    assert green_mask(picture(ground(none, 0.3 * rough), noise=0.02)).mean() < 0.005
    assert green_mask(picture(ground(whole, 0.5 * rough), noise=0.02)).mean() > 0.97


def test_sky_light_in_shade_does_not_make_soil_green() -> None:
    # Half the ground in shade, lit by CIE daylight of 10000 K instead of 5500 K, at a quarter of
    # the light; white as linear sRGB from CIE 15 chromaticities.
    from lawnscore.demo import spectra

    sun, sky = (
        spectra.to_linear_srgb(np.ones((1, 31)) * spectra.daylight(t) / spectra.daylight(6504.0))[0]
        for t in (5500.0, 10000.0)
    )
    light = np.empty((200, 200, 3))
    light[:, :100], light[:, 100:] = sun / sun[1], 0.25 * sky / sky[1]
    true = blades(0.2)
    found = green_mask(picture(ground(true, light), noise=0.01))
    assert found[:, 100:].mean() == pytest.approx(true[:, 100:].mean(), abs=0.03)
    assert found[:, :100].mean() == pytest.approx(true[:, :100].mean(), abs=0.03)


def test_limit_leans_on_the_prior_where_nothing_parts() -> None:
    flat = np.full((50, 50), SOIL_GREENNESS, np.float32)
    halfway = 0.5 * (SOIL_GREENNESS + LEAF_GREENNESS)
    assert leaf_limit(flat) == pytest.approx(halfway, abs=1e-6)
    assert leaf_limit(np.full((50, 50), 0.9, np.float32)) <= LEAF_GREENNESS


def test_specks_are_dropped_and_the_scale_sets_the_smoothing() -> None:
    true = np.zeros((100, 100), bool)
    true[50:52, 50:52] = True
    true[10:30, 10:90] = True
    rgb = picture(ground(true))
    assert not green_mask(rgb)[45:57, 45:57].any()
    assert green_mask(rgb)[15:25, 20:80].all()
    # Where a pixel covers 3 mm, four of them are a tuft, not a speck.
    assert green_mask(rgb, mm_per_px=3.0)[50:52, 50:52].all()


@pytest.mark.parametrize(
    ("rgb", "scale", "words"),
    [
        (np.zeros((4, 4), np.uint8), None, "uint8"),
        (np.zeros((4, 4, 3)), None, "float64"),
        (np.zeros((0, 4, 3), np.uint8), None, "uint8"),
        (np.zeros((4, 4, 3), np.uint8), 0.0, "above 0"),
        (np.zeros((4, 4, 3), np.uint8), float("nan"), "above 0"),
    ],
)
def test_bad_input_is_told(rgb: NDArray, scale: float | None, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        green_mask(rgb, mm_per_px=scale)


@pytest.mark.parametrize("side", [1, 2, 5])
def test_tiny_pictures_have_an_answer(side: int) -> None:
    assert green_mask(np.full((side, side, 3), 90, np.uint8)).shape == (side, side)
