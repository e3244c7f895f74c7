"""What the camera wrote beside the picture: orientation, time, focal length, make and model.

Tag numbers are those of the Exif standard (CIPA DC-008). A value that is missing or makes no
sense is unknown; nothing here raises for what a file says.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import SupportsFloat

from PIL import Image

MAKE = 0x010F
MODEL = 0x0110
ORIENTATION = 0x0112
EXIF_IFD = 0x8769
INTEROP_IFD = 0xA005
EXPOSURE_TIME = 0x829A
F_NUMBER = 0x829D
SENSITIVITY = 0x8827
DATE_TIME_ORIGINAL = 0x9003
DATE_TIME_DIGITIZED = 0x9004
OFFSET_TIME_ORIGINAL = 0x9011
OFFSET_TIME_DIGITIZED = 0x9012
SUB_SEC_TIME_ORIGINAL = 0x9291
SUB_SEC_TIME_DIGITIZED = 0x9292
FLASH = 0x9209
PIXEL_X_DIMENSION = 0xA002
PIXEL_Y_DIMENSION = 0xA003
FOCAL_LENGTH_IN_35MM = 0xA405
INTEROP_INDEX = 0x0001
ADOBE_RGB_INTEROP = "R03"
"""Interoperability index that marks Adobe RGB (DCF 2.0 option file)."""

INCIDENT_CONSTANT = 250.0
"""Lux seconds by which an exposure tells what light it was made for: E = C N^2 / (t S), with
f-number N, time t and ISO speed S (ISO 2720:1974, which allows 240 to 400 for a flat receptor; from
memory)."""

_CROP_TOLERANCE = 0.01
"""Relative difference of aspect ratio from which a photo counts as cropped."""


@dataclass(frozen=True)
class CameraNotes:
    """What the camera wrote, each field unknown (``None`` or empty) where it did not.

    Parameters
    ----------
    orientation
        1 to 8; 1 when missing or out of range.
    taken_at
        ISO 8601, with the offset when the camera wrote it.
    focal_35mm
        Focal length equivalent for 35 mm film, mm; ``None`` also when the picture was cropped.
    camera
        Make and model.
    adobe_rgb
        Whether the interoperability index says Adobe RGB.
    exposed_for_lux
        Illuminance for which f-number, time and sensitivity make a right exposure, lux.
    flash
        Whether the flash fired.
    """

    orientation: int = 1
    taken_at: str | None = None
    focal_35mm: float | None = None
    camera: str = ""
    adobe_rgb: bool = False
    exposed_for_lux: float | None = None
    flash: bool = False


def read_exif(data: bytes | None, size: tuple[int, int]) -> CameraNotes:
    """Return what an Exif block says of a picture of ``size`` (width, height) as stored.

    A block that is missing or broken gives notes that are all unknown.
    """
    if not data:
        return CameraNotes()
    exif = Image.Exif()
    try:
        exif.load(data)
        detail = exif.get_ifd(EXIF_IFD)
        interop = exif.get_ifd(INTEROP_IFD)
    except Exception:  # a broken block must not cost the photo, and Pillow raises many kinds
        return CameraNotes()
    return CameraNotes(
        orientation=_orientation(exif.get(ORIENTATION)),
        taken_at=_taken_at(detail),
        focal_35mm=_focal_35mm(detail, size),
        camera=_camera(_text(exif.get(MAKE)), _text(exif.get(MODEL))),
        adobe_rgb=_text(interop.get(INTEROP_INDEX)) == ADOBE_RGB_INTEROP,
        exposed_for_lux=_exposed_for_lux(detail),
        flash=_fired(detail.get(FLASH)),
    )


def _exposed_for_lux(detail: dict[int, object]) -> float | None:
    """Return lux of f-number, time and sensitivity.

    >>> round(_exposed_for_lux({F_NUMBER: 16.0, EXPOSURE_TIME: 1 / 100, SENSITIVITY: 100}))
    64000
    """
    speed = detail.get(SENSITIVITY)
    known = (
        _number(detail.get(F_NUMBER)),
        _number(detail.get(EXPOSURE_TIME)),
        _number(speed[0] if isinstance(speed, tuple) and speed else speed),
    )
    f_number, seconds, iso = known
    if f_number is None or seconds is None or iso is None:
        return None
    return INCIDENT_CONSTANT * f_number**2 / (seconds * iso)


def _fired(value: object) -> bool:
    return isinstance(value, int) and bool(value & 1)


def _orientation(value: object) -> int:
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _text(value: object) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    if not isinstance(value, str):
        return ""
    return " ".join(c for c in value.replace("\0", " ").split() if c.isprintable())


def _number(value: object) -> float | None:
    if not isinstance(value, str | SupportsFloat):  # a rational of Pillow is the latter
        return None
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < float("inf") else None


def _camera(make: str, model: str) -> str:
    return model if model.lower().startswith(make.lower()) else f"{make} {model}".strip()


def _taken_at(detail: dict[int, object]) -> str | None:
    for when, offset, fraction in (
        (DATE_TIME_ORIGINAL, OFFSET_TIME_ORIGINAL, SUB_SEC_TIME_ORIGINAL),
        (DATE_TIME_DIGITIZED, OFFSET_TIME_DIGITIZED, SUB_SEC_TIME_DIGITIZED),
    ):
        text = _iso_time(
            _text(detail.get(when)), _text(detail.get(offset)), _text(detail.get(fraction))
        )
        if text is not None:
            return text
    return None


def _iso_time(when: str, offset: str, fraction: str) -> str | None:
    """Return ISO 8601 text of Exif's ``YYYY:MM:DD HH:MM:SS``, ``+HH:MM`` and decimal fraction.

    >>> _iso_time("2026:05:01 10:11:12", "+01:00", "25")
    '2026-05-01T10:11:12.250+01:00'
    >>> _iso_time("0000:00:00 00:00:00", "", "") is None
    True
    """
    try:
        time = datetime.strptime(when, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    digits = f".{fraction[:3]:0<3}" if re.fullmatch(r"[0-9]+", fraction) else ""
    if not re.fullmatch(r"[+-](0[0-9]|1[0-4]):[0-5][0-9]|Z", offset):
        offset = ""
    return f"{time.isoformat()}{digits}{offset.replace('Z', '+00:00')}"


def _focal_35mm(detail: dict[int, object], size: tuple[int, int]) -> float | None:
    focal = _number(detail.get(FOCAL_LENGTH_IN_35MM))
    written = (_number(detail.get(PIXEL_X_DIMENSION)), _number(detail.get(PIXEL_Y_DIMENSION)))
    if focal is None or written[0] is None or written[1] is None:
        return focal
    aspect = max(size) / min(size)
    aspect_written = max(written[0], written[1]) / min(written[0], written[1])
    return focal if abs(aspect / aspect_written - 1) < _CROP_TOLERANCE else None
