"""Slips are found in photos of every format, turned any way, and never half read."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
import segno
from PIL import Image

from lawnscore.contract.errors import PhotoRefused
from lawnscore.filing.slip_code import SlipCode, slip_text
from lawnscore.filing.slip_finder import SlipSighting, find_slips

CODE = SlipCode("mill-lane-3", "shaded side", "before")


def photo(side: int, *, turn: float = 0.0, blur: float = 0.0, size: int = 1200) -> np.ndarray:
    """Return a square photo of noise with a slip's code of ``side`` px in its middle."""
    ground = np.random.default_rng(4).integers(30, 150, (size // 4, size // 4), np.uint8)
    ground = cv2.resize(ground, (size, size))
    stream = io.BytesIO()
    segno.make(slip_text(CODE), error="m", micro=False).save(stream, kind="png", scale=10, border=4)
    code = cv2.imdecode(np.frombuffer(stream.getvalue(), np.uint8), cv2.IMREAD_GRAYSCALE)
    scale = side / code.shape[0]
    matrix = cv2.getRotationMatrix2D((code.shape[0] / 2, code.shape[0] / 2), turn, scale)
    matrix[:, 2] += size / 2 - code.shape[0] / 2
    mask = cv2.warpAffine(np.full_like(code, 255), matrix, (size, size)) > 127
    seen = cv2.warpAffine(code, matrix, (size, size), flags=cv2.INTER_AREA)
    ground[mask] = seen[mask]
    return cv2.GaussianBlur(ground, (0, 0), blur) if blur else ground


def saved(path: Path, picture: np.ndarray, **options: object) -> Path:
    Image.fromarray(picture).save(path, **options)
    return path


@pytest.mark.parametrize("turn", [0, 37, 90, 200])
@pytest.mark.parametrize("side", [900, 400, 200])
def test_a_slip_is_read_however_it_lies(tmp_path: Path, side: int, turn: float) -> None:
    sighting = find_slips(saved(tmp_path / "a.jpg", photo(side, turn=turn)))
    assert (sighting.codes, sighting.fault, sighting.shows_card) == ((CODE,), "", False)


@pytest.mark.parametrize(
    "gone", [np.s_[500:700, 500:700], np.s_[600:900, 600:900], np.s_[560:640, 300:900]]
)
def test_a_slip_whose_code_is_torn_is_a_fault_not_a_lawn(
    tmp_path: Path, gone: tuple[slice, slice]
) -> None:
    picture = photo(600)
    picture[gone] = 128  # data are gone, the finder patterns are left
    sighting = find_slips(saved(tmp_path / "a.jpg", picture))
    assert (sighting.codes, sighting.fault) == ((), "it cannot be read")


def test_ground_alone_shows_nothing(tmp_path: Path) -> None:
    sighting = find_slips(saved(tmp_path / "a.jpg", photo(1)))
    assert sighting == SlipSighting(sharpness=sighting.sharpness)
    assert sighting.sharpness > 0


@pytest.mark.parametrize("name", ["a.png", "a.tif", "a.heic"])
def test_every_format(tmp_path: Path, name: str) -> None:
    pillow_heif.register_heif_opener()
    assert find_slips(saved(tmp_path / name, photo(300, size=480))).codes == (CODE,)


def test_a_large_photo_is_decoded_small(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.jpg", photo(900, size=4200), quality=60)
    assert find_slips(path).codes == (CODE,)


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.heic"])
@pytest.mark.parametrize("data", [b"", b"not a photo"])
def test_what_is_no_photo_is_refused(tmp_path: Path, name: str, data: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(PhotoRefused, match="not a photo"):
        find_slips(path)


def test_a_cut_off_jpeg_is_refused_or_read_but_never_breaks(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.jpg", photo(400))
    path.write_bytes(path.read_bytes()[:3000])
    try:
        assert find_slips(path).codes in ((), (CODE,))
    except PhotoRefused as refusal:
        assert refusal.reason == "unreadable"


def test_a_slip_is_read_beside_the_card_from_where_the_card_is_photographed(tmp_path: Path) -> None:
    """3 px a millimetre: 12 megapixels over 1.3 m, the card's own marks beside the code."""
    markers = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50)
    picture = cv2.resize(photo(1), (4000, 3000))
    for marker in range(4):
        drawn = cv2.copyMakeBorder(
            cv2.aruco.generateImageMarker(markers, marker, 80),
            20, 20, 20, 20, cv2.BORDER_CONSTANT, value=255,
        )  # fmt: skip
        x, y = 700 + 480 * (marker % 2), 900 + 300 * (marker // 2)
        picture[y : y + 120, x : x + 120] = drawn
    picture[1000:1150, 2500:2650] = photo(150, turn=8, size=150)
    path = saved(tmp_path / "a.jpg", cv2.GaussianBlur(picture, (0, 0), 1.2), quality=85)
    sighting = find_slips(path)
    assert (sighting.codes, sighting.fault, sighting.shows_card) == ((CODE,), "", True)
