"""Every reason of refusal from a photo made to deserve it, from the file to its row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image

from lawnscore.card.colourspace import encode_srgb
from lawnscore.card.design import card_design
from lawnscore.card.draw import card_image
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.settings import ScoringSettings
from lawnscore.demo.camera import Light
from lawnscore.photo.score import Row, score_photo
from lawnscore.scoring.each_photo import Job, each_scored
from lawnscore.scoring.photo_source import LocalPhoto
from lawnscore.scoring.processes import Processes
from tests.photo import rendered
from tests.photo.laid_card import DPI, SIZE_PX, lay_card, turf

Pixels = np.ndarray


def bare_turf() -> Pixels:
    light = np.clip(turf(SIZE_PX, np.random.default_rng(1)), 0, 1)
    return np.rint(255 * encode_srgb(light)).astype(np.uint8)


def mostly_hidden() -> Pixels:
    sheet = card_image(card_design("turf-a5"), dpi=DPI).copy()
    sheet[:, : round(0.55 * sheet.shape[1])] = (70, 90, 40)
    sheet[: sheet.shape[0] // 2] = (70, 90, 40)
    return lay_card(sheet=sheet, tilt_deg=2.0, at=(0.0, 0.0)).photo.rgb


def other_inks() -> Pixels:
    """Each patch has the colour of another one: the card of some other print."""
    design = card_design("turf-a5")
    sheet = card_image(design, dpi=DPI).copy()
    step = DPI / 25.4
    for n, known in enumerate(design.patches):
        (x, y), (w, h) = known.centre_mm, known.size_mm
        rows = slice(round((y - h / 2) * step), round((y + h / 2) * step))
        columns = slice(round((x - w / 2) * step), round((x + w / 2) * step))
        sheet[rows, columns] = design.patches[n - 7].srgb
    return lay_card(sheet=sheet, blur_px=0.5, height_mm=600.0).photo.rgb


def in_the_shade() -> Pixels:
    light = Light(sun_share=0.85, sun_elevation_deg=50, shade="edge", shade_share=0.02)
    return rendered.shot(light=light, card_in_shade=True).rgb


MADE: dict[str, Callable[[], Pixels]] = {
    "cardless": bare_turf,
    "mirrored": lambda: rendered.good().rgb[:, ::-1],
    "blurred": lambda: rendered.blurred(rendered.good().rgb, 4.0),
    "overexposed": lambda: rendered.shot(camera=replace(rendered.CAMERA, exposure_ev=3.0)).rgb,
    "underexposed": lambda: rendered.shot(camera=replace(rendered.CAMERA, exposure_ev=-5.0)).rgb,
    "covered": mostly_hidden,
    "glaring": lambda: rendered.shot(card_glare=0.9).rgb,
    "tilted": lambda: rendered.shot(tilt_deg=46.0, tilt_azimuth_deg=90.0).rgb,
    "coarse": lambda: lay_card(height_mm=6000.0).photo.rgb,
    "cramped": lambda: lay_card("turf-a4", tilt_deg=2.0, height_mm=330.0, at=(0, 0)).photo.rgb,
    "shaded": in_the_shade,
    "miscoloured": other_inks,
}
"""Photos by the reason that they deserve; the others have tests of their own below."""


def row_of(folder: Path, rgb: Pixels) -> Row:
    path = folder / "photo.png"
    cv2.imwrite(str(path), np.ascontiguousarray(rgb[..., ::-1]))
    return score_photo(path).row


@pytest.mark.parametrize("reason", MADE)
def test_a_photo_that_deserves_it_is_refused_for_that_reason(tmp_path: Path, reason: str) -> None:
    row = row_of(tmp_path, MADE[reason]())
    assert (row["status"], row["reason"]) == ("refused", reason)
    assert row["detail"]
    assert all(row[name] is None for name in MEASURES)


def test_a_photo_at_night_is_lamplit(tmp_path: Path) -> None:
    night = Image.Exif()
    detail = night.get_ifd(ExifTags.IFD.Exif)
    detail[ExifTags.Base.ExposureTime] = 1 / 15
    detail[ExifTags.Base.FNumber] = 1.8
    detail[ExifTags.Base.ISOSpeedRatings] = 800
    path = tmp_path / "night.jpg"
    Image.fromarray(rendered.good().rgb).save(path, quality=92, exif=night)
    row = score_photo(path).row
    assert (row["status"], row["reason"]) == ("refused", "lamplit")


@pytest.mark.parametrize("content", [b"", b"no photo", b"\xff\xd8\xff\xe0 cut short"])
def test_what_cannot_be_opened_is_unreadable(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "odd.jpg").write_bytes(content)
    row = score_photo(tmp_path / "odd.jpg").row
    assert (row["status"], row["reason"]) == ("refused", "unreadable")


def test_a_fault_of_the_program_is_no_fault_of_the_photo(tmp_path: Path) -> None:
    rendered.good().save_jpeg(tmp_path / "good.jpg")
    job = Job(None, None, ScoringSettings())
    with patch("lawnscore.photo.score.find_casts", side_effect=ZeroDivisionError("by nothing")):
        ((_, scored),) = each_scored(job, [LocalPhoto(tmp_path / "good.jpg")], Processes(0))
    assert (scored.row["status"], scored.row["reason"]) == ("refused", "failed")
    assert "ZeroDivisionError: by nothing" in scored.row["detail"]
    assert "find_casts" in scored.fault


def test_every_reason_of_the_registry_has_its_photo() -> None:
    assert {*MADE, "lamplit", "unreadable", "failed"} == set(REASONS)
