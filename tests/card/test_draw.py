from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image
from pypdf import PdfReader

from lawnscore.card.design import card_design
from lawnscore.card.draw import card_image, draw_card
from lawnscore.contract.errors import LawnscoreError

TURF = ("turf-a5", "turf-a4", "turf-letter")


def _page(path: Path, dpi: float) -> np.ndarray:
    document = pypdfium2.PdfDocument(path)
    image = document[0].render(scale=dpi / 72).to_numpy()[..., 2::-1].copy()
    document.close()
    return image


@pytest.mark.parametrize("name", TURF)
def test_raster_has_the_patches_in_their_places(name: str) -> None:
    design = card_design(name)
    image = card_image(design, dpi=75)
    scale = 75 / 25.4
    assert image.shape[:2] == (round(design.height_mm * scale), round(design.width_mm * scale))
    for patch in design.patches:
        x, y = (int(v * scale) for v in patch.centre_mm)
        assert tuple(image[y, x]) == patch.srgb


@pytest.mark.parametrize("name", TURF)
def test_pdf_is_true_to_size_and_has_the_patches(name: str, tmp_path: Path) -> None:
    design = card_design(name)
    draw_card(design, tmp_path / "card.pdf")
    box = PdfReader(tmp_path / "card.pdf").pages[0].mediabox
    sides = (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72)
    assert sides == pytest.approx((design.width_mm, design.height_mm), abs=0.05)
    image = _page(tmp_path / "card.pdf", 150)
    for patch in design.patches:
        x, y = (int(v * 150 / 25.4) for v in patch.centre_mm)
        assert np.abs(image[y, x].astype(int) - patch.srgb).max() <= 1


def test_scale_bar_of_the_pdf_measures_100_mm(tmp_path: Path) -> None:
    design = card_design("turf-a5")
    draw_card(design, tmp_path / "card.pdf")
    dpi = 600
    image = _page(tmp_path / "card.pdf", dpi)
    assert design.scale_bar_mm is not None
    (x0, y), _ = design.scale_bar_mm
    last = round((x0 + 110) * dpi / 25.4)  # a marker stands beyond
    row = image[round(y * dpi / 25.4), :last, 0] < 128
    start = round((x0 - 2) * dpi / 25.4)
    dark = np.flatnonzero(row[start:])
    length_mm = (dark[-1] - dark[0] + 1) * 25.4 / dpi
    assert length_mm == pytest.approx(100.0, abs=0.2)


def test_every_font_of_the_pdf_is_embedded(tmp_path: Path) -> None:
    draw_card(card_design("turf-a5"), tmp_path / "card.pdf")
    fonts = PdfReader(tmp_path / "card.pdf").pages[0]["/Resources"]["/Font"]  # type: ignore[index]
    assert len(fonts) >= 2
    for font in fonts.values():
        assert "/FontFile2" in font.get_object()["/FontDescriptor"]


def test_white_modules_of_a_marker_leave_no_hairline() -> None:
    image = card_image(card_design("turf-a5"), dpi=97)  # no module falls on whole pixels
    marker = card_design("turf-a5").markers[1]
    scale = 97 / 25.4
    x0, y0 = (v * scale for v in marker.corners_mm[0])
    module = 34 / 8 * scale
    # Modules (row 1, column 2) and (row 2, column 2) of this marker are both white.
    column = image[round(y0 + 1.3 * module) : round(y0 + 2.7 * module), round(x0 + 2.5 * module)]
    assert column.min() > 250


def test_png_tells_its_resolution_and_its_json_matches(tmp_path: Path) -> None:
    draw_card(card_design("turf-a5"), tmp_path / "card.png", dpi=60)
    with Image.open(tmp_path / "card.png") as image:
        assert image.info["dpi"] == pytest.approx((60, 60), abs=0.1)
        assert image.size == (496, 350)
    data = json.loads((tmp_path / "card.json").read_text())
    assert (data["width_mm"], data["height_mm"], data["name"]) == (210.0, 148.0, "turf-a5")
    assert len(data["patches"]) == 56
    assert data["patches"][1]["srgb"] == [28, 58, 32]
    assert [m["id"] for m in data["markers"]] == [47, 45, 42, 6]
    assert data["markers"][0]["corners_mm"][0] == [6.0, 6.0]


@pytest.mark.parametrize(
    ("name", "file", "message"),
    [
        ("turf-a5", "card.gif", "drawn as .pdf or .png"),
        ("chart24", "card.pdf", "bought chart"),
        ("turf-a5", "card.png/below/card.png", "cannot be written"),
    ],
)
def test_what_cannot_be_drawn(name: str, file: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "card.png").touch()
    with pytest.raises(LawnscoreError, match=message):
        draw_card(card_design(name), tmp_path / file, dpi=30)


@pytest.mark.parametrize("dpi", [0, 5000, float("nan")])
def test_resolution_out_of_range(dpi: float) -> None:
    with pytest.raises(LawnscoreError, match="dots per inch"):
        card_image(card_design("turf-a5"), dpi=dpi)
