from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lawnscore.demo import develop, spectra
from lawnscore.demo.camera import CAMERAS, Light

PLAIN = replace(CAMERAS["train-a"], tone=0.0, local_tone=0.0, vignetting=0.0, noise=0.0,
                sharpen=0.0, blur_px=0.0)  # fmt: skip


def test_two_families_without_a_common_camera() -> None:
    families = {f: [c for c in CAMERAS.values() if c.family == f] for f in ("train", "report")}
    assert len(CAMERAS) >= 6
    assert all(len(cameras) >= 3 for cameras in families.values())
    for one in families["train"]:
        for two in families["report"]:
            assert np.abs(one.bands.response() - two.bands.response()).max() > 0.005


@pytest.mark.parametrize("name", sorted(CAMERAS))
def test_right_white_balance_makes_white_white(name: str) -> None:
    for light in (Light(sky_cct_k=4200.0), Light(sun_share=0.8, sun_cct_k=3000.0)):
        white = light.total_spectrum() @ CAMERAS[name].to_linear(light)
        assert white == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("name", sorted(CAMERAS))
def test_colours_are_roughly_right_but_not_exact(name: str) -> None:
    camera, light = replace(CAMERAS[name], saturation=1.0), Light(sky_cct_k=5500.0)
    leaf = spectra.leaf(2.0)
    seen = (leaf * light.total_spectrum()) @ camera.to_linear(light)
    assert seen == pytest.approx(spectra.to_linear_srgb(leaf), abs=0.05)
    assert np.abs(seen - spectra.to_linear_srgb(leaf)).max() > 1e-4


def test_plain_tone_is_the_srgb_transfer_function() -> None:
    # IEC 61966-2-1: 0.18 encodes to 0.461356.
    table = develop.tone_table(PLAIN).astype(float) / 255
    step = round(np.sqrt(0.18) / 1.25 * (len(table) - 1))
    assert table[step] == pytest.approx(0.461356, abs=0.004)


@pytest.mark.parametrize("tone", [0.0, 0.4, 1.0])
def test_tone_curves_rise(tone: float) -> None:
    table = develop.tone_table(replace(PLAIN, tone=tone)).astype(int)
    assert np.all(np.diff(table) >= 0)
    assert table[0] == 0 and table[-1] >= 250


def test_noise_is_as_strong_as_said() -> None:
    grey = np.full((400, 400, 3), 0.18, np.float32)
    rgb = develop.develop(grey, replace(PLAIN, noise=0.02), seed=1, gain=1.0) / 255.0
    linear = ((rgb + 0.055) / 1.055) ** 2.4
    assert linear.std() == pytest.approx(0.02, rel=0.15)


def test_strong_curve_shadows_fall() -> None:
    grey = np.full((40, 40, 3), 0.05, np.float32)
    plain = develop.develop(grey.copy(), PLAIN, seed=1, gain=1.0).mean()
    assert develop.develop(grey, replace(PLAIN, tone=1.0), seed=1, gain=1.0).mean() < plain - 8


def test_jpeg_is_written_as_the_camera_would(tmp_path: Path) -> None:
    rgb = np.random.default_rng(0).integers(0, 255, (64, 64, 3), dtype=np.uint8)
    exif = {"make": "Rendered", "model": "x", "taken": "2025:09:09 10:00:00", "offset": "+01:00",
            "focal_35mm": 26}  # fmt: skip
    for chroma, layers in (("4:2:0", 2), ("4:4:4", 1)):
        path = tmp_path / f"{layers}.jpg"
        develop.save_jpeg(rgb, path, replace(PLAIN, chroma=chroma), exif)
        with Image.open(path) as image:
            assert image.layer[0][1] == layers  # horizontal sampling of luma
            assert image.getexif().get_ifd(0x8769)[0xA405] == 26
            assert image.getexif().get_ifd(0x8769)[0x9011] == "+01:00"
