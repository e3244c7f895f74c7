from __future__ import annotations

import warnings

import numpy as np
import pytest

from lawnscore.card.chart24 import CHART24_EDITIONS, CHART24_NAMES, chart24_linear, chart24_srgb
from lawnscore.card.colourspace import encode_srgb

_THEIRS = {
    "chart24": "ColorChecker24 - After November 2014",
    "chart24-1976": "ColorChecker24 - Before November 2014",
}


@pytest.mark.parametrize("edition", sorted(_THEIRS))
def test_values_are_those_of_colour_science(edition: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        chart = colour.CCS_COLOURCHECKERS[_THEIRS[edition]]
        xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
        lab = colour.XYZ_to_Lab(xyz, chart.illuminant)
        srgb = colour.XYZ_to_sRGB(xyz, chart.illuminant, chromatic_adaptation_transform="Bradford")
    np.testing.assert_allclose(CHART24_EDITIONS[edition], lab, atol=0.0051)
    # Their sRGB matrix has four digits, ours seven. Cyan (18) has a red below zero, which they
    # encode by a straight line and we by the mirrored curve.
    ours = encode_srgb(chart24_linear(edition))
    assert np.argwhere(srgb < 0).tolist() == [[17, 0]]
    np.testing.assert_allclose(ours[srgb > 0], srgb[srgb > 0], atol=0.004)
    assert ours[17, 0] < 0


def test_editions_differ() -> None:
    assert np.abs(chart24_linear("chart24") - chart24_linear("chart24-1976")).max() > 0.01


def test_neutral_5_is_middle_grey() -> None:
    srgb = dict(chart24_srgb("chart24"))["neutral-5"]
    # colour-science 0.4.7: 0.4732 0.4741 0.4729
    assert srgb == (121, 121, 121)


def test_names_are_distinct() -> None:
    assert len(set(CHART24_NAMES)) == 24
