"""Embedded colour profiles: any RGB profile to sRGB.

Profiles of three primaries and three curves (Display P3, Adobe RGB and nearly all others that
cameras write) go through two look-up tables and one matrix; the rest through Little CMS. The
layout of a profile is that of ICC.1 (ISO 15076-1).
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Doubles = NDArray[np.float64]

SRGB_TO_PCS = np.array(
    [
        [0.4360747, 0.3850649, 0.1430804],
        [0.2225045, 0.7168786, 0.0606169],
        [0.0139322, 0.0971045, 0.7141733],
    ]
)
"""Linear sRGB to XYZ relative to D50, Bradford-adapted, as in ICC's sRGB profiles."""

ADOBE_RGB_TO_PCS = np.array(
    [
        [0.6097559, 0.2052401, 0.1492240],
        [0.3111242, 0.6256560, 0.0632197],
        [0.0194811, 0.0608902, 0.7448387],
    ]
)
"""Linear Adobe RGB (1998) to XYZ relative to D50, Bradford-adapted."""

P3_TO_PCS = np.array(
    [
        [0.5151024, 0.2919653, 0.1571523],
        [0.2411824, 0.6922494, 0.0665682],
        [-0.0010491, 0.0418818, 0.7843780],
    ]
)
"""Linear Display P3 (P3 primaries, D65) to XYZ relative to D50, Bradford-adapted."""

ADOBE_RGB_GAMMA = 563 / 256
"""Exponent of Adobe RGB (1998), section 4.3.4.2."""

_CODES = np.arange(256) / 255
_LINEAR_ONE = 16383
"""Value of linear 1.0 in the 16-bit arithmetic: 0.2 sRGB codes a step in the shadows."""

_STRIP_ROWS = 64
"""Rows worked on at a time, so that no 16-bit copy of the whole picture is held."""

_SAME_CODES = 0.75
"""A profile within this many 8-bit codes of sRGB is taken for sRGB."""


class ProfileError(Exception):
    """A colour profile that cannot be used."""


@dataclass(frozen=True, eq=False)
class RgbProfile:
    """A profile of primaries and curves.

    Parameters
    ----------
    to_pcs
        (3, 3) linear RGB to XYZ relative to D50.
    curves
        (256, 3) linear value of each 8-bit code, by channel.
    """

    to_pcs: Doubles
    curves: Doubles


def srgb_decode(code: Doubles) -> Doubles:
    """Return linear values of sRGB-encoded ones, 0 to 1 (IEC 61966-2-1)."""
    return np.where(code <= 0.04045, code / 12.92, ((np.maximum(code, 0) + 0.055) / 1.055) ** 2.4)


def srgb_encode(linear: Doubles) -> Doubles:
    """Return sRGB-encoded values of linear ones, 0 to 1 (IEC 61966-2-1)."""
    high = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, linear * 12.92, high)


def adobe_rgb() -> RgbProfile:
    """Return Adobe RGB (1998), for files that only name it."""
    return RgbProfile(ADOBE_RGB_TO_PCS, np.repeat((_CODES**ADOBE_RGB_GAMMA)[:, None], 3, axis=1))


def display_p3() -> RgbProfile:
    """Return Display P3, for files that only name its primaries."""
    return RgbProfile(P3_TO_PCS, np.repeat(srgb_decode(_CODES)[:, None], 3, axis=1))


def to_srgb(rgb: Bytes, profile: bytes | RgbProfile) -> Bytes:
    """Return the picture encoded as sRGB; colours outside sRGB are clipped to it.

    Parameters
    ----------
    rgb
        (h, w, 3) uint8, encoded as the profile says; changed in place.
    profile
        An ICC profile as bytes, or primaries and curves.

    Raises
    ------
    ProfileError
        When the profile cannot be read or is not one for RGB pictures.
    """
    if isinstance(profile, bytes):
        parsed = _parsed_tables(profile)
        if parsed is None:
            return _by_little_cms(rgb, profile)
        decode, matrix, encode = parsed
    else:
        decode, matrix, encode = _tables(profile)
    if decode is None:
        return rgb
    for top in range(0, rgb.shape[0], _STRIP_ROWS):
        strip = rgb[top : top + _STRIP_ROWS]
        linear = cv2.transform(cv2.LUT(strip, decode), matrix)
        rgb[top : top + _STRIP_ROWS] = cv2.LUT(linear, encode)
    return rgb


