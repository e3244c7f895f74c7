"""Find slips in a photo: decode it small, look for QR codes at growing scales."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.errors import PhotoRefused
from lawnscore.filing.slip_code import SlipCode, read_slip_text
from lawnscore.photo.decoders import JPEG_PIXELS_MAX, PIXELS_MAX, SIDE_MAX_PX, SIDE_MIN_PX

if TYPE_CHECKING:
    import cv2
    from cv2.typing import MatLike

Grey = NDArray[np.uint8]
"""A photo in grey (h, w)."""

_LONG_SIDES_PX = (1000, 2000)
"""Longer sides at which a photo is searched; the full size follows where a code was seen."""

_REDUCTIONS = (8, 4, 2)
_RIM = 0.15  # of a code's side, kept around it for its quiet zone
_ENLARGED = (2, 3)
_MIN_CARD_MARKERS = 3
HEIF_SUFFIXES = (".heic", ".heif", ".hif")


@dataclass(frozen=True)
class SlipSighting:
    """What was seen in one photo.

    Parameters
    ----------
    codes
        Slips that were read, without repeats.
    fault
        Why a slip that is there cannot be used; empty when all is well.
    shows_card
        Whether it shows the reference card. A slip's photo that does is a slip all the same.
    sharpness
        Variance of the Laplacian of the photo at 1000 px: compares photos of one burst.
    """

    codes: tuple[SlipCode, ...] = ()
    fault: str = ""
    shows_card: bool = False
    sharpness: float = 0.0


def find_slips(path: Path) -> SlipSighting:
    """Return the slips that a photo shows.

    Raises
    ------
    PhotoRefused
        ``unreadable``, when the file is not a photo that can be opened.
    """
    import cv2

    grey = _read_grey(path, _LONG_SIDES_PX[-1])
    small = _shrink(grey, _LONG_SIDES_PX[0])
    sharpness = float(cv2.Laplacian(small, cv2.CV_64F).var())
    texts, unread = _search(path, small, grey)
    codes, fault = _understand(texts)
    fault = fault or ("it cannot be read" if unread else "")
    shows_card = _n_markers(grey) >= _MIN_CARD_MARKERS
    return SlipSighting(codes, fault, shows_card, round(sharpness, 3))


def _understand(texts: set[str]) -> tuple[tuple[SlipCode, ...], str]:
    codes: list[SlipCode] = []
    fault = ""
    for text in sorted(texts):
        try:
            code = read_slip_text(text)
        except ValueError as error:
            fault = str(error)
            continue
        if code is not None and code not in codes:
            codes.append(code)
    return tuple(sorted(codes)), fault


def _search(path: Path, small: Grey, grey: Grey) -> tuple[set[str], bool]:
    """Return the texts of the codes in a photo, and whether a code is there that was not read.

    Finder patterns of two codes can be taken for one code, which then cannot be read; hence the
    second detector, and the full size, wherever a code was seen and not read.
    """
    import cv2

    aruco, plain = cv2.QRCodeDetectorAruco, cv2.QRCodeDetector
    texts: set[str] = set()
    for picture in (small, grey):
        found, unread, places = _read_codes(aruco(), picture)
        texts |= found
        if unread or found:
            break
    else:
        return texts, False
    if not unread:
        return texts, False
    for detector, picture in ((plain, small), (aruco, grey), (plain, grey)):
        found, still, _ = _read_codes(detector(), picture)
        texts |= found
        if found and not still:
            return texts, False
    full = _read_grey(path, None)
    found, _, _ = _read_codes(aruco(), full)
    texts |= found or _read_close(full, places / max(picture.shape) * max(full.shape))
    return texts, not texts


def _read_codes(
    detector: cv2.QRCodeDetectorAruco | cv2.QRCodeDetector, grey: MatLike
) -> tuple[set[str], bool, NDArray[np.float32]]:
    """Return the texts of codes, whether one was not read, and the corners (n, 4, 2) of those."""
    import cv2

    nowhere = np.empty((0, 4, 2), np.float32)
    try:
        seen, texts, corners, _ = detector.detectAndDecodeMulti(grey)
    except (cv2.error, UnicodeDecodeError):  # some patterns break its geometry, or are no text
        return set(), True, nowhere
    unread = bool(seen) and not all(texts)
    places = np.asarray(corners, np.float32)[[not text for text in texts]] if unread else nowhere
    return {text for text in texts if text}, unread, places


def _read_close(full: Grey, places: NDArray[np.float32]) -> set[str]:
    """Return the texts of codes that are seen and too small to be read, such as beside a card."""
    import cv2

    texts: set[str] = set()
    for corners in places:
        low, high = corners.min(axis=0), corners.max(axis=0)
        rim = _RIM * (high - low)
        (left, top), (right, bottom) = (low - rim).clip(0).astype(int), (high + rim).astype(int)
        close = full[top:bottom, left:right]
        for times in _ENLARGED if close.size else ():
            larger = cv2.resize(close, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
            found, _, _ = _read_codes(cv2.QRCodeDetectorAruco(), larger)
            if found:
                texts |= found
                break
    return texts


def _n_markers(grey: Grey) -> int:
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50)
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    return 0 if ids is None else len(ids)


def _shrink(grey: Grey, long_side_px: int) -> Grey:
    import cv2

    scale = long_side_px / max(grey.shape)
    if scale >= 1:
        return grey
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))


def _read_grey(path: Path, long_side_px: int | None) -> Grey:

    heif = path.suffix.lower() in HEIF_SUFFIXES
    grey = _read_heif(path) if heif else _decode(path, long_side_px)
    return grey if long_side_px is None else _shrink(grey, long_side_px)


def _decode(path: Path, long_side_px: int | None) -> Grey:
    import cv2

    flag = cv2.IMREAD_GRAYSCALE if long_side_px is None else _flag(path, long_side_px)
    data = np.frombuffer(path.read_bytes(), np.uint8)
    try:
        decoded = cv2.imdecode(data, flag) if data.size else None
    except cv2.error:  # a size that it does not take
        decoded = None
    if decoded is None:
        raise PhotoRefused("unreadable", where=path)
    return np.asarray(decoded)


def _flag(path: Path, long_side_px: int) -> int:
    import cv2
    from PIL import Image

    try:
        with Image.open(path) as image:
            long_side = max(image.size)
            fits = min(image.size) >= SIDE_MIN_PX and long_side <= SIDE_MAX_PX
            most = JPEG_PIXELS_MAX if image.format == "JPEG" else PIXELS_MAX
            fits = fits and image.width * image.height <= most
    except Exception:  # Pillow raises many kinds for a broken file
        raise PhotoRefused("unreadable", where=path) from None
    if not fits:
        raise PhotoRefused("unreadable", "the picture is too small or too large", path)
    for reduction in _REDUCTIONS:
        if long_side / reduction >= long_side_px:
            return int(getattr(cv2, f"IMREAD_REDUCED_GRAYSCALE_{reduction}"))
    return int(cv2.IMREAD_GRAYSCALE)


def _read_heif(path: Path) -> Grey:
    from PIL import Image
    from pillow_heif import register_heif_opener

    register_heif_opener()
    try:
        with Image.open(path) as image:
            return np.asarray(image.convert("L"))
    except Exception:  # Pillow raises many kinds for a broken file
        raise PhotoRefused("unreadable", where=path) from None
