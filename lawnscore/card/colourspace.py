"""Colour arithmetic of the card: sRGB, CIE XYZ, CIELAB, Bradford, CIEDE2000.

Linear sRGB is D65, 0 to 1 (IEC 61966-2-1); CIELAB is D65 unless the name says D50. All functions
take and return arrays ``(..., 3)``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

D65 = np.array([0.95047, 1.0, 1.08883])
"""White of sRGB, XYZ, 2 degree observer (CIE 15)."""
D50 = np.array([0.96422, 1.0, 0.82521])
"""White of the graphic arts and of ICC profiles (ISO 13655, ICC.1)."""

XYZ_FROM_LINEAR = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
"""Linear sRGB to XYZ, D65, from the primaries of IEC 61966-2-1."""
LINEAR_FROM_XYZ = np.linalg.inv(XYZ_FROM_LINEAR)

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Weights of linear red, green and blue in the luminance (IEC 61966-2-1)."""

# Bradford cone responses: Lam 1985; ICC.1, annex E.
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_LAB_EPSILON = (6.0 / 29.0) ** 3  # CIE 15: the cube root is used above this
_LAB_SLOPE = (29.0 / 6.0) ** 2 / 3.0


def decode_srgb(encoded: ArrayLike) -> Array:
    """Return linear light of sRGB-encoded values 0 to 1 (IEC 61966-2-1); odd below 0.

    Examples
    --------
    >>> round(float(decode_srgb(0.5)), 6)
    0.214041
    """
    v = np.asarray(encoded, dtype=np.float64)
    size = np.abs(v)
    linear = np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4)
    return np.copysign(linear, v)


def encode_srgb(linear: ArrayLike) -> Array:
    """Return sRGB-encoded values of linear light (IEC 61966-2-1); odd below 0.

    Examples
    --------
    >>> round(float(encode_srgb(0.18)), 6)
    0.461356
    """
    v = np.asarray(linear, dtype=np.float64)
    size = np.abs(v)
    encoded = np.where(size <= 0.0031308, 12.92 * size, 1.055 * size ** (1 / 2.4) - 0.055)
    return np.copysign(encoded, v)


def bradford(white_from: ArrayLike, white_to: ArrayLike) -> Array:
    """Return the ``(3, 3)`` matrix that adapts XYZ from one white to another."""
    gain = (_BRADFORD @ np.asarray(white_to)) / (_BRADFORD @ np.asarray(white_from))
    return np.asarray(np.linalg.inv(_BRADFORD) @ (gain[:, None] * _BRADFORD), dtype=np.float64)


def xyz_to_lab(xyz: ArrayLike, white: ArrayLike) -> Array:
    """Return CIELAB of XYZ under ``white`` (CIE 15)."""
    t = np.asarray(xyz, dtype=np.float64) / np.asarray(white)
    f = np.where(t > _LAB_EPSILON, np.cbrt(t), _LAB_SLOPE * t + 4.0 / 29.0)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_xyz(lab: ArrayLike, white: ArrayLike) -> Array:
    """Return XYZ under ``white`` of CIELAB (CIE 15)."""
    values = np.asarray(lab, dtype=np.float64)
    fy = (values[..., 0] + 16) / 116
    f = np.stack([fy + values[..., 1] / 500, fy, fy - values[..., 2] / 200], axis=-1)
    t = np.where(f > 6.0 / 29.0, f**3, (f - 4.0 / 29.0) / _LAB_SLOPE)
    return np.asarray(t * np.asarray(white), dtype=np.float64)


def linear_to_lab(linear: ArrayLike) -> Array:
    """Return CIELAB (D65) of linear sRGB."""
    return xyz_to_lab(np.asarray(linear, dtype=np.float64) @ XYZ_FROM_LINEAR.T, D65)


def lab_to_linear(lab: ArrayLike) -> Array:
    """Return linear sRGB of CIELAB (D65); outside 0 to 1 where sRGB does not reach."""
    return np.asarray(lab_to_xyz(lab, D65) @ LINEAR_FROM_XYZ.T, dtype=np.float64)


def xyz_to_linear(xyz: ArrayLike, white: ArrayLike = D50) -> Array:
    """Return linear sRGB of XYZ (Y = 1 for white), adapted from ``white`` to D65 by Bradford."""
    adapted = np.asarray(xyz, dtype=np.float64) @ bradford(white, D65).T
    return np.asarray(adapted @ LINEAR_FROM_XYZ.T, dtype=np.float64)


def lab_d50_to_linear(lab: ArrayLike) -> Array:
    """Return linear sRGB (D65) of CIELAB under D50, adapted by Bradford."""
    return xyz_to_linear(lab_to_xyz(lab, D50), D50)


def linear_to_lab_d50(linear: ArrayLike) -> Array:
    """Return CIELAB under D50 of linear sRGB (D65), adapted by Bradford."""
    xyz = np.asarray(linear, dtype=np.float64) @ XYZ_FROM_LINEAR.T
    return xyz_to_lab(xyz @ bradford(D65, D50).T, D50)


def ciede2000(lab_1: ArrayLike, lab_2: ArrayLike) -> Array:
    """Return the CIEDE2000 difference of two CIELAB colours, unit weights, ``(...)``.

    Sharma, Wu & Dalal 2005, Color Res. Appl. 30:21-30. Our own because importing scikit-image for
    it alone costs more time than a whole photo; the tests hold it to scikit-image and to the
    paper's 34 pairs.
    """
    first, second = np.asarray(lab_1, dtype=np.float64), np.asarray(lab_2, dtype=np.float64)
    l1, l2 = first[..., 0], second[..., 0]
    chroma_mean = (
        np.hypot(first[..., 1], first[..., 2]) + np.hypot(second[..., 1], second[..., 2])
    ) / 2
    stretch = 1.5 - 0.5 * np.sqrt(chroma_mean**7 / (chroma_mean**7 + 25.0**7))
    a1, a2 = first[..., 1] * stretch, second[..., 1] * stretch
    c1, c2 = np.hypot(a1, first[..., 2]), np.hypot(a2, second[..., 2])
    h1 = np.degrees(np.arctan2(first[..., 2], a1)) % 360
    h2 = np.degrees(np.arctan2(second[..., 2], a2)) % 360

    grey = c1 * c2 == 0
    turn = h2 - h1
    turn = np.where(np.abs(turn) <= 180, turn, turn - np.copysign(360.0, turn))
    turn = np.where(grey, 0.0, turn)
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    hue_mean = np.where(grey, h1 + h2, (h1 + turn / 2) % 360)
    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2
    weight = (
        1
        - 0.17 * np.cos(np.radians(hue_mean - 30))
        + 0.24 * np.cos(np.radians(2 * hue_mean))
        + 0.32 * np.cos(np.radians(3 * hue_mean + 6))
        - 0.20 * np.cos(np.radians(4 * hue_mean - 63))
    )
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    s_c = 1 + 0.045 * c_mean
    s_h = 1 + 0.015 * c_mean * weight
    spread = 30 * np.exp(-(((hue_mean - 275) / 25) ** 2))
    rotation = -2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7)) * np.sin(np.radians(2 * spread))
    d_l, d_c, d_h = (l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h
    square = d_l**2 + d_c**2 + d_h**2 + rotation * d_c * d_h
    return np.asarray(np.sqrt(np.maximum(square, 0.0)), dtype=np.float64)
