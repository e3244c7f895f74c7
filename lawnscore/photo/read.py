"""A file -> a picture: upright, sRGB, no larger than the measuring needs.

The file is read once. Its kind is told by its content; its header is checked before anything
is decoded, so that neither a damaged file nor one made to fill the memory does harm.
"""

from __future__ import annotations

import hashlib
import os
import stat
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.decoders import HEADERS, REDUCTIONS, Unreadable, check_size
from lawnscore.photo.exif import CameraNotes, read_exif
from lawnscore.photo.icc import ProfileError, RgbProfile, adobe_rgb, to_srgb
from lawnscore.photo.kinds import JPEG, kind_of, words_for

Bytes = NDArray[np.uint8]

Made = TypeVar("Made")

LONGER_SIDE_MAX_PX = 3400
"""The smallest reduction is taken that brings the longer side to this or less."""

_KEPT_BYTES = 31 << 20
"""A block as large as glibc lets set its thresholds: they stop at 32 MB (mallopt(3))."""

FILE_BYTES_MAX = 400_000_000
"""Larger files are not opened at all: a photo is read whole, and decoded beside its bytes."""


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo.

    Parameters
    ----------
    path
        Where it was read from.
    rgb
        (h, w, 3) uint8, upright, encoded as sRGB, maybe reduced.
    reduction
        Full-size pixels along the side of a pixel of ``rgb``: 1, 2, 4 or 8. Where the size is
        no multiple of it, positions are known to within less than one reduced pixel.
    width_px, height_px
        Size of the upright photo in full.
    sha256
        SHA-256 of the file, hexadecimal.
    taken_at
        ISO 8601, with the offset where it is known; ``None`` when unknown.
    focal_35mm
        Focal length equivalent for 35 mm film, mm; ``None`` when unknown.
    camera
        Make and model, maybe empty.
    kind
        Kind of file.
    exposed_for_lux
        Illuminance for which the camera's exposure is right, lux; ``None`` when unknown.
    flash
        Whether the flash fired.
    """

    path: Path
    rgb: Bytes
    reduction: int
    width_px: int
    height_px: int
    sha256: str
    taken_at: str | None
    focal_35mm: float | None
    camera: str
    kind: str = JPEG
    exposed_for_lux: float | None = None
    flash: bool = False


def read_photo(path: Path | str, *, reduction: int | None = None) -> Photo:
    """Read a photo: JPEG, HEIC, PNG, TIFF or WebP.

    Parameters
    ----------
    path
        The file. Its name does not matter, its content does.
    reduction
        1, 2, 4 or 8 full-size pixels a pixel. By default the smallest that brings the longer
        side to 3400 px or less (1700 to 3400 px for all larger photos).

    Returns
    -------
    Photo
        Upright (orientation applied once), sRGB-encoded.

    Raises
    ------
    PhotoRefused
        ``unreadable``, with the cause in words. Nothing else is raised for what a file holds.
    ValueError
        When ``reduction`` is none of 1, 2, 4, 8.
    """
    if reduction is not None and reduction not in REDUCTIONS:
        raise ValueError(f"reduction is {reduction}; it must be one of {REDUCTIONS}")
    path = Path(path)
    _keep_freed_memory()
    try:
        data = _bytes_of(path)
        kind = kind_of(data[:64])
        if not kind:
            raise Unreadable(words_for(data[:512]))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _read(path, data, kind, reduction)
    except Unreadable as error:
        raise PhotoRefused("unreadable", str(error), path) from None


def finer(photo: Photo, *, reduction: int = 1) -> Photo:
    """Return a photo read again with more of its pixels; as it is where it has them already.

    Raises
    ------
    PhotoRefused
        ``unreadable``, when the file has changed or gone since.
    """
    return photo if photo.reduction <= reduction else read_photo(photo.path, reduction=reduction)


@cache
def _keep_freed_memory() -> None:
    """Let the C library keep the memory of a photo for the next one.

    glibc gives freed memory back to the system, and then takes it anew page by page, until a larger
    block has been freed once (M_TRIM_THRESHOLD in mallopt(3)). No page of this one is touched.
    """
    np.empty(_KEPT_BYTES, np.uint8)


def reduction_for(size: tuple[int, int]) -> int:
    """Return the reduction for a picture of ``size`` (width, height) px.

    Examples
    --------
    >>> reduction_for((4000, 3000)), reduction_for((8064, 6048)), reduction_for((2000, 1500))
    (2, 4, 1)
    """
    longer = max(size)
    return next((r for r in REDUCTIONS if longer <= r * LONGER_SIDE_MAX_PX), REDUCTIONS[-1])


def _read(path: Path, data: bytes, kind: str, reduction: int | None) -> Photo:
    header = _guarded(lambda: HEADERS[kind](data), kind)
    check_size(header)
    notes = read_exif(header.exif, header.size)
    factor = reduction_for(header.size) if reduction is None else reduction
    rgb = _guarded(lambda: header.decode(factor), kind)
    _check_colour(rgb)
    if not rgb.flags.writeable:  # some decoders lend their own memory
        rgb = rgb.copy()
    rgb = _as_srgb(rgb, header.profile, notes)
    width, height = header.size
    if not header.upright:
        rgb = _turn_upright(rgb, notes.orientation)
        if notes.orientation >= 5:
            width, height = height, width
    return Photo(
        path=path,
        rgb=rgb,
        reduction=factor,
        width_px=width,
        height_px=height,
        sha256=hashlib.sha256(data).hexdigest(),
        taken_at=notes.taken_at,
        focal_35mm=notes.focal_35mm,
        camera=notes.camera,
        kind=kind,
        exposed_for_lux=notes.exposed_for_lux,
        flash=notes.flash,
    )


def _bytes_of(path: Path) -> bytes:
    """Return the content of a file, without waiting for anything that is not one."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise Unreadable("a folder, not a photo; move the photos in it one level up")
        if not stat.S_ISREG(status.st_mode):
            raise Unreadable("not a file but a device or a pipe")
        if status.st_size > FILE_BYTES_MAX:
            raise Unreadable(f"the file is too large for a photo ({status.st_size / 1e6:.0f} MB)")
        return path.read_bytes()
    except FileNotFoundError:
        broken = os.path.islink(path)  # noqa: PTH114 - Path.is_symlink says the same, but slower
        raise Unreadable(
            "a link to a file that is not there" if broken else "there is no such file"
        ) from None
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or str(error)
        raise Unreadable(f"the file cannot be opened ({words})") from None


