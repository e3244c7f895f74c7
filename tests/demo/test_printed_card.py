from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lawnscore.card.colourspace import ciede2000, decode_srgb, linear_to_lab
from lawnscore.card.design import card_design
from lawnscore.card.reference import load_reference
from lawnscore.demo.camera import CAMERAS, Light
from lawnscore.demo.ink import CALIBRATED, Ink, ink_spectra, printed_spectra
from lawnscore.demo.printed_card import print_card, printed_reference, write_cgats

DESIGN = card_design("turf-a5")


def test_no_ink_is_paper_and_full_ink_is_dark() -> None:
    paper, black = ink_spectra([[0, 0, 0, 0], [0, 0, 0, 1]], CALIBRATED)
    assert paper[15] == pytest.approx(0.87, abs=0.01)
    assert black.max() < 0.08


def test_half_cover_follows_yule_and_nielsen() -> None:
    # n = 2: the square roots of paper and ink are averaged by cover.
    paper, solid, half = ink_spectra([[0, 0, 0, 0], [0, 0, 0, 1], [0, 0, 0, 0.5]], CALIBRATED)
    assert np.allclose(half, (0.5 * np.sqrt(paper) + 0.5 * np.sqrt(solid)) ** 2)


def test_office_print_is_near_the_file_but_honest() -> None:
    nominal = decode_srgb(np.array([p.srgb for p in DESIGN.patches]) / 255.0)
    error = ciede2000(linear_to_lab(nominal), linear_to_lab(printed_reference(DESIGN)))
    assert 3.0 < error.mean() < 6.0


def test_measured_file_reads_back_as_printed(tmp_path: Path) -> None:
    path = tmp_path / "card.txt"
    write_cgats(DESIGN, path)
    card = load_reference(str(path))
    assert card is not None and card.source == "measured"
    true = linear_to_lab(printed_reference(DESIGN))
    # The file is under D50 and adapted by Bradford on reading: metamerism leaves a little.
    assert ciede2000(linear_to_lab(card.linear_srgb), true).max() < 1.5


def test_a_faded_card_moves() -> None:
    new, old = printed_reference(DESIGN), printed_reference(DESIGN, replace(Ink(), fade=0.6))
    assert ciede2000(linear_to_lab(new), linear_to_lab(old)).mean() > 2.0


def test_metamerism_is_real() -> None:
    """A print that looks like a leaf to the observer does not to a camera."""
    from lawnscore.demo import spectra

    leaf = spectra.leaf(2.0)
    wanted = np.cbrt(spectra.to_linear_srgb(leaf))
    grid = np.array(np.meshgrid(*[np.linspace(0, 1, 9)] * 3, [0, 0.3])).reshape(4, -1).T
    inks = ink_spectra(grid, CALIBRATED)
    nearest = inks[np.argmin(np.abs(np.cbrt(spectra.to_linear_srgb(inks)) - wanted).sum(axis=1))]
    light = Light()
    off = []
    for camera in CAMERAS.values():
        both = (np.array([leaf, nearest]) * light.total_spectrum()) @ camera.to_linear(light)
        off.append(both[0] / both[1])
    assert np.ptp(np.array(off), axis=0).max() > 0.05


def test_raster_has_every_patch_where_the_design_says() -> None:
    card = print_card("turf-a5")
    for n, patch in enumerate(DESIGN.patches):
        x, y = (round(v / card.mm_per_px) for v in patch.centre_mm)
        assert card.number[y, x] == 16 + n
    assert np.allclose(
        card.patch_reflectance, printed_spectra([p.srgb for p in DESIGN.patches], Ink())
    )
