"""Each refusal from a photo made to deserve it, and good photos let through."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from lawnscore.card.design import card_design
from lawnscore.contract.errors import PhotoRefused
from lawnscore.contract.reasons import REASONS
from lawnscore.demo.camera import Light
from lawnscore.photo.card_blur import edge_spreads
from lawnscore.photo.checks import Check, refuse_failed
from lawnscore.photo.quality import (
    check_black,
    check_bright,
    check_burnt,
    check_card_light,
    check_leaf_light,
    check_level,
    ground_blocks,
)
from lawnscore.photo.score import PhotoScore, score_photo
from lawnscore.photo.sharpness import MAX_BLUR_MM
from tests.photo import rendered


def scored(tmp_path: Path, rgb: np.ndarray) -> PhotoScore:
    path = tmp_path / "photo.png"
    cv2.imwrite(str(path), rgb[..., ::-1])
    return score_photo(path)


def step(sigma: float, *, n: int = 16, noise: float = 0.0, shift: float = 0.0) -> np.ndarray:
    from scipy.stats import norm

    x = np.linspace(-5, 5, 81)
    rows = [40 + 180 * norm.cdf((x - shift * k / n) / sigma) for k in range(n)]
    return np.array(rows) + np.random.default_rng(0).normal(0, noise, (n, x.size))


def edge_spread(profiles: np.ndarray, size: float) -> float:
    return float(edge_spreads(profiles[None], np.array([size]))[0])


@pytest.mark.parametrize("sigma", [0.4, 0.8, 1.5])
def test_edge_spread_of_a_gaussian_step(sigma: float) -> None:
    assert edge_spread(step(sigma), 0.125) == pytest.approx(sigma, rel=0.03)


def test_edge_spread_bears_noise_and_a_slanting_edge() -> None:
    assert edge_spread(step(0.8, noise=5.0), 0.125) == pytest.approx(0.8, rel=0.15)
    assert edge_spread(step(0.8, shift=1.0), 0.125) == pytest.approx(0.8, rel=0.05)


def test_edge_spread_without_contrast_is_unknown() -> None:
    assert np.isnan(edge_spread(np.full((8, 81), 100.0), 0.125))


# Worked variances of the Laplacian (OpenCV and SciPy agree): the reason why no threshold on it is
# used here. It is 1 040 400 for a checkerboard and 5000 for one step of 200, both perfectly sharp.
def test_variance_of_laplacian_is_no_measure_of_blur_alone() -> None:
    checker = np.indices((16, 16)).sum(axis=0) % 2 * 255.0
    one_step = np.zeros((16, 16))
    one_step[:, 8:] = 200.0
    ramp = np.tile(10.0 * np.arange(16), (16, 1))
    assert cv2.Laplacian(checker, cv2.CV_64F).var() == pytest.approx(1_040_400)
    assert cv2.Laplacian(one_step, cv2.CV_64F).var() == pytest.approx(5000)
    assert cv2.Laplacian(ramp, cv2.CV_64F).var() == pytest.approx(50)
    assert cv2.Laplacian(np.full((16, 16), 99.0), cv2.CV_64F).var() == 0


def test_a_good_photo_passes_every_check(tmp_path: Path) -> None:
    score = scored(tmp_path, rendered.good().rgb)
    assert score.row["status"] == "scored"
    assert all(check.passed for check in score.checks)
    assert {check.reason for check in score.checks} <= set(REASONS)


def test_out_of_focus_is_blurred(tmp_path: Path) -> None:
    px = 2.2 * MAX_BLUR_MM / rendered.good().mm_per_px
    score = scored(tmp_path, rendered.blurred(rendered.good().rgb, px))
    assert score.row["reason"] in {"blurred", "cardless"}


def test_a_little_out_of_focus_is_blurred_in_so_many_words(tmp_path: Path) -> None:
    px = 1.25 * MAX_BLUR_MM / rendered.good().mm_per_px
    score = scored(tmp_path, rendered.blurred(rendered.good().rgb, px))
    assert score.row["reason"] == "blurred"
    assert "mm" in str(score.row["detail"])


def test_stated_blur_is_that_of_the_photo(tmp_path: Path) -> None:
    sharp = next(c for c in scored(tmp_path, rendered.good().rgb).checks if c.reason == "blurred")
    soft_rgb = rendered.blurred(rendered.good().rgb, 1.5)
    soft = next(c for c in scored(tmp_path, soft_rgb).checks if c.reason == "blurred")
    expected = np.hypot(sharp.value, 1.5 * rendered.good().mm_per_px)
    assert soft.value == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize(
    ("stops", "reasons"),
    [(3.0, {"overexposed", "glaring"}), (-6.0, {"underexposed", "covered", "cardless"})],
)
def test_exposure(tmp_path: Path, stops: float, reasons: set[str]) -> None:
    camera = replace(rendered.CAMERA, exposure_ev=stops)
    score = scored(tmp_path, rendered.shot(camera=camera).rgb)
    assert score.row["reason"] in reasons


def test_tilt(tmp_path: Path) -> None:
    photo = rendered.shot(tilt_deg=46.0, tilt_azimuth_deg=90.0)
    assert scored(tmp_path, photo.rgb).row["reason"] == "tilted"


def test_card_in_shade_and_lawn_in_sun(tmp_path: Path) -> None:
    light = Light(sun_share=0.85, sun_elevation_deg=50, shade="edge", shade_share=0.02)
    photo = rendered.shot(light=light, card_in_shade=True)
    assert scored(tmp_path, photo.rgb).row["reason"] == "shaded"


def test_burnt_black_and_dark_ground() -> None:
    half = np.zeros((3, 1000), np.uint8) + 90
    assert check_burnt(half).passed
    assert check_black(half).passed
    assert check_level(half).passed
    burnt = half.copy()
    burnt[:2, :200] = 255
    assert check_burnt(burnt).value == pytest.approx(20.0)
    assert not check_burnt(burnt).passed
    black = half.copy()
    black[:, :500] = 3
    assert check_black(black).value == pytest.approx(50.0)
    assert not check_black(black).passed
    assert not check_level(half // 10).passed


def test_one_burnt_channel_is_not_burnt_out() -> None:
    yellow = np.zeros((3, 100), np.uint8) + 90
    yellow[0] = 255
    assert check_burnt(yellow).value == 0.0


def test_the_first_failed_check_refuses() -> None:
    passed = Check("tilted", "tilt", 3.0, "up to 40", " degrees", True)
    failed = Check("blurred", "blur", 2.0, "up to 1.5", " mm", False)
    refuse_failed([passed])
    with pytest.raises(PhotoRefused, match=r"blur 2 mm, allowed up to 1\.5 mm") as caught:
        refuse_failed([passed, failed])
    assert caught.value.reason == "blurred"


def card_seen(residual_l: np.ndarray, delta_e: float, source: str = "measured") -> Any:
    design = card_design("turf-a5")
    residual = np.zeros((len(design.patches), 3))
    residual[:, 0] = residual_l
    fit = SimpleNamespace(patch_residual_lab=residual, card_delta_e=delta_e, source=source)
    return check_card_light(SimpleNamespace(design=design), fit)


def test_half_a_card_in_shade_that_does_not_fit_is_shaded() -> None:
    centres = np.array([p.centre_mm[0] for p in card_design("turf-a5").patches])
    half = np.where(centres > 105, -15.0, 0.0)
    check = card_seen(half, 3.2)
    assert (check.reason, check.passed) == ("shaded", False)
    assert check.sentence() == (
        "colour error of the card in uneven light 3.2 CIEDE2000, allowed up to 2 CIEDE2000"
    )
    assert card_seen(half, 1.0).passed  # the lit patches fit among themselves


def test_a_bad_fit_in_even_light_is_not_called_shaded() -> None:
    scatter = np.random.default_rng(1).normal(0, 2.0, len(card_design("turf-a5").patches))
    assert card_seen(scatter, 3.2).passed
    assert card_seen(scatter, 3.2, "nominal").passed


class SquaredLight:
    """A correction that squares the camera's values: near the curve of sRGB."""

    @staticmethod
    def correct(rgb: np.ndarray) -> np.ndarray:
        return np.asarray(rgb, dtype=np.float32) ** 2


