from __future__ import annotations

import warnings

import numpy as np
import pytest

from lawnscore.demo import spectra


@pytest.fixture(scope="module")
def colour():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


@pytest.mark.parametrize("cct", [4000.0, 5003.0, 6504.0, 7500.0, 12000.0, 25000.0])
def test_daylight_is_the_cie_d_series(colour, cct: float) -> None:
    # Reference library: colour-science, CIE 015 D series from the chromaticity of the CCT.
    xy = colour.temperature.CCT_to_xy_CIE_D(cct)
    theirs = colour.sd_CIE_illuminant_D_series(xy, M1_M2_rounding=False)[spectra.WAVELENGTHS_NM]
    ours = spectra.daylight(cct)
    assert np.allclose(ours / ours[16], theirs / theirs[16], rtol=2e-3)


def test_observer_is_cie_1931(colour) -> None:
    theirs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"][spectra.WAVELENGTHS_NM]
    assert np.allclose(spectra.observer(), theirs, atol=1e-6)


def test_white_is_one_and_half_grey_is_half() -> None:
    assert np.allclose(spectra.to_linear_srgb(np.ones(31)), 1.0)
    assert np.allclose(spectra.to_linear_srgb(np.full(31, 0.5)), 0.5)


def test_colour_of_a_spectrum_agrees_with_the_reference_library(colour) -> None:
    leaf = spectra.leaf(2.5)
    sd = colour.SpectralDistribution(leaf, spectra.WAVELENGTHS_NM)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        xyz = colour.sd_to_XYZ(sd, illuminant=colour.SDS_ILLUMINANTS["D65"]) / 100
    theirs = colour.XYZ_to_RGB(xyz, "sRGB", apply_cctf_encoding=False)
    # The library goes on beyond 700 nm, where our tables end and little is seen.
    assert np.allclose(spectra.to_linear_srgb(leaf), theirs, atol=0.006)


@pytest.mark.parametrize("cct", [3999.0, 25001.0])
def test_daylight_says_where_it_ends(cct: float) -> None:
    with pytest.raises(ValueError, match="4000 to 25000 K"):
        spectra.daylight(cct)


def test_light_has_luminance_one() -> None:
    for light in (spectra.daylight(6504), spectra.low_sun(3000), spectra.leaf_transmittance()):
        assert light @ spectra.observer()[:, 1] == pytest.approx(1.0)


def test_low_sun_is_redder_than_noon() -> None:
    low, noon = spectra.low_sun(3000), spectra.low_sun(5500)
    assert low[28] / low[5] > 2 * noon[28] / noon[5]


def test_leaf_has_the_shape_of_a_leaf() -> None:
    leaf = spectra.leaf(2.5)
    nm = {int(w): float(r) for w, r in zip(spectra.WAVELENGTHS_NM, leaf, strict=True)}
    assert nm[550] > 2 * nm[670]  # green hump over the red well of chlorophyll
    assert nm[550] > 3 * nm[450]
    assert nm[700] > 1.8 * nm[670]  # foot of the red edge
    assert 0.02 < nm[450] < 0.06


def test_more_chlorophyll_is_darker_and_none_is_not_green() -> None:
    dark, pale, none = (spectra.to_linear_srgb(spectra.leaf(c)) for c in (4.0, 1.0, 0.0))
    assert np.all(dark < pale)
    assert pale[1] > pale[0]
    assert none[0] >= 0.95 * none[1]


def test_wet_soil_is_darker() -> None:
    dry = spectra.soil(1.0, goethite=1.0, haematite=0.2)
    wet = spectra.soil(1.0, goethite=1.0, haematite=0.2, wet=1.0)
    assert np.all(wet < 0.75 * dry)


def test_thick_layer_ends() -> None:
    # Kubelka & Munk: no absorption reflects all; K/S = 0.5 gives 1.5 - sqrt(1.25).
    assert spectra.thick_layer(0.0) == 1.0
    assert spectra.thick_layer(0.5) == pytest.approx(1.5 - np.sqrt(1.25))
