"""The kinds of file: what the header says, and how to decode the picture at reduced size.

Headers are read through Pillow's own classes for each format, which decode nothing; JPEG is
decoded by libjpeg-turbo, which can leave out detail while it decodes and tells of damage; PNG and
WebP by OpenCV, and by Pillow where they are damaged or unusual; the rest by Pillow and libheif,
which refuse damaged data.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.photo.icc import RgbProfile, display_p3
from lawnscore.photo.kinds import HEIC, JPEG, PNG, TIFF, WEBP, words_for

if TYPE_CHECKING:
    from PIL.Image import Image as Picture

Bytes = NDArray[np.uint8]

REDUCTIONS = (1, 2, 4, 8)
"""Full-size pixels along the side of a pixel of the reduced picture: JPEG's DCT scales."""

SIDE_MIN_PX = 64
"""A picture with a shorter side than this is no photo of a lawn."""

SIDE_MAX_PX = 32_000
"""Longest side: the picture library counts rows and columns of a warp in 16 bits with a sign."""

PIXELS_MAX = 120_000_000
"""Largest picture that is decoded in full, in pixels."""

TIFF_PIXELS_MAX = 80_000_000
"""Largest TIFF: its data, mostly as large as the picture, lie in memory beside it."""

JPEG_PIXELS_MAX = 205_000_000
"""Largest JPEG: it is decoded at reduced size, and phones make them up to 200 megapixels."""

_COLOUR_PRIMARIES_P3 = 12
"""Code point of the P3 primaries with D65 (ITU-T H.273, table 2)."""

_PADDING_MAX_BYTES = 16
"""Some cameras pad the end of the picture; more than this is damage (from memory)."""

_STRIP_ROWS = 256

_TIFF_SUBFILE_TYPE = 254
_TIFF_DNG_VERSION = 50706


class Unreadable(Exception):
    """Why a file cannot be read, in words; becomes `PhotoRefused` with the path."""


@dataclass(frozen=True, eq=False)
class Header:
    """What is known of a picture before it is decoded; ``decode(reduction)`` gives RGB."""

    size: tuple[int, int]
    exif: bytes | None
    profile: bytes | RgbProfile | None
    decode: Callable[[int], Bytes]
    upright: bool = False
    pixels_max: int = PIXELS_MAX


def check_size(header: Header) -> None:
    """Refuse what is too small for a photo or too large to decode.

    Raises
    ------
    Unreadable
        With the size in words.
    """
    width, height = header.size
    if min(width, height) < SIDE_MIN_PX:
        raise Unreadable(f"the picture is too small to be a photo ({width} x {height} px)")
    if max(width, height) > SIDE_MAX_PX:
        raise Unreadable(
            f"the picture is too long to be a photo ({width} x {height} px; "
            f"at most {SIDE_MAX_PX} px along a side)"
        )
    if width * height > header.pixels_max:
        raise Unreadable(
            f"the picture is too large ({width} x {height} px; "
            f"at most {header.pixels_max // 1_000_000} megapixels)"
        )


