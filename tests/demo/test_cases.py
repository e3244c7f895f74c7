from __future__ import annotations

import numpy as np
import pytest

from lawnscore.demo.camera import CAMERAS
from lawnscore.demo.cases import BAD_KINDS, KINDS, random_case, random_lawn, random_light


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
