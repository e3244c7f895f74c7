"""Photos under a lamp, a flash or at dusk are refused or doubted; photos by day are not."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image

from lawnscore.card.colourspace import decode_srgb, encode_srgb
from lawnscore.photo.daylight import MAX_FALL, MIN_FALL_PART, light_doubt, light_fall
from lawnscore.photo.exif import read_exif
from lawnscore.photo.score import PhotoScore, score_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"


def exif_of(seconds: float, f_number: float, iso: int, flash: int = 0) -> Image.Exif:
    tags = Image.Exif()
    inner = tags.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.ExposureTime] = seconds
    inner[ExifTags.Base.FNumber] = f_number
    inner[ExifTags.Base.ISOSpeedRatings] = iso
    inner[ExifTags.Base.Flash] = flash
    return tags


@pytest.mark.parametrize(("f_number", "seconds", "iso"), [(16, 1 / 100, 100), (8, 1 / 400, 100)])
def test_the_sunny_16_rule_is_light_of_the_full_sun(
    f_number: float, seconds: float, iso: int
) -> None:
    """The photographers' rule of thumb (common practice, no source): f/16 at one over the ISO
    speed in full sun, which gives 60,000 to 110,000 lux (from memory)."""
    notes = read_exif(exif_of(seconds, f_number, iso).tobytes(), (400, 300))
    assert notes.exposed_for_lux is not None
    assert 50_000 < notes.exposed_for_lux < 110_000


def test_no_exposure_is_not_known() -> None:
    assert read_exif(exif_of(0.0, 2.0, 100).tobytes(), (4, 3)).exposed_for_lux is None
    assert read_exif(None, (4, 3)).exposed_for_lux is None


def scored(tmp_path: Path, exif: Image.Exif | None) -> PhotoScore:
    path = tmp_path / "photo.jpg"
    with Image.open(SAMPLES / "first.jpg") as sample:
        sample.save(path, quality=92, **({"exif": exif} if exif is not None else {}))
    return score_photo(path, SAMPLES / "card.txt")


@pytest.mark.parametrize(
    ("exif", "reason"),
    [
        (exif_of(1 / 20, 1.8, 800), "lamplit"),  # 20 lux: a street lamp
        (exif_of(1 / 60, 1.8, 100, flash=1), "lamplit"),  # 500 lux, of the flash
        (exif_of(1 / 60, 1.8, 100, flash=16), None),  # the same, flash off: a dark day
        (exif_of(1 / 1500, 1.8, 50), None),
        (None, None),
    ],
)
def test_what_the_camera_wrote_tells_lamp_from_day(
    tmp_path: Path, exif: Image.Exif | None, reason: str | None
) -> None:
    score = scored(tmp_path, exif)
    assert score.row["reason"] == reason
    if reason:
        assert "lux" in str(score.row["detail"])


def test_light_that_falls_off_as_under_a_lamp_is_doubted(tmp_path: Path) -> None:
    picture = cv2.imread(str(SAMPLES / "first.jpg"))[..., ::-1]
    height, width = picture.shape[:2]
    y, x = np.mgrid[:height, :width]
    away = np.hypot(x - width / 2, y - height / 2) / (0.5 * width)
    lamp = (1 + away**2)[..., None] ** -2.0
    path = tmp_path / "lamp.png"
    lit = encode_srgb(np.clip(1.3 * lamp * decode_srgb(picture / 255.0), 0, 1))
    cv2.imwrite(str(path), np.rint(255 * lit).astype(np.uint8)[..., ::-1])
    score = score_photo(path, SAMPLES / "card.txt")
    assert not score.refused
    assert "as under a lamp" in str(score.row["detail"])


class _Plain:
    def correct(self, rgb: np.ndarray) -> np.ndarray:
        return rgb


def ground_of(level: np.ndarray) -> Any:
    rgb = np.rint(255 * np.repeat(level[..., None], 3, axis=2)).astype(np.uint8)
    return SimpleNamespace(rgb=rgb, mask=np.zeros(level.shape, dtype=bool))


def paper_of(rgb: tuple[float, float, float]) -> Any:
    return SimpleNamespace(patch_rgb=np.array([rgb]), patch_ok=np.array([True]))


WHITE = (0.8, 0.8, 0.8)


def test_a_smooth_fall_is_measured_and_an_edge_of_shade_is_none() -> None:
    y, x = np.mgrid[:640, :640] / 640.0
    smooth = 0.8 * np.exp(-1.5 * x)
    fall, part = light_fall(ground_of(smooth), _Plain())
    # Means of blocks and percentiles take a little off exp(1.5) = 4.5.
    assert 3.9 < fall < 4.5
    assert part > 0.98
    rng = np.random.default_rng(0)
    blotched = 0.3 * np.exp(0.8 * np.sign(np.sin(25 * x + 9 * y)) + rng.normal(0, 0.1, x.shape))
    fall, part = light_fall(ground_of(np.clip(blotched, 0, 1)), _Plain())
    assert fall < MAX_FALL or part < MIN_FALL_PART


def test_coloured_light_is_doubted_by_the_paper() -> None:
    even = ground_of(np.full((640, 640), 0.4))
    assert light_doubt(even, _Plain(), paper_of(WHITE)) == ""
    assert light_doubt(even, _Plain(), paper_of((0.9, 0.83, 0.74))) == ""  # a warm evening
    assert "coloured" in light_doubt(even, _Plain(), paper_of((0.95, 0.72, 0.42)))
