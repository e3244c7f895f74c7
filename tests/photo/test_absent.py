"""Why no card is read: the advice must be that of what is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from lawnscore.card.chart24 import chart24_srgb
from lawnscore.card.colourspace import encode_srgb
from lawnscore.card.design import card_design
from lawnscore.card.draw import card_image
from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.absent import find_sheet
from lawnscore.photo.find import find_card, refuse_unreadable
from lawnscore.photo.read import Photo
from lawnscore.photo.sharpness import check_sharpness
from lawnscore.photo.softness import edge_blur_px, is_soft
from tests.photo.laid_card import DPI, lay_card, turf

SIZE = (1000, 750)


def _coded(light: np.ndarray) -> np.ndarray:
    return np.rint(255 * encode_srgb(np.clip(light, 0, 1))).astype(np.uint8)


def _photo(rgb: np.ndarray) -> Photo:
    height, width = rgb.shape[:2]
    return Photo(Path("made.jpg"), rgb, 1, width, height, "", None, 26.0, "")


def _refusal(photo: Photo, design: str | None = None) -> PhotoRefused:
    with pytest.raises(PhotoRefused) as caught:
        find_card(photo, None if design is None else card_design(design))
    return caught.value


def _grey(rgb: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)


def _moved(rgb: np.ndarray, length: int, angle_deg: float) -> np.ndarray:
    """The photo smeared along a line."""
    kernel = np.zeros((length, length), np.float32)
    kernel[length // 2] = 1 / length
    middle = (length - 1) / 2
    turn = cv2.getRotationMatrix2D((middle, middle), angle_deg, 1.0)
    line = cv2.warpAffine(kernel, turn, (length, length))
    return cv2.filter2D(rgb, -1, line / line.sum())


@pytest.mark.parametrize("spin", [10.0, 55.0])
@pytest.mark.parametrize("height_mm", [5000.0, 8000.0])
def test_a_card_too_far_away_is_coarse(spin: float, height_mm: float) -> None:
    """At 5 and 8 m a marker has 5 and 3 px: nobody can read it, but a sheet is plain to see."""
    refusal = _refusal(lay_card(height_mm=height_mm, spin_deg=spin).photo)
    assert refusal.reason == "coarse"
    assert "pixels long" in refusal.what
    assert "chest height" in refusal.mend


def test_a_card_seen_from_the_side_is_tilted() -> None:
    blank = np.full_like(card_image(card_design("turf-a5"), dpi=DPI), 235)
    photo = lay_card(sheet=blank, tilt_deg=55.0, at=(0.0, 0.0), height_mm=1200.0).photo
    assert _refusal(photo).reason == "tilted"


def test_a_blank_sheet_nearby_is_no_card() -> None:
    """Face down it has the right size and shape: it is the card that is missing."""
    blank = np.full_like(card_image(card_design("turf-a5"), dpi=DPI), 225)
    assert _refusal(lay_card(sheet=blank, gain=0.8).photo).reason == "cardless"


def test_daisies_and_stones_are_no_card() -> None:
    rng = np.random.default_rng(5)
    rgb = _coded(turf(SIZE, rng))
    for x, y, r in rng.uniform((20, 20, 4), (980, 730, 16), (12, 3)):
        cv2.circle(rgb, (round(x), round(y)), round(r), (240, 240, 236), -1, cv2.LINE_AA)
    assert find_sheet(rgb) is None
    assert _refusal(_photo(rgb)).reason == "cardless"
    alone = _coded(turf(SIZE, rng))
    cv2.ellipse(alone, (500, 300), (30, 21), 20, 0, 360, (240, 240, 236), -1, cv2.LINE_AA)
    assert find_sheet(alone) is None


@pytest.mark.parametrize("angle", [0.0, 30.0, 45.0, 90.0, 120.0])
def test_a_moved_camera_is_blurred_whichever_way_it_moved(angle: float) -> None:
    rgb = _moved(_coded(turf(SIZE, np.random.default_rng(2))), 15, angle)
    assert is_soft(_grey(rgb))


def test_sharp_turf_is_not_soft() -> None:
    rgb = _coded(turf(SIZE, np.random.default_rng(2)))
    assert not is_soft(_grey(rgb))
    assert is_soft(_grey(cv2.GaussianBlur(rgb, (0, 0), 3.0)))


def _indoors(blur_px: float = 0.7) -> np.ndarray:
    """A 24-patch chart on a table: large flat areas with sharp edges, and no texture at all."""
    rgb = np.full((900, 1200, 3), 150, np.uint8)
    rgb[:, :500] = (120, 110, 100)
    cv2.rectangle(rgb, (330, 250), (870, 620), (28, 28, 28), -1)
    for n, (_, colour) in enumerate(chart24_srgb("chart24")):
        x, y = 345 + n % 6 * 87, 262 + n // 6 * 87
        cv2.rectangle(rgb, (x, y), (x + 74, y + 74), tuple(int(c) for c in colour), -1)
    turned = cv2.warpAffine(
        rgb, cv2.getRotationMatrix2D((600, 450), 8, 1.0), (1200, 900), borderMode=cv2.BORDER_REFLECT
    )
    soft = cv2.GaussianBlur(turned, (0, 0), blur_px).astype(np.float64)
    return np.clip(soft + np.random.default_rng(0).normal(0, 1.5, soft.shape), 0, 255).astype(
        np.uint8
    )


def test_a_chart_in_place_of_the_card_is_cardless_not_blurred() -> None:
    assert _refusal(_photo(_indoors())).reason == "cardless"


def test_a_chart_out_of_focus_is_blurred() -> None:
    soft = _photo(_indoors(blur_px=8.0))
    assert _refusal(soft).reason == "blurred"
    assert is_soft(_grey(soft.rgb))


def test_one_marker_of_a_blurred_card_says_blurred() -> None:
    """Two of the markers are hidden under leaves and the rest is out of focus."""
    laid = lay_card(height_mm=700.0)
    soft = replace(laid.photo, rgb=cv2.GaussianBlur(laid.photo.rgb, (0, 0), 5.0))
    assert _refusal(soft).reason == "blurred"


@pytest.mark.parametrize("blur_px", [0.8, 1.5, 2.5])
def test_the_blur_of_edges_is_read_in_pixels(blur_px: float) -> None:
    """A chequerboard turned by 20 degrees and blurred by a Gaussian, as in the notes."""
    board = np.kron(np.indices((10, 10)).sum(axis=0) % 2, np.ones((320, 320)))
    turn = cv2.getRotationMatrix2D((1600, 1600), 20, 1.0)
    board = cv2.warpAffine((160 * board + 40).astype(np.float32), turn, (3200, 3200))
    board = board[400:2800, 400:2800]
    large = cv2.GaussianBlur(board, (0, 0), 4 * blur_px)
    grey = np.rint(cv2.resize(large, (600, 600), interpolation=cv2.INTER_AREA)).astype(np.uint8)
    assert edge_blur_px(grey) == pytest.approx(np.hypot(blur_px, 0.29), rel=0.1)


def test_a_card_with_burnt_paper_out_of_focus_is_blurred() -> None:
    """White flows over the markers, and their edges look sharper than they are."""
    laid = lay_card(gain=1.4, blur_px=2.2, height_mm=900.0)
    check = check_sharpness(laid.photo, find_card(laid.photo))
    assert not check.passed
    assert check.value < 2.2 * laid.mm_per_px


def test_patches_too_far_to_be_read_are_coarse_not_covered() -> None:
    """Two markers are read, the patches are too few pixels wide."""
    laid = lay_card(height_mm=1000.0)
    fit = find_card(laid.photo)
    for mm, reason in ((0.9, "covered"), (2.6, "coarse")):
        far = replace(fit, mm_per_px=mm, patch_state=("uneven",) * len(fit.patch_state))
        with pytest.raises(PhotoRefused) as caught:
            refuse_unreadable(laid.photo, far)
        assert caught.value.reason == reason