def ground_of(grey: np.ndarray, mask: np.ndarray | None = None) -> Any:
    rgb = np.repeat(grey[..., None], 3, axis=2).astype(np.uint8)
    return SimpleNamespace(rgb=rgb, mask=np.zeros(grey.shape, bool) if mask is None else mask)


def test_sunlit_strip_beside_a_card_in_shade_is_too_bright() -> None:
    grey = np.full((320, 320), 90)  # luminance 0.12
    assert check_bright(ground_of(grey), SquaredLight()).value == 0.0
    grey[:, :32] = 90 * np.sqrt(5.0)  # a tenth in five times the light: luminance 0.62
    check = check_bright(ground_of(grey), SquaredLight())
    assert (check.reason, check.passed) == ("shaded", False)
    assert check.sentence() == (
        "ground too bright for the light of the card 10 %, allowed up to 2 %"
    )
    outside = np.zeros(grey.shape, bool)
    outside[:, :32] = True
    assert check_bright(ground_of(grey, outside), SquaredLight()).passed


def test_a_few_white_flowers_and_glints_are_not_too_bright() -> None:
    grey = np.full((640, 640), 90)
    grey[:80, :80] = 250  # 1.6 %: stones or daisies
    assert 1.0 < check_bright(ground_of(grey), SquaredLight()).value < 2.0
    assert check_bright(ground_of(grey), SquaredLight()).passed
    glints = np.full((640, 640), 90)
    glints[::4, ::4] = 255  # single pixels: no block of 4 x 4 is bright
    assert check_bright(ground_of(glints), SquaredLight()).value == 0.0


