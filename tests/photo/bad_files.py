"""Files that are no photos a lawn could be scored from, and what is to be said of each."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable

import numpy as np
import pillow_heif
from PIL import Image

HEIGHT, WIDTH = 120, 160


def upright() -> np.ndarray:
    """Return four fields of colour, so that each turn and mirror shows."""
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    picture[: HEIGHT // 2, : WIDTH // 2] = (190, 60, 50)
    picture[: HEIGHT // 2, WIDTH // 2 :] = (60, 150, 70)
    picture[HEIGHT // 2 :, : WIDTH // 2] = (50, 70, 180)
    picture[HEIGHT // 2 :, WIDTH // 2 :] = (200, 190, 80)
    return picture


def png_chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png_bomb(side: int) -> bytes:
    header = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    rows = zlib.compress(bytes((side // 8 + 1) * 64), 9)
    return (
        b"\x89PNG\r\n\x1a\n"
        + png_chunk(b"IHDR", header.replace(b"\x01\0\0\0\0", b"\x08\x02\0\0\0"))
        + png_chunk(b"IDAT", rows)
        + png_chunk(b"IEND", b"")
    )


def encoded(kind: str, image: Image.Image | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    (image or Image.fromarray(upright())).save(out, kind, **options)
    return out.getvalue()


def heic() -> bytes:
    out = io.BytesIO()
    file = pillow_heif.HeifFile()
    file.add_frombytes("RGB", (WIDTH, HEIGHT), upright().tobytes())
    file.save(out, quality=80)
    return out.getvalue()


def with_wrong_byte(data: bytes) -> bytes:
    at = len(data) // 2
    return data[:at] + b"\xff\x3f" + data[at + 2 :]


def noise() -> Image.Image:
    return Image.fromarray(np.random.default_rng(1).integers(0, 255, (200, 200, 3), np.uint8))


def animated(kind: str) -> bytes:
    image = Image.fromarray(upright())
    other = Image.fromarray(upright()[::-1])
    return encoded(kind, image, save_all=True, append_images=[other])


def see_through() -> Image.Image:
    image = Image.fromarray(upright()).convert("RGBA")
    image.putalpha(100)
    return image


def dng() -> bytes:
    tiff = Image.fromarray(upright())
    return encoded("TIFF", tiff, tiffinfo={254: 1})


BAD: dict[str, tuple[Callable[[], bytes], str]] = {
    "empty": (lambda: b"", "empty"),
    "zeros": (lambda: bytes(5000), "zeros"),
    "text": (lambda: b"Dear customer, the lawn looks fine.", "text file"),
    "utf-16 text": (lambda: "Liebe Kundin".encode("utf-16"), "text file"),
    "noise": (lambda: np.random.default_rng(0).bytes(4000), "not a picture"),
    "web page": (lambda: b"<!DOCTYPE html><html>404</html>", "web page"),
    "svg": (lambda: b"<svg xmlns='http://www.w3.org/2000/svg'/>", "drawing"),
    "pdf": (lambda: b"%PDF-1.7\n%\xe2\xe3", "PDF"),
    "zip": (lambda: b"PK\x03\x04" + bytes(60), "ZIP"),
    "gif": (lambda: encoded("GIF"), "GIF"),
    "animated gif": (lambda: animated("GIF"), "GIF"),
    "bmp": (lambda: encoded("BMP"), "BMP"),
    "avif": (lambda: b"\0\0\0\x1cftypavif\0\0\0\0avifmif1", "AVIF"),
    "avif by its second brand": (lambda: b"\0\0\0\x1cftypmif1\0\0\0\0mif1avif", "AVIF"),
    "mp4": (lambda: b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(50), "video"),
    "mov": (lambda: b"\0\0\0\x14ftypqt  \0\0\0\0qt  " + bytes(50), "video"),
    "cr3 raw": (lambda: b"\0\0\0\x18ftypcrx \0\0\0\0crx isom", "raw photo"),
    "cr2 raw": (lambda: b"II*\0\x10\0\0\0CR\x02\0" + bytes(50), "raw photo"),
    "tiff raw": (dng, "raw photo"),
    "cut jpeg": (lambda: encoded("JPEG", noise(), quality=90)[:-3000], "cut off"),
    "cut jpeg with zeros": (
        lambda: encoded("JPEG", noise(), quality=90)[:-3000] + bytes(3000),
        "cut off",
    ),
    "jpeg with a wrong byte": (lambda: with_wrong_byte(encoded("JPEG", noise())), "damaged JPEG"),
    "jpeg without its middle": (
        lambda: (d := encoded("JPEG", noise(), quality=90))[:9000] + d[15000:],
        "JPEG file",
    ),
    "jpeg header alone": (lambda: encoded("JPEG", noise())[:300], "JPEG"),
    "jpeg start alone": (lambda: b"\xff\xd8\xff\xe0", "JPEG"),
    "cut png": (lambda: encoded("PNG", noise())[:-3000], "PNG"),
    "png with a wrong byte": (
        lambda: (d := encoded("PNG", noise()))[:5000] + b"\x55\xaa" + d[5002:],
        "PNG",
    ),
    "cut tiff": (lambda: encoded("TIFF", noise())[:-3000], "TIFF"),
    "cut webp": (lambda: encoded("WEBP", noise())[:-3000], "WebP"),
    "cut heic": (lambda: heic()[:-200], "HEIC"),
    "cmyk jpeg": (lambda: encoded("JPEG", Image.fromarray(upright()).convert("CMYK")), "CMYK"),
    "grey jpeg": (lambda: encoded("JPEG", Image.fromarray(upright()).convert("L")), "black and"),
    "grey as rgb": (
        lambda: encoded("PNG", Image.fromarray(upright()).convert("L").convert("RGB")),
        "black and white",
    ),
    "16-bit grey png": (
        lambda: encoded("PNG", Image.fromarray(upright()[..., 0].astype(np.uint16) * 257)),
        "black and white",
    ),
    "palette png": (lambda: encoded("PNG", Image.fromarray(upright()).convert("P")), "palette"),
    "1-bit png": (lambda: encoded("PNG", Image.fromarray(upright()).convert("1")), "black and"),
    "float tiff": (lambda: encoded("TIFF", Image.new("F", (100, 100))), "not read"),
    "see-through png": (lambda: encoded("PNG", see_through()), "see-through"),
    "animated png": (lambda: animated("PNG"), "animated"),
    "animated webp": (lambda: animated("WEBP"), "animated"),
    "tiff of two pages": (lambda: animated("TIFF"), "2 pages"),
    "1x1 jpeg": (lambda: encoded("JPEG", Image.new("RGB", (1, 1))), "1 x 1"),
    "1x1 png": (lambda: encoded("PNG", Image.new("RGB", (1, 1))), "1 x 1"),
    "30,000 px square png": (lambda: png_bomb(30_000), "too large"),
}
