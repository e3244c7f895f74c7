from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lawnscore.demo.camera import CAMERAS
from lawnscore.demo.cases import (
    BAD_KINDS,
    KINDS,
    odd_lawn,
    random_case,
    random_lawn,
    random_light,
)
from lawnscore.demo.materials import GREEN, STRAW, palette
from lawnscore.demo.scene import grow_lawn
from lawnscore.demo.spectra import to_linear_srgb


def test_cover_is_drawn_evenly() -> None:
    rng = np.random.default_rng(1)
    green = np.array([random_lawn(rng).green for _ in range(400)])
    counts = np.histogram(green, bins=5, range=(0, 1))[0]
    assert counts.min() > 50


@pytest.mark.parametrize("family", ["train", "report"])
def test_families_keep_to_themselves(family: str) -> None:
    rng = np.random.default_rng(2)
    for _ in range(8):
        case = random_case(rng, family=family)
        assert case.lawn.tint.family == family
        assert CAMERAS[case.camera.name].family == family


def test_light_covers_what_is_asked_for() -> None:
    rng = np.random.default_rng(3)
    lights = [random_light(rng, shade=n % 4 == 0) for n in range(300)]
    white = [light.sky_cct_k for light in lights if light.sun_share == 0]
    assert min(white) < 5600 and max(white) > 8400
    assert min(light.sun_elevation_deg for light in lights) < 20
    assert {"none", "edge", "dapple"} == {light.shade for light in lights}


@pytest.mark.parametrize("kind", [*KINDS, *BAD_KINDS])
def test_every_kind_can_be_drawn(kind: str) -> None:
    lawn, _light, _camera, view = random_case(np.random.default_rng(4), kind=kind)
    assert 800 < lawn.width_mm <= 2400
    assert view.tilt_deg < 35 or kind == "tilted"


def test_unknown_kind_is_said() -> None:
    with pytest.raises(ValueError, match="unknown kind 'fog'"):
        random_case(np.random.default_rng(0), kind="fog")


def test_odd_lawns_range_far_but_their_leaf_is_greener_than_their_straw() -> None:
    rng = np.random.default_rng(5)

    def green_to_red(rows: np.ndarray) -> float:
        rgb = to_linear_srgb(rows)
        return float(np.median(rgb[:, 1] / rgb[:, 0]))

    leaf, straw = [], []
    for _ in range(60):
        spectra = palette(odd_lawn(rng).tint, rng)
        leaf.append(green_to_red(spectra[GREEN.first : GREEN.first + GREEN.count]))
        straw.append(green_to_red(spectra[STRAW.first : STRAW.first + STRAW.count]))
    assert min(leaf) > 1.0
    assert (np.array(leaf) > np.array(straw)).all()
    assert max(leaf) / min(leaf) > 1.8  # from yellow-green to dark


@pytest.mark.parametrize(
    ("kind", "surface", "least"),
    [("carpet", "litter", 0.1), ("mossy", "green", 0.3), ("bare", "soil", 0.3)],
)
def test_odd_kinds_grow_what_their_name_says(kind: str, surface: str, least: float) -> None:
    rng = np.random.default_rng(6)
    shares = []
    for seed in range(4):
        lawn = replace(odd_lawn(rng, kind=kind), width_mm=300.0, height_mm=300.0)
        shares.append(grow_lawn(lawn, seed=seed).shares()[surface])
    assert np.mean(shares) > least