@pytest.mark.parametrize("shape", [(1, 1), (3, 40), (4, 4), (5, 17), (37, 50)])
def test_blocks_of_ground_of_any_size(shape: tuple[int, int]) -> None:
    blocks = ground_blocks(ground_of(np.full(shape, 51)))
    whole = [max(0, (side - 4) // 16 + 1) for side in shape]
    assert blocks.shape == (whole[0] * whole[1], 3)
    assert np.allclose(blocks, 0.2)


def test_no_measured_ground_is_not_too_bright() -> None:
    nothing = ground_of(np.full((64, 64), 255), np.ones((64, 64), bool))
    assert check_bright(nothing, SquaredLight()).passed


def leaf_seen(lightness: float, green: float) -> Check:
    luminance = ((lightness + 16) / 116) ** 3  # CIE 1976, above L* 8
    shares = np.zeros((10, 10, 5), np.float32)
    shares[..., 0], shares[..., 2] = green, 1 - green
    leaf = np.full(3, luminance)
    seen = SimpleNamespace(
        shares=shares, weight=np.ones((10, 10), np.float32), leaf_linear=leaf, leaf_seen_linear=leaf
    )
    return check_leaf_light(seen)


# L* of the leafiest ground of real photographs in right light: 52 in closed pale turf, 53 to 56
# and 59 to 62 where less than a fifth is seen as leaf (dry turf; yellow leaves on mud).
@pytest.mark.parametrize(("lightness", "green"), [(52, 0.95), (56, 0.15), (62, 0.11)])
def test_pale_leaf_is_not_called_shaded(lightness: float, green: float) -> None:
    assert leaf_seen(lightness, green).passed


@pytest.mark.parametrize(
    ("lightness", "green"), [(60, 0.9), (80, 0.3), (69, 0.15), (12, 0.9), (12, 0.1)]
)
def test_leaf_too_light_or_dark_for_the_card_is_shaded(lightness: float, green: float) -> None:
    check = leaf_seen(lightness, green)
    assert (check.reason, check.passed) == ("shaded", False)
    assert check.value == pytest.approx(lightness, abs=0.1)
