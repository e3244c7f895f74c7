from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.card import colourspace as cs

# Sharma, Wu & Dalal 2005, Color Res. Appl. 30:21-30, Table 1.
CIEDE2000_PAIRS = (
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, 2.8361, -74.02), (50.0, 0.0, -82.7485), 3.4412),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, -1.1848, -84.8006), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, -0.9009, -85.5211), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, -1.0, 2.0), (50.0, 0.0, 0.0), 2.3669),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.001), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0012), 7.2195),
    ((50.0, -0.001, 2.49), (50.0, 0.0009, -2.49), 4.8045),
    ((50.0, -0.001, 2.49), (50.0, 0.001, -2.49), 4.8045),
    ((50.0, -0.001, 2.49), (50.0, 0.0011, -2.49), 4.7461),
    ((50.0, 2.5, 0.0), (50.0, 0.0, -2.5), 4.3065),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
    ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.903),
    ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
    ((50.0, 2.5, 0.0), (50.0, 3.1736, 0.5854), 1.0),
    ((50.0, 2.5, 0.0), (50.0, 3.2972, 0.0), 1.0),
    ((50.0, 2.5, 0.0), (50.0, 1.8634, 0.5757), 1.0),
    ((50.0, 2.5, 0.0), (50.0, 3.2592, 0.335), 1.0),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), 1.263),
    ((61.2901, 3.7196, -5.3901), (61.4292, 2.248, -4.962), 1.8731),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), 1.8645),
    ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
    ((36.4612, 47.858, 18.3852), (36.2715, 50.5065, 21.2231), 1.4146),
    ((90.8027, -2.0831, 1.441), (91.1528, -1.6435, 0.0447), 1.4441),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
)


def test_ciede2000_gives_the_34_published_values() -> None:
    first, second, wanted = (np.array(v) for v in zip(*CIEDE2000_PAIRS, strict=True))
    assert len(wanted) == 34
    np.testing.assert_allclose(cs.ciede2000(first, second), wanted, atol=1e-4)


def test_ciede2000_agrees_with_scikit_image() -> None:
    from skimage.color import deltaE_ciede2000

    rng = np.random.default_rng(5)
    lab = rng.uniform((0, -100, -100), (100, 100, 100), (2, 4, 500, 3))
    np.testing.assert_allclose(
        cs.ciede2000(lab[0], lab[1]), deltaE_ciede2000(lab[0], lab[1]), rtol=1e-6, atol=1e-8
    )


# IEC 61966-2-1:1999.
@pytest.mark.parametrize(
    ("encoded", "linear"),
    [(0.0, 0.0), (0.04045, 0.003130807), (0.5, 0.21404114), (0.75, 0.522521554), (1.0, 1.0)],
)
def test_srgb_transfer_function(encoded: float, linear: float) -> None:
    assert cs.decode_srgb(encoded) == pytest.approx(linear, abs=1e-7)
    assert cs.encode_srgb(linear) == pytest.approx(encoded, abs=1e-6)


@given(st.floats(-2, 2))
def test_srgb_encoding_undoes_decoding(value: float) -> None:
    # The standard's two branches meet to within 1e-5 only.
    assert float(cs.encode_srgb(cs.decode_srgb(value))) == pytest.approx(value, abs=2e-5)


# Widely tabulated D65 CIELAB of sRGB; the tolerance covers matrices of 4 and 7 digits.
@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        ((255, 255, 255), (100.0, 0.0, 0.0)),
        ((255, 0, 0), (53.235, 80.108, 67.22)),
        ((0, 255, 0), (87.734, -86.183, 83.179)),
        ((0, 0, 255), (32.297, 79.181, -107.862)),
        ((70, 110, 50), (42.284, -26.080, 28.833)),
        ((128, 128, 128), (53.585, 0.005, 0.002)),
    ],
)
def test_lab_of_srgb(rgb: tuple[int, int, int], lab: tuple[float, float, float]) -> None:
    found = cs.linear_to_lab(cs.decode_srgb(np.array(rgb) / 255))
    np.testing.assert_allclose(found, lab, atol=0.06)


def test_lab_agrees_with_scikit_image() -> None:
    from skimage.color import rgb2lab

    rgb = np.random.default_rng(1).random((40, 3))
    np.testing.assert_allclose(cs.linear_to_lab(cs.decode_srgb(rgb)), rgb2lab(rgb), atol=0.02)


@pytest.mark.parametrize("there_and_back", ["d65", "d50"])
def test_lab_and_back(there_and_back: str) -> None:
    linear = np.random.default_rng(2).random((20, 3))
    if there_and_back == "d65":
        found = cs.lab_to_linear(cs.linear_to_lab(linear))
    else:
        found = cs.lab_d50_to_linear(cs.linear_to_lab_d50(linear))
    np.testing.assert_allclose(found, linear, atol=1e-9)


def test_bradford_has_the_published_matrix() -> None:
    # Lam 1985; D65 (0.95047, 1, 1.08883) to D50 (0.96422, 1, 0.82521).
    wanted = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    np.testing.assert_allclose(cs.bradford(cs.D65, cs.D50), wanted, atol=1e-5)


def test_bradford_takes_white_to_white() -> None:
    np.testing.assert_allclose(cs.bradford(cs.D65, cs.D50) @ cs.D65, cs.D50, atol=1e-9)