def _guarded(step: Callable[[], Made], kind: str) -> Made:
    """Run a step of a decoder; whatever it raises for a damaged file becomes words."""
    try:
        return step()
    except Unreadable:
        raise
    except MemoryError:
        raise Unreadable(f"the {kind} file needs more memory than there is") from None
    except Exception as error:  # decoders raise every kind there is on damaged input
        words = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise Unreadable(f"a damaged {kind} file, or an unusual one ({words})") from None


def _check_colour(rgb: Bytes) -> None:
    sample = rgb[::16, ::16]
    is_grey = (sample == sample[..., :1]).all()
    if is_grey and np.ptp(sample) > 0:  # one even tone is too dark or too bright, which comes later
        raise Unreadable("the photo is black and white; colours are needed")


def _as_srgb(rgb: Bytes, profile: bytes | RgbProfile | None, notes: CameraNotes) -> Bytes:
    if profile is None and notes.adobe_rgb:
        profile = adobe_rgb()
    if profile is None:
        return rgb
    try:
        return to_srgb(rgb, profile)
    except ProfileError:
        return rgb  # the card corrects the colours; a broken profile need not cost the photo


_TURNS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}


def _turn_upright(rgb: Bytes, orientation: int) -> Bytes:
    """Return the picture upright; ``orientation`` as in Exif tag 0x0112."""
    if orientation in _TURNS:
        return np.asarray(cv2.rotate(rgb, _TURNS[orientation]), dtype=np.uint8)
    if orientation == 2:
        return np.asarray(cv2.flip(rgb, 1), dtype=np.uint8)
    if orientation == 4:
        return np.asarray(cv2.flip(rgb, 0), dtype=np.uint8)
    if orientation == 5:
        return np.asarray(cv2.transpose(rgb), dtype=np.uint8)
    if orientation == 7:
        return np.asarray(cv2.flip(cv2.transpose(rgb), -1), dtype=np.uint8)
    return rgb