Tables = tuple[NDArray[np.uint16] | None, Doubles, Bytes]


@lru_cache(maxsize=8)
def _parsed_tables(profile: bytes) -> Tables | None:
    try:
        return _tables(parse_profile(profile))
    except (LookupError, struct.error, ValueError):
        return None


def _tables(profile: RgbProfile) -> Tables:
    """Return decoding table, matrix and encoding table; no decoding table: already sRGB."""
    matrix = np.linalg.inv(SRGB_TO_PCS) @ profile.to_pcs
    decode = np.rint(np.clip(profile.curves, 0, 1) * _LINEAR_ONE).astype(np.uint16)
    levels = np.minimum(np.arange(65536) / _LINEAR_ONE, 1)
    encode = np.rint(srgb_encode(levels) * 255).astype(np.uint8)
    same = np.abs(srgb_encode(profile.curves @ matrix.T) - _CODES[:, None]).max() * 255
    primaries_same = np.abs(matrix - np.eye(3)).max() < 0.005
    if same < _SAME_CODES and primaries_same:
        return None, matrix, encode
    return decode.reshape(256, 1, 3), matrix, encode


def parse_profile(profile: bytes) -> RgbProfile:
    """Read primaries and curves of an ICC profile.

    Raises
    ------
    LookupError, struct.error, ValueError
        When it is broken, not for RGB, or built on tables instead of primaries and curves.
    """
    if profile[16:20] != b"RGB " or profile[36:40] != b"acsp":
        raise ValueError("not an RGB profile")
    (count,) = struct.unpack_from(">I", profile, 128)
    tags: dict[bytes, bytes] = {}
    for index in range(min(count, 100)):
        name, start, length = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        tags[name] = profile[start : start + length]
    if b"A2B0" in tags:
        raise ValueError("built on tables")
    primaries = np.array([_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]).T
    curves = np.stack([_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC")], axis=1)
    if abs(primaries[1].sum() - 1) > 0.1 or not np.isfinite(curves).all():
        raise ValueError("primaries do not add up to white")
    return RgbProfile(primaries, curves)


def _xyz(tag: bytes) -> Doubles:
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536


def _curve(tag: bytes) -> Doubles:
    """Return the (256,) linear values of a `curv` or `para` tag."""
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return _CODES
        values = np.array(struct.unpack_from(f">{count}H", tag, 12), dtype=float)
        if count == 1:
            return np.asarray(_CODES ** (values[0] / 256))
        return np.interp(_CODES, np.linspace(0, 1, count), values / 65535)
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        n_parameters = (1, 3, 4, 5, 7)[kind]
        raw = struct.unpack_from(f">{n_parameters}i", tag, 12)
        return _parametric(kind, [value / 65536 for value in raw])
    raise ValueError("unknown kind of curve")


def _parametric(kind: int, p: list[float]) -> Doubles:
    """Return a parametric curve at the 256 codes (ICC.1, table of `parametricCurveType`)."""
    if kind == 0:
        p = [p[0], 1.0, 0.0, 0.0, -1.0]
    elif kind in (1, 2):
        p = [*p[:3], 0.0, -p[2] / p[1], *(p[3:] * 2)]
    g, a, b, c, d, e, f = (*p, *[0.0] * (7 - len(p)))
    # Below d the curve is a straight line.
    curved = np.maximum(a * _CODES + b, 0) ** g + e
    return np.where(d <= _CODES, curved, c * _CODES + f)


def _by_little_cms(rgb: Bytes, profile: bytes) -> Bytes:
    from PIL import Image, ImageCms

    try:
        source: Any = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        picture = Image.fromarray(rgb)
        ImageCms.profileToProfile(
            picture, source, ImageCms.createProfile("sRGB"), inPlace=True, outputMode="RGB"
        )
    except (OSError, ValueError, TypeError, ImageCms.PyCMSError) as error:
        raise ProfileError(f"colour profile cannot be used ({error})") from None
    return np.array(picture)
