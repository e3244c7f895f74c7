"""The picture of what was seen."""

from __future__ import annotations

import itertools
from dataclasses import replace

import cv2
import numpy as np
import pytest

from lawnscore.card.colourspace import ciede2000, decode_srgb, linear_to_lab
from lawnscore.photo import overlay
from lawnscore.photo.classes import SURFACES
from lawnscore.photo.overlay import PALETTE, PANEL_PX, corrected_ground, draw_overlay
from lawnscore.photo.score import PhotoViews, score_photo
from tests.photo import rendered


@pytest.fixture(scope="module")
def views(tmp_path_factory: pytest.TempPathFactory) -> PhotoViews:
    path = tmp_path_factory.mktemp("overlay") / "good.jpg"
    rendered.good().save_jpeg(path)
    seen = score_photo(path, keep_views=True).views
    assert seen is not None
    return seen


def test_every_surface_has_a_colour() -> None:
    assert set(PALETTE) == set(SURFACES)


@pytest.mark.filterwarnings("ignore:.*simulation of tritanomaly")
@pytest.mark.parametrize("kind", ["normal", "Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_colours_stay_apart_for_colour_blind_eyes(kind: str) -> None:
    # Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291, severity 1, from colour-science.
    import colour

    matrix = np.eye(3) if kind == "normal" else colour.matrix_cvd_Machado2009(kind, 1.0)
    linear = decode_srgb(np.array([PALETTE[name] for name in SURFACES]) / 255) @ matrix.T
    lab = linear_to_lab(np.clip(linear, 0, 1))
    for a, b in itertools.combinations(range(len(SURFACES)), 2):
        assert ciede2000(lab[a], lab[b]) > 18, (SURFACES[a], SURFACES[b])


def test_corrected_ground_looks_like_daylight(views: PhotoViews) -> None:
    ground = corrected_ground(views)
    assert ground.shape == views.ground.rgb.shape
    assert ground.dtype == np.uint8
    # The table of colours is coarse: it stays within a few steps of the exact correction.
    exact = views.colour_fit.correct(views.ground.rgb[::50, ::50])
    near = decode_srgb(ground[::50, ::50] / 255)
    assert np.median(np.abs(near - np.clip(exact, 0, 1))) < 0.02


def test_a_window_is_in_the_frame_of_the_card(views: PhotoViews) -> None:
    x0, y0 = views.ground.origin_mm
    window = (x0 + 100, y0 + 50, x0 + 300, y0 + 150)
    part = corrected_ground(views, window_mm=window)
    top, bottom, left, right = (round(mm / views.ground.mm_per_px) for mm in (50, 150, 100, 300))
    assert part.shape[:2] == (bottom - top, right - left)
    assert np.array_equal(part, corrected_ground(views)[top:bottom, left:right])
    with pytest.raises(ValueError, match="does not meet the ground"):
        corrected_ground(views, window_mm=(x0 - 500, y0, x0 - 400, y0 + 50))


def test_picture_has_both_panels_and_a_legend(views: PhotoViews) -> None:
    picture = draw_overlay(views)
    assert picture.dtype == np.uint8
    assert picture.shape[1] > 2 * 0.6 * PANEL_PX
    left, right = np.array_split(picture[60 : picture.shape[0] // 2], 2, axis=1)
    assert np.abs(left.astype(int).mean(axis=(0, 1)) - right.mean(axis=(0, 1))).max() > 5
    below = picture[-120:]
    for colour in PALETTE.values():
        assert (np.abs(below.astype(int) - colour).sum(axis=-1) < 6).sum() > 200


def test_what_is_left_out_is_hatched(views: PhotoViews) -> None:
    picture = draw_overlay(views)
    right = picture[:, picture.shape[1] // 2 :]
    line = (np.abs(right.astype(int) - (160, 165, 172)).sum(axis=-1) < 6).sum()
    plain = (np.abs(right.astype(int) - (205, 208, 212)).sum(axis=-1) < 6).sum()
    assert line > 500
    assert plain > 3 * line


@pytest.mark.parametrize("part", [1.0, 0.5])
def test_what_is_drawn_as_ground_is_what_was_measured(views: PhotoViews, part: float) -> None:
    """Ground that lies in no cell is left out: its edge is not drawn on as streaks."""
    whole = views.classes
    rows = round(part * len(whole.weight))
    classes = replace(
        whole,
        shares=whole.shares[:rows],
        weight=whole.weight[:rows],
        cast_score=whole.cast_score[:rows],
        shade=whole.shade[:rows],
    )
    panel, mm_per_px = overlay._class_panel(replace(views, classes=classes))
    hatch = np.array([overlay._HATCH, overlay._HATCH_LINE])
    shown = (panel[..., None, :] != hatch).any(axis=-1).all(axis=-1)
    measured_mm2 = (classes.weight > 0).sum() * classes.cell_mm**2
    assert shown.sum() * mm_per_px**2 == pytest.approx(measured_mm2, rel=0.01)


def test_the_ends_of_rows_have_the_hull_of_all_that_is_shown() -> None:
    shown = np.zeros((50, 70), np.uint8)
    cv2.fillPoly(shown, [np.array([[12, 5], [60, 20], [40, 47], [6, 30]])], 1)
    shown[20:28, 25:40] = 0  # the card
    ends = overlay._row_ends(shown == 1)
    ys, xs = np.nonzero(shown)
    every = cv2.convexHull(np.column_stack([xs, ys]).astype(np.int32))
    found = cv2.convexHull(ends.astype(np.int32))
    assert sorted(found.reshape(-1, 2).tolist()) == sorted(every.reshape(-1, 2).tolist())
