from __future__ import annotations

import cv2
import numpy as np
import pytest

from lawnscore.card.design import card_design
from lawnscore.card.draw import card_image
from lawnscore.photo.marker_codes import detect_markers, sharpen_corners

A5 = card_design("turf-a5")


def _laid(side_px: int, *, turns: int = 0, noise: float = 3.0) -> np.ndarray:
    """Return a grey photo of the card; its markers are ``side_px`` wide."""
    size = (round(210 * side_px / 34), round(148 * side_px / 34))
    sheet = cv2.resize(card_image(A5, dpi=100), size, interpolation=cv2.INTER_AREA)
    sheet = np.rot90(sheet, turns)
    canvas = np.full((400, 500), 60, np.uint8)
    grey = cv2.cvtColor(np.ascontiguousarray(sheet), cv2.COLOR_RGB2GRAY)
    canvas[100 : 100 + grey.shape[0], 150 : 150 + grey.shape[1]] = grey
    grain = np.random.default_rng(0).normal(0, noise, canvas.shape)
    return np.clip(canvas + grain, 0, 255).astype(np.uint8)


def _overflown(grey: np.ndarray) -> np.ndarray:
    """Let the white flow over the dark by a pixel, as burnt paper does; grey stays grey."""
    return cv2.GaussianBlur(cv2.dilate(grey, np.ones((3, 3), np.uint8)), (0, 0), 0.8)


@pytest.mark.parametrize(("side_px", "read"), [(12, False), (16, True), (20, True)])
def test_least_size_of_a_marker(side_px: int, read: bool) -> None:
    """All are read from 16 px a side on, none below the least asked for."""
    assert (len(detect_markers(_laid(side_px), least_px=13.0).found) == 4) is read


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_overflown_markers_are_read_and_their_corners_stand_in_order(turns: int) -> None:
    grey = _overflown(_laid(34, turns=turns))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50)
    plain = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)[1]
    assert plain is None or len(plain) < 4, "OpenCV alone reads them: the case is too easy"
    found = sharpen_corners(grey, detect_markers(grey, least_px=13.0).found)
    assert sorted(found) == sorted(m.id for m in A5.markers)
    across = np.array([[1.0, 0.0], [0.0, -1.0], [-1.0, 0.0], [0.0, 1.0]])[turns]
    for quad in found.values():
        top = quad[1] - quad[0]  # from the marker's own top left to its top right
        assert top @ across == pytest.approx(34.0, abs=3.5)


def test_mirrored_markers_are_told_apart() -> None:
    seen = detect_markers(np.ascontiguousarray(_laid(24)[:, ::-1]), least_px=13.0)
    assert not seen.found
    assert sorted(seen.mirrored) == sorted(m.id for m in A5.markers)


def test_a_marker_at_two_places_is_left_out() -> None:
    grey = _laid(24)
    twice = np.hstack([grey, grey[:, 150:200]])
    seen = detect_markers(np.ascontiguousarray(twice), least_px=13.0)
    assert len(seen.found) == 2


def test_markers_of_no_card_of_ours_are_not_seen() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50)
    canvas = np.full((200, 200), 255, np.uint8)
    canvas[50:130, 50:130] = cv2.aruco.generateImageMarker(dictionary, 1, 80)
    assert not detect_markers(canvas, least_px=13.0).found


def test_noise_is_no_marker() -> None:
    noise = np.random.default_rng(5).integers(0, 256, (600, 800)).astype(np.uint8)
    seen = detect_markers(cv2.GaussianBlur(noise, (0, 0), 3.0), least_px=8.0, thorough=True)
    assert not seen.found
    assert not seen.mirrored
