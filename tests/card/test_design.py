from __future__ import annotations

import cv2
import numpy as np
import pytest

from lawnscore.card.colourspace import ciede2000, decode_srgb, linear_to_lab
from lawnscore.card.design import (
    DESIGNS,
    MARKER_DICTIONARY,
    CardDesign,
    card_design,
    design_names,
    size_warning,
)
from lawnscore.card.draw import marker_code
from lawnscore.contract.errors import LawnscoreError

TURF = ("turf-a5", "turf-a4", "turf-letter")
# ISO 216 (A5, A4) and ANSI/ASME Y14.1 (Letter, 8.5 x 11 in), landscape.
SHEETS = {"turf-a5": (210, 148), "turf-a4": (297, 210), "turf-letter": (279.4, 215.9)}


@pytest.fixture(params=TURF)
def design(request: pytest.FixtureRequest) -> CardDesign:
    return card_design(request.param)


def _boxes(design: CardDesign) -> np.ndarray:
    patches = [
        (x - w / 2, y - h / 2, x + w / 2, y + h / 2)
        for (x, y), (w, h) in ((p.centre_mm, p.size_mm) for p in design.patches)
    ]
    markers = [(*m.corners_mm[0], *m.corners_mm[2]) for m in design.markers]
    return np.array(patches + markers)


def test_card_fills_its_sheet(design: CardDesign) -> None:
    assert (design.width_mm, design.height_mm) == SHEETS[design.name]


def test_nothing_overlaps_or_leaves_the_sheet(design: CardDesign) -> None:
    box = _boxes(design)
    assert box.min() >= 3.0
    assert np.all(box[:, 2:] <= np.array([design.width_mm, design.height_mm]) - 3.0)
    for i in range(len(box)):
        apart = (box[:, 0] > box[i, 2]) | (box[i, 0] > box[:, 2])
        apart |= (box[:, 1] > box[i, 3]) | (box[i, 1] > box[:, 3])
        apart[i] = True
        assert apart.all()


def test_patches_are_enough_and_large(design: CardDesign) -> None:
    neutral = [p for p in design.patches if p.kind == "neutral"]
    assert len({p.srgb for p in neutral}) >= 8
    assert min(p.srgb[0] for p in neutral) < 30
    assert max(p.srgb[0] for p in neutral) == 255
    assert len(design.patches) - len(neutral) >= 18
    assert min(min(p.size_mm) for p in design.patches) >= 12.0
    assert len({p.name for p in design.patches}) == len(design.patches)


def test_lightness_of_the_ramp_does_not_go_with_the_place(design: CardDesign) -> None:
    ramp = [p for p in design.patches if p.name.startswith("neutral")]
    x = np.array([p.centre_mm[0] for p in ramp])
    x = x - x.mean()
    step = np.array([p.srgb[0] for p in ramp])
    assert abs(np.corrcoef(x, step)[0, 1]) < 0.02
    assert abs(np.corrcoef(x**2, step)[0, 1]) < 0.02


def test_markers_have_a_quiet_zone(design: CardDesign) -> None:
    box = _boxes(design)
    n = len(design.patches)
    for m in box[n:]:
        module = (m[2] - m[0]) / 8
        near = box[:n]
        dx = np.maximum(np.maximum(near[:, 0] - m[2], m[0] - near[:, 2]), 0)
        dy = np.maximum(np.maximum(near[:, 1] - m[3], m[1] - near[:, 3]), 0)
        assert np.hypot(dx, dy).min() >= module


def test_sheets_share_no_marker() -> None:
    ids = [m.id for name in TURF for m in card_design(name).markers]
    assert len(set(ids)) == 12


def test_dictionary_corrects_six_bits() -> None:
    # OpenCV 4.10 and 5.0: 6x6_50 corrects 6 bits, 4x4_50 a single one.
    found = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    assert found.maxCorrectionBits == 6
    assert cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50).maxCorrectionBits == 1


def test_mirrored_markers_are_far_from_every_marker() -> None:
    codes = [marker_code(i) for i in range(50)]
    for name in TURF:
        for marker in card_design(name).markers:
            mirrored = codes[marker.id][:, ::-1]
            far = min(
                int((np.rot90(mirrored, k) != code).sum()) for k in range(4) for code in codes
            )
            assert far > 6


