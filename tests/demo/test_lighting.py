from __future__ import annotations

import numpy as np
import pytest

from lawnscore.demo import lighting, spectra
from lawnscore.demo.camera import CAMERAS, Camera, Light
from lawnscore.demo.sward import code_of, normals_of_codes

FLAT = int(code_of(np.array(0.0), np.array(6.0)))


def flat_scene(shape: tuple[int, int] = (80, 80)) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return np.zeros(shape, np.uint8), np.zeros(shape, np.uint8), np.full(shape, FLAT, np.uint8)


def lit(light: Light, planes, reflectance=0.5, camera: Camera | None = None) -> np.ndarray:
    palette = np.full((256, 31), reflectance)
    to_rgb = (camera or CAMERAS["train-a"]).to_linear(light)
    fall = lighting.fall_of_light(*planes, light, mm_per_px=0.5)
    return lighting.radiance(fall, palette, light, to_rgb)


def test_level_grey_in_the_open_is_its_reflectance() -> None:
    assert lit(Light(), flat_scene()) == pytest.approx(0.5, abs=1e-5)
    # The flattest code leans by 6 degrees, so full sun is near but not on the spot.
    sunny = Light(sun_share=0.8, sun_elevation_deg=60.0)
    assert lit(sunny, flat_scene()) == pytest.approx(0.5, abs=0.03)


def test_a_block_throws_a_shadow_away_from_the_sun() -> None:
    number, height, code = flat_scene()
    height[30:50, 30:50] = 40  # 10 mm high
    light = Light(sun_share=0.8, sun_elevation_deg=45.0, sun_azimuth_deg=180.0)  # from -x
    image = lit(light, (number, height, code))[..., 1]
    assert image[40, 56] < 0.5 * image[40, 75]  # 3 mm behind the block
    assert image[40, 25] > 0.9 * image[40, 75]  # 2.5 mm before it
    assert image[40, 75] == pytest.approx(image[5, 75], rel=0.02)  # 12 mm behind: out again


def test_gaps_are_darker_than_tips() -> None:
    number, height, code = flat_scene()
    height[:] = 80
    height[38:42, 38:42] = 0
    image = lit(Light(), (number, height, code))[..., 1]
    assert image[40, 40] < 0.3 * image[10, 10]


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_shade_covers_the_share_asked_for(share: float) -> None:
    dapple = Light(shade="dapple", shade_share=share, sun_share=0.7, shade_soft_mm=4, shade_seed=3)
    seen = lighting.sun_visibility(dapple, (2000, 2500), mm_per_px=4.0)
    assert 1.0 - seen.mean() == pytest.approx(share, abs=0.05)
    edge = Light(shade="edge", shade_share=share, sun_share=0.7, shade_angle_deg=0.0)
    seen = lighting.sun_visibility(edge, (1600, 1900), mm_per_px=1.0, origin_mm=(50.0, 0.0))
    assert 1.0 - seen.mean() == pytest.approx(share, abs=0.03)


@pytest.mark.parametrize("shade", ["edge", "dapple"])
def test_shade_stays_where_it_is(shade: str) -> None:
    light = Light(shade=shade, shade_share=0.4, sun_share=0.7, shade_angle_deg=20, shade_seed=2)
    one = lighting.sun_visibility(light, (400, 400), mm_per_px=1.0, origin_mm=(800.0, 600.0))
    two = lighting.sun_visibility(light, (200, 200), mm_per_px=1.0, origin_mm=(900.0, 700.0))
    assert np.allclose(one[110:290, 110:290], two[10:190, 10:190], atol=0.02)


def test_white_light_shows_colours_as_under_d65() -> None:
    light = Light(sun_share=0.0, sky_cct_k=9000.0).as_d65()
    number, height, code = flat_scene((8, 8))
    palette = np.tile(spectra.leaf(2.0), (256, 1))
    fall = lighting.fall_of_light(number, height, code, light, mm_per_px=0.5)
    image = lighting.radiance(fall, palette, light, spectra.d65_matrix())
    assert image[4, 4] == pytest.approx(spectra.to_linear_srgb(spectra.leaf(2.0)), abs=1e-5)


@pytest.mark.parametrize("share", [0.0, 0.7])
def test_the_mean_counted_is_the_mean_over_pixels(share: float) -> None:
    rng = np.random.default_rng(2)
    number, height = (rng.integers(0, high, (60, 70), np.uint8) for high in (208, 120))
    code = rng.integers(0, 64, (60, 70), np.uint8)
    palette = rng.uniform(0.05, 0.6, (256, 31))
    light = Light(sun_share=share, sun_elevation_deg=40.0)
    to_rgb = CAMERAS["train-a"].to_linear(light)
    fall = lighting.fall_of_light(number, height, code, light, mm_per_px=0.5)
    every = lighting.radiance(fall, palette, light, to_rgb)
    pick = rng.random((30, 35)) < 0.3
    counted = lighting.mean_radiance(fall.at(pick, every=2), palette, light, to_rgb)
    assert counted == pytest.approx(every[::2, ::2][pick].mean(axis=0), rel=1e-4)


def test_codes_hold_their_direction() -> None:
    azimuth, tilt = np.deg2rad(np.array([0.0, 90.0, 225.0])), np.array([26.0, 46.0, 66.0])
    normals = normals_of_codes()[code_of(azimuth, tilt)]
    assert np.allclose(np.rad2deg(np.arccos(normals[:, 2])), tilt)
    assert np.allclose(np.arctan2(normals[:, 1], normals[:, 0]) % (2 * np.pi), azimuth)


def test_the_sun_stays_out_of_a_large_shade() -> None:
    """On level grey the shaded side keeps the sky's light alone, a fifth of all."""
    open_ground = Light(sun_share=0.8)
    edge = Light(sun_share=0.8, shade="edge", shade_share=0.5, shade_soft_mm=2.0,
                 shade_angle_deg=0.0, shade_at_mm=(20.0, 20.0))  # fmt: skip
    whole, parted = (lit(light, flat_scene()).mean(axis=2) for light in (open_ground, edge))
    assert parted[:, -8:] == pytest.approx(whole[:, -8:])
    assert (parted[:, :8] < 0.4 * whole[:, :8]).all()