def _reduced(rgb: Bytes, reduction: int) -> Bytes:
    """Return means of squares of ``reduction`` pixels; the last ones may be cut by the edge."""
    if reduction == 1:
        return rgb
    height, width = rgb.shape[:2]
    below, right = -height % reduction, -width % reduction
    if below or right:
        rgb = np.asarray(cv2.copyMakeBorder(rgb, 0, below, 0, right, cv2.BORDER_REPLICATE))
    size = (rgb.shape[1] // reduction, rgb.shape[0] // reduction)
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _reduced_in_strips(picture: Picture, reduction: int) -> Bytes:
    """Return a loaded picture as RGB, reduced a strip at a time: no second copy of all of it."""
    width, height = picture.size
    shape = (-(-height // reduction), -(-width // reduction), 3)
    out = np.empty(shape, np.uint8)
    step = _STRIP_ROWS * reduction
    for top in range(0, height, step):
        strip = picture.crop((0, top, width, min(top + step, height)))
        rgb = strip if strip.mode == "RGB" else strip.convert("RGB")
        rows = _reduced(np.asarray(rgb), reduction)
        out[top // reduction : top // reduction + rows.shape[0]] = rows
    return out


def _jpeg_header(data: bytes) -> Header:
    from PIL.JpegImagePlugin import JpegImageFile

    # The class itself, not Image.open: size limits are ours, and nothing is decoded yet.
    picture = JpegImageFile(io.BytesIO(data))
    _refuse_mode(picture.mode, JPEG)
    width, height = picture.size

    def decode(reduction: int) -> Bytes:
        # The decoder takes the smallest of its scales (eighths) that is no smaller than this.
        least = {"min_width": -(-width // reduction), "min_height": -(-height // reduction)}
        return _decode_jpeg(data, least if reduction > 1 else {})

    return Header(
        size=picture.size,
        exif=picture.info.get("exif"),
        profile=picture.info.get("icc_profile"),
        decode=decode,
        pixels_max=PIXELS_MAX if picture.info.get("progressive") else JPEG_PIXELS_MAX,
    )


def _decode_jpeg(data: bytes, least: dict[str, int]) -> Bytes:
    """Decode to RGB; damage that other decoders paint over with grey is refused."""
    from simplejpeg import decode_jpeg

    try:
        return np.asarray(decode_jpeg(data, "RGB", min_factor=1, **least))
    except ValueError as error:
        words = str(error)
    padding = re.fullmatch(r"Corrupt JPEG data: (\d+) extraneous bytes before marker 0xd9", words)
    if padding and int(padding[1]) <= _PADDING_MAX_BYTES:
        return np.asarray(decode_jpeg(data, "RGB", min_factor=1, strict=False, **least))
    if "premature end" in words.lower():
        raise Unreadable("the JPEG file is cut off: the copy did not finish")
    raise Unreadable(f"a damaged JPEG file ({words})")


def _png_header(data: bytes) -> Header:
    from PIL.PngImagePlugin import PngImageFile

    picture = PngImageFile(io.BytesIO(data))
    if getattr(picture, "is_animated", False):
        raise Unreadable("an animated PNG, not a photo")
    header = _pillow_header(picture, PNG, data)
    check_size(header)
    PngImageFile(io.BytesIO(data)).verify()
    return header


def _tiff_header(data: bytes) -> Header:
    from PIL.TiffImagePlugin import TiffImageFile

    picture: Any = TiffImageFile(io.BytesIO(data))
    tags = picture.tag_v2
    if _TIFF_DNG_VERSION in tags or tags.get(_TIFF_SUBFILE_TYPE, 0) & 1:
        raise Unreadable(words_for(b"II*\0"))
    if picture.n_frames > 1:
        raise Unreadable(f"a TIFF of {picture.n_frames} pages; save the photo alone")
    return _pillow_header(picture, TIFF, b"")


def _webp_header(data: bytes) -> Header:
    from PIL.WebPImagePlugin import WebPImageFile

    picture = WebPImageFile(io.BytesIO(data))
    if getattr(picture, "is_animated", False):
        raise Unreadable("an animated WebP, not a photo")
    return _pillow_header(picture, WEBP, data)


def _pillow_header(picture: Any, kind: str, data: bytes) -> Header:
    """Return the header; ``data`` are the bytes of what OpenCV may decode in Pillow's stead."""
    _refuse_mode(picture.mode, kind)
    exif = picture.info.get("exif")
    upright = False
    if kind == TIFF:  # orientation is a tag of the file itself; Pillow turns the picture on load
        exif = picture.getexif().tobytes()
        upright = True

    def decode(reduction: int) -> Bytes:
        plain = _decode_plain(data) if data and picture.mode == "RGB" else None
        if plain is not None:
            return _reduced(plain, reduction)
        picture.load()
        if "A" in picture.mode and picture.getchannel("A").getextrema()[0] < 255:
            raise Unreadable("the picture has see-through parts; save it without them")
        return _reduced_in_strips(picture, reduction)

    most = TIFF_PIXELS_MAX if kind == TIFF else PIXELS_MAX
    return Header(picture.size, exif, picture.info.get("icc_profile"), decode, upright, most)


def _decode_plain(data: bytes) -> Bytes | None:
    """Decode PNG or WebP to RGB by OpenCV, which is faster; ``None`` where Pillow is to say why."""
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        rgb = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    return None if rgb is None else np.asarray(rgb, dtype=np.uint8)


def _heic_header(data: bytes) -> Header:
    import pillow_heif

    pictures = pillow_heif.open_heif(io.BytesIO(data))
    picture: Any = pictures[pictures.primary_index]
    _refuse_mode(picture.mode, HEIC)
    profile: bytes | RgbProfile | None = picture.info.get("icc_profile") or None
    nclx = picture.info.get("nclx_profile") or {}
    if profile is None and nclx.get("color_primaries") == _COLOUR_PRIMARIES_P3:
        profile = display_p3()

    def decode(reduction: int) -> Bytes:
        array = np.asarray(picture)
        if array.shape[2] == 4 and array[..., 3].min() < 255:
            raise Unreadable("the picture has see-through parts; save it without them")
        return _reduced(np.ascontiguousarray(array[..., :3]), reduction)

    # The decoder has applied the rotation that the container states; the standard
    # (ISO/IEC 23008-12) makes that one count, not the Exif copy of it.
    return Header(picture.size, picture.info.get("exif"), profile, decode, upright=True)


_MODE_WORDS = {
    "L": "the photo is black and white; colours are needed",
    "LA": "the photo is black and white; colours are needed",
    "1": "a picture of black and white dots, not a photo",
    "P": "a picture with a palette of at most 256 colours, not a photo",
    "PA": "a picture with a palette of at most 256 colours, not a photo",
    "CMYK": "colours for printing (CMYK), not those of a camera; save it as RGB",
    "LAB": "colours as CIELAB, not those of a camera; save it as RGB",
}


def _refuse_mode(mode: str, kind: str) -> None:
    if mode in ("RGB", "RGBA", "RGBX"):
        return
    default = "the photo is black and white; colours are needed"
    if not mode.startswith("I"):
        default = f"a {kind} file with colours of a kind that is not read ({mode})"
    raise Unreadable(_MODE_WORDS.get(mode, default))


HEADERS: dict[str, Callable[[bytes], Header]] = {
    JPEG: _jpeg_header,
    PNG: _png_header,
    TIFF: _tiff_header,
    WEBP: _webp_header,
    HEIC: _heic_header,
}