def test_scale_bar_is_100_mm(design: CardDesign) -> None:
    assert design.scale_bar_mm is not None
    (x0, y0), (x1, y1) = design.scale_bar_mm
    assert (x1 - x0, y1 - y0) == (100.0, 0.0)


def test_chart24_has_six_by_four_patches() -> None:
    chart = card_design("chart24")
    assert len(chart.patches) == 24
    assert [p.kind for p in chart.patches].count("neutral") == 6
    assert not chart.markers


def test_designs_hold_every_name() -> None:
    assert all(DESIGNS[name].name == name for name in design_names())
    with pytest.raises(KeyError):
        DESIGNS["turf-a0"]


def test_unknown_card_is_told_with_the_names_there_are() -> None:
    with pytest.raises(LawnscoreError, match=r"no card is named `x`.*turf-a5"):
        card_design("x")


def test_a_chart_may_say_how_large_it_is() -> None:
    usual, small = card_design("chart24"), card_design("chart24:105")
    assert small.width_mm == usual.width_mm / 2
    for a, b in zip(usual.patches, small.patches, strict=True):
        assert (b.name, b.srgb) == (a.name, a.srgb)
        assert np.allclose(2 * np.array(b.centre_mm), a.centre_mm, atol=0.01)
    first, last = small.patches[0].centre_mm, small.patches[5].centre_mm
    assert last[0] - first[0] == pytest.approx(105.0)


def test_a_chart_of_unknown_size_says_so_and_how_to_mend_it() -> None:
    warning = size_warning(card_design("chart24-1976"))
    assert "size of the chart is not known" in warning
    assert "chart24-1976:MM" in warning
    assert size_warning(card_design("chart24:210")) == ""
    assert size_warning(card_design("turf-a5")) == ""


@pytest.mark.parametrize("name", ["chart24:", "chart24:small", "chart24:5", "chart24:2100"])
def test_a_size_that_no_chart_has_is_told(name: str) -> None:
    with pytest.raises(LawnscoreError, match="no size of a chart"):
        card_design(name)


def _lab(srgb: np.ndarray) -> np.ndarray:
    return linear_to_lab(decode_srgb(np.asarray(srgb) / 255.0))


@pytest.mark.parametrize("edition", ["chart24", "chart24-1976"])
def test_vivid_patches_are_not_those_of_the_classic_chart(edition: str) -> None:
    # McCamy, Marcus & Davidson 1976 and the edition of 2014, as shipped in colour-science.
    chart = _lab(np.array([p.srgb for p in card_design(edition).patches[:18]]))
    card = [p for p in card_design("turf-a5").patches if p.name.startswith("hue-")]
    card += [p for p in card_design("turf-a5").patches if p.name == "turf-lime"]
    apart = ciede2000(_lab(np.array([p.srgb for p in card]))[:, None], chart[None])
    assert len(card) == 13
    assert apart.min() >= 8.0
    order = [int(i) for i in apart.argmin(axis=1)[:12]]
    steps = np.diff(order)
    assert np.count_nonzero(steps == 1) < 3  # nor do they stand in its order


def test_vivid_patches_are_evenly_spaced_hues_at_two_levels() -> None:
    card = [p for p in card_design("turf-a5").patches if p.name.startswith("hue-")]
    lab = _lab(np.array([p.srgb for p in card]))
    hue = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    assert np.allclose(hue, 10 + 30 * np.arange(12), atol=1.5)
    assert np.allclose(lab[0::2, 0], 62, atol=1.0)
    assert np.allclose(lab[1::2, 0], 40, atol=1.0)
    assert [p.name for p in card] == [
        f"hue-{10 + 30 * k:03d}-{'deep' if k % 2 else 'light'}" for k in range(12)
    ]


def test_patches_have_the_colours_that_their_names_say() -> None:
    """Turf is green above all, straw and soil red above blue, neutral patches grey."""
    for patch in card_design("turf-a5").patches:
        r, g, b = patch.srgb
        if patch.name.startswith("turf"):
            assert g == max(patch.srgb), patch.name
        elif patch.name.startswith(("straw", "soil", "thatch", "tan", "sand")):
            assert r > g > b, patch.name
        elif patch.kind == "neutral":
            assert r == g == b, patch.name
