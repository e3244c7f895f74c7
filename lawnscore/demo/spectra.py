"""Spectra from 400 to 700 nm in steps of 10 nm: daylight, observer, pigments, materials.

How each is modelled:

* daylight: the CIE D series, CIE 015:2018 (components S0, S1, S2 and chromaticity polynomial);
* observer: CIE 1931 2 degree colour-matching functions (CIE 015:2018);
* leaf, straw, moss, fallen leaves: an optically thick scattering layer (Kubelka & Munk 1931)
  with absorption by chlorophylls, carotenoids, anthocyanin and brown pigment as sums of
  Gaussian bands or exponentials, plus a constant surface reflection. Band places are those of
  leaf pigments in vivo (from memory); strengths were set by eye so that leaf reflectance is
  near 4 % at 450 nm, 12 % at 550 nm and 5 % at 670 nm;
* soil: the same layer with humus (exponential), goethite and haematite (smooth edges near 480
  and 560 nm); water raises absorption and lowers scattering at the surface.

All reflectances are diffuse factors of 0 to 1. Nothing here is measured on a real lawn.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WAVELENGTHS_NM: Floats = np.arange(400.0, 701.0, 10.0)
N_WAVELENGTHS = 31

# CIE 015:2018, components of daylight, 400 to 700 nm every 10 nm.
_S0 = (
    94.8, 104.8, 105.9, 96.8, 113.9, 125.6, 125.5, 121.3, 121.3, 113.5, 113.1, 110.8, 106.5,
    108.8, 105.3, 104.4, 100.0, 96.0, 95.1, 89.1, 90.5, 90.3, 88.4, 84.0, 85.1, 81.9, 82.6,
    84.9, 81.3, 71.9, 74.3,
)  # fmt: skip
_S1 = (
    43.4, 46.3, 43.9, 37.1, 36.7, 35.9, 32.6, 27.9, 24.3, 20.1, 16.2, 13.2, 8.6, 6.1, 4.2, 1.9,
    0.0, -1.6, -3.5, -3.5, -5.8, -7.2, -8.6, -9.5, -10.9, -10.7, -12.0, -14.0, -13.6, -12.0,
    -13.3,
)  # fmt: skip
_S2 = (
    -1.1, -0.5, -0.7, -1.2, -2.6, -2.9, -2.8, -2.6, -2.6, -1.8, -1.5, -1.3, -1.2, -1.0, -0.5,
    -0.3, 0.0, 0.2, 0.5, 2.1, 3.2, 4.1, 4.7, 5.1, 6.7, 7.3, 8.6, 9.8, 10.2, 8.3, 9.6,
)  # fmt: skip

# CIE 1931 2 degree colour-matching functions, 400 to 700 nm every 10 nm.
_X_BAR = (
    0.01431, 0.04351, 0.13438, 0.2839, 0.34828, 0.3362, 0.2908, 0.19536, 0.09564, 0.03201,
    0.0049, 0.0093, 0.06327, 0.1655, 0.2904, 0.43345, 0.5945, 0.7621, 0.9163, 1.0263, 1.0622,
    1.0026, 0.85445, 0.6424, 0.4479, 0.2835, 0.1649, 0.0874, 0.04677, 0.0227, 0.011359,
)  # fmt: skip
_Y_BAR = (
    0.000396, 0.00121, 0.004, 0.0116, 0.023, 0.038, 0.06, 0.09098, 0.13902, 0.20802, 0.323,
    0.503, 0.71, 0.862, 0.954, 0.99495, 0.995, 0.952, 0.87, 0.757, 0.631, 0.503, 0.381, 0.265,
    0.175, 0.107, 0.061, 0.032, 0.017, 0.00821, 0.004102,
)  # fmt: skip
_Z_BAR = (
    0.06785, 0.2074, 0.6456, 1.3856, 1.74706, 1.77211, 1.6692, 1.28764, 0.81295, 0.46518, 0.272,
    0.1582, 0.07825, 0.04216, 0.0203, 0.00875, 0.0039, 0.0021, 0.00165, 0.0011, 0.0008, 0.00034,
    0.00019, 0.00005, 0.00002, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
)  # fmt: skip

# IEC 61966-2-1: CIE XYZ (Y of white = 1, D65) to linear sRGB.
XYZ_TO_LINEAR_SRGB: Floats = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


def observer() -> Floats:
    """Return the CIE 1931 2 degree colour-matching functions, (31, 3)."""
    return np.column_stack([_X_BAR, _Y_BAR, _Z_BAR])


def daylight(cct_k: float) -> Floats:
    """Return a CIE D-series spectrum, (31,), with luminance (Y) 1.

    Parameters
    ----------
    cct_k
        Correlated colour temperature, 4000 to 25000 K; values outside are an error. Below
        4000 K use :func:`low_sun`.

    Raises
    ------
    ValueError
        Outside the range of the CIE formula.
    """
    if not 4000.0 <= cct_k <= 25000.0:
        raise ValueError(f"daylight is defined from 4000 to 25000 K, not at {cct_k:g} K")
    t = 1000.0 / cct_k
    if cct_k <= 7000.0:
        x = -4.6070 * t**3 + 2.9678 * t**2 + 0.09911 * t + 0.244063
    else:
        x = -2.0064 * t**3 + 1.9018 * t**2 + 0.24748 * t + 0.237040
    y = -3.0 * x**2 + 2.87 * x - 0.275
    m = 0.0241 + 0.2562 * x - 0.7341 * y
    m1 = (-1.3515 - 1.7703 * x + 5.9114 * y) / m
    m2 = (0.0300 - 31.4424 * x + 30.0717 * y) / m
    power = np.asarray(_S0) + m1 * np.asarray(_S1) + m2 * np.asarray(_S2)
    return normalise(power)


def low_sun(cct_k: float) -> Floats:
    """Return direct sunlight of 2500 to 6500 K, (31,): D55 times a ratio of Planckian radiators.

    Keeps the sun's absorption bands while the slope follows the colour temperature.
    """
    base = daylight(5500.0)
    return normalise(base * planck(cct_k) / planck(5500.0))


def planck(cct_k: float) -> Floats:
    """Return relative spectral power of a Planckian radiator, (31,)."""
    c2 = 1.438777e7  # nm K, CODATA 2018
    ratio: Floats = WAVELENGTHS_NM**-5.0 / np.expm1(c2 / (WAVELENGTHS_NM * cct_k))
    return np.asarray(ratio / ratio[16])


def normalise(power: ArrayLike) -> Floats:
    """Scale a spectrum so that its luminance is 1."""
    spectrum = np.asarray(power, dtype=np.float64)
    scaled: Floats = spectrum / float(spectrum @ np.asarray(_Y_BAR))
    return scaled


@cache
def _d65_weights() -> Floats:
    weights = observer() * daylight(6504.0)[:, None]
    xyz_white = weights.sum(axis=0)
    to_rgb = weights @ XYZ_TO_LINEAR_SRGB.T
    # The 10 nm sum ends at 700 nm: scale so that a perfect white is (1, 1, 1).
    return np.asarray(to_rgb / (XYZ_TO_LINEAR_SRGB @ xyz_white))


def to_linear_srgb(reflectance: ArrayLike) -> Floats:
    """Return linear sRGB under D65 of reflectances (..., 31), a perfect white being (1, 1, 1)."""
    rgb: Floats = np.asarray(reflectance, dtype=np.float64) @ _d65_weights()
    return rgb


def d65_matrix() -> Floats:
    """Return the matrix (31, 3) from radiance under D65 (luminance 1) to linear sRGB."""
    return np.asarray(_d65_weights() / daylight(6504.0)[:, None])


def _band(centre_nm: float, width_nm: float) -> Floats:
    band: Floats = np.exp(-0.5 * ((WAVELENGTHS_NM - centre_nm) / width_nm) ** 2)
    return band


def _edge(centre_nm: float, width_nm: float) -> Floats:
    edge: Floats = 1.0 / (1.0 + np.exp((WAVELENGTHS_NM - centre_nm) / width_nm))
    return edge


def chlorophyll() -> Floats:
    """Return relative absorption of chlorophylls in a leaf, (31,), about 1 at 675 nm."""
    blue = 1.10 * _band(436, 22) + 0.75 * _band(472, 20)
    red = 0.95 * _band(676, 13) + 0.55 * _band(650, 16) + 0.38 * _band(620, 22)
    flattened = 0.10 * _edge(690, 8) + 0.08 * _band(590, 22)
    return np.asarray(blue + red + flattened)


def carotenoid() -> Floats:
    """Return relative absorption of carotenoids, (31,), about 1 at 450 nm."""
    return np.asarray(0.7 * _band(425, 18) + 0.9 * _band(452, 16) + 0.8 * _band(484, 15))


def anthocyanin() -> Floats:
    """Return relative absorption of anthocyanin in a leaf, (31,), about 1 at 545 nm."""
    return np.asarray(_band(545, 38) + 0.3 * _band(430, 40))


def brown(decay_nm: float = 95.0) -> Floats:
    """Return relative absorption of brown pigment or humus, (31,), 1 at 400 nm."""
    return np.asarray(np.exp(-(WAVELENGTHS_NM - 400.0) / decay_nm))


def thick_layer(absorption: ArrayLike, *, scatter: float = 1.0) -> Floats:
    """Return the reflectance of a thick scattering layer (Kubelka & Munk 1931)."""
    ratio = np.asarray(absorption, dtype=np.float64) / scatter
    reflectance: Floats = 1.0 + ratio - np.sqrt(ratio**2 + 2.0 * ratio)
    return reflectance


def leaf(
    chl: float,
    *,
    car: float = 0.25,
    browning: float = 0.0,
    antho: float = 0.0,
    surface: float = 0.014,
) -> Floats:
    """Return leaf reflectance, (31,); half of the light that is not absorbed passes through.

    Parameters
    ----------
    chl
        Chlorophyll strength: 0 none, 0.5 yellowing, 1.5 pale turf, 4 dark turf.
    car
        Carotenoid strength as a share of a healthy leaf's.
    browning, antho
        Strength of brown pigment and of anthocyanin.
    surface
        Constant reflection of the cuticle.
    """
    k = 0.06 + chl * chlorophyll() + 3.0 * car * carotenoid()
    k = k + 3.0 * browning * brown(140.0) + antho * anthocyanin()
    inner = thick_layer(k, scatter=0.5)
    return np.asarray(surface + 0.44 * inner)


def wax(strength: float) -> Floats:
    """Return what a waxy cuticle adds to a leaf's reflectance, (31,): a pale, bluish sheen.

    ``strength`` 0 none, 1 as bluish as winter wheat, whose blue is half its green.
    """
    return np.asarray(strength * (0.06 + 0.05 * (700.0 - WAVELENGTHS_NM) / 300.0))


def strange(strength: float, rng: np.random.Generator) -> Floats:
    """Return a smooth random factor, (31,), of relative spread ``strength``.

    For materials that no table foresees: a few slow waves over the spectrum.
    """
    place = (WAVELENGTHS_NM - 400.0) / 300.0
    wave = sum(
        rng.normal() * np.cos(np.pi * k * place + rng.uniform(0, 2 * np.pi)) for k in (0.5, 1, 2, 3)
    )
    return np.asarray(np.exp(strength * wave / 1.4))


def straw(pigment: float = 1.0, *, weathering: float = 0.0, wet: float = 0.0) -> Floats:
    """Return reflectance of dead leaf: cellulose with brown pigment, greyed by weathering."""
    k = 0.04 + pigment * (4.0 * brown(64.0) + 0.03) + 0.25 * weathering
    k = k * (1.0 + 1.3 * wet)
    return np.asarray(0.02 + 0.74 * thick_layer(k))


def soil(
    humus: float, *, goethite: float, haematite: float, base: float = 0.25, wet: float = 0.0
) -> Floats:
    """Return soil reflectance, (31,).

    Parameters
    ----------
    humus, goethite, haematite, base
        Absorption strengths; ``base`` is even over the spectrum.
    wet
        0 dry to 1 wet: absorption grows by 1.8 (1.0 + 1.8 wet), as light travels further
        in wet grains.
    """
    k = base + humus * (0.5 + 1.6 * brown(130.0))
    k = k + goethite * _edge(495.0, 22.0) + haematite * _edge(572.0, 20.0)
    return np.asarray(0.015 + 0.9 * thick_layer(k * (1.0 + 1.8 * wet)))


def stone(grey: float, *, warmth: float = 0.1) -> Floats:
    """Return stone reflectance, (31,): grey with a gentle rise to red."""
    return np.asarray(grey * (1.0 + warmth * (WAVELENGTHS_NM - 550.0) / 150.0))


def leaf_transmittance() -> Floats:
    """Return relative light passed by a green canopy, (31,), luminance 1: it tints deep shade."""
    return normalise(thick_layer(0.05 + 1.2 * chlorophyll(), scatter=1.2))
