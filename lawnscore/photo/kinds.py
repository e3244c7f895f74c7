"""What a file is, told by its first bytes and never by its name."""

from __future__ import annotations

JPEG = "JPEG"
PNG = "PNG"
TIFF = "TIFF"
HEIC = "HEIC"
WEBP = "WebP"
PHOTO_KINDS = (JPEG, HEIC, PNG, TIFF, WEBP)
"""Kinds of file that can be read."""

_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"heif")
_VIDEO = "a video, not a photo"
_RAW = "a raw photo, which has no colours yet; export it as JPEG"
_OTHER_BRANDS = {
    b"avif": "an AVIF picture, which is not read; export it as JPEG",
    b"avis": "an AVIF picture, which is not read; export it as JPEG",
    b"crx ": _RAW,
}
_OTHERS: tuple[tuple[bytes, str], ...] = (
    (b"GIF8", "a GIF picture with at most 256 colours, not a photo"),
    (b"BM", "a BMP picture, which does not come from a phone; save it as PNG"),
    (b"%PDF", "a PDF document, not a photo"),
    (b"8BPS", "a layered picture of an image editor; export it as JPEG"),
    (b"PK\x03\x04", "a ZIP archive or an office document; unpack it first"),
    (b"Rar!", "an archive; unpack it first"),
    (b"7z\xbc\xaf", "an archive; unpack it first"),
    (b"\xff\x0a", "a JPEG XL picture, which is not read; export it as JPEG"),
    (b"\0\0\0\x0cJXL ", "a JPEG XL picture, which is not read; export it as JPEG"),
    (b"\0\0\0\x0cjP  ", "a JPEG 2000 picture, which is not read; export it as JPEG"),
    (b"FUJIFILMCCD-RAW", _RAW),
    (b"IIRO", _RAW),
    (b"IIRS", _RAW),
    (b"IIU\0", _RAW),
    (b"\x1aE\xdf\xa3", _VIDEO),
    (b"<svg", "a drawing (SVG), not a photo"),
    (b"<!DOCTYPE", "a web page, not a photo; download the photo itself"),
    (b"<html", "a web page, not a photo; download the photo itself"),
    (b"Exif", "a block of photo data without the photo"),
)


def kind_of(head: bytes) -> str:
    """Return one of :data:`PHOTO_KINDS`, or an empty string when it is none of them.

    Parameters
    ----------
    head
        The first 32 bytes of a file, or more.

    Examples
    --------
    >>> kind_of(bytes.fromhex("ffd8ffe0"))
    'JPEG'
    >>> kind_of(b"Dear customer")
    ''
    """
    if head.startswith(b"\xff\xd8\xff"):
        return JPEG
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    if head.startswith((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")) and head[8:10] != b"CR":
        return TIFF
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return WEBP
    if head[4:8] == b"ftyp" and (head[8:12] in _HEIC_BRANDS and b"avif" not in head[12:32]):
        return HEIC
    return ""


def words_for(head: bytes) -> str:
    """Return in words what a file is that is none of :data:`PHOTO_KINDS`.

    Examples
    --------
    >>> words_for(b"Dear customer")
    'a text file, not a photo'
    """
    if not head:
        return "the file is empty (0 bytes): the copy did not finish"
    if not head.strip(b"\0"):
        return "the file holds nothing but zeros: the copy did not finish"
    if head[4:8] == b"ftyp":
        brands = (head[8:12], *(head[i : i + 4] for i in range(16, min(len(head), 32), 4)))
        return next((_OTHER_BRANDS[b] for b in brands if b in _OTHER_BRANDS), _VIDEO)
    if head[:4] == b"RIFF":
        return _VIDEO if head[8:11] == b"AVI" else "a sound or other recording, not a photo"
    if head.startswith((b"II*\0", b"MM\0*")):
        return _RAW
    for start, words in _OTHERS:
        if head.lstrip().lower().startswith(start.lower()):
            return words
    return "a text file, not a photo" if _is_text(head) else "not a picture of any known kind"


def _is_text(head: bytes) -> bool:
    if b"\0" in head:
        return head.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start > len(head) - 4
    return True
