from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from lawnscore.card.chart24 import chart24_srgb
from lawnscore.card.colourspace import ciede2000, decode_srgb, encode_srgb, linear_to_lab
from lawnscore.card.design import card_design
from lawnscore.card.draw import card_image
from lawnscore.card.learn import combine_references, save_reference
from lawnscore.card.reference import load_reference, nominal_reference
from lawnscore.contract.errors import LawnscoreError
from lawnscore.photo.learn_card import learn_card
from tests.photo.laid_card import turf

A5 = card_design("turf-a5")
needs_mcc = pytest.mark.skipif(not hasattr(cv2, "mcc"), reason="OpenCV without a chart detector")


def _chart(px_per_mm: float) -> np.ndarray:
    design = card_design("chart24")
    image = np.full(
        (round(design.height_mm * px_per_mm), round(design.width_mm * px_per_mm), 3), 28, np.uint8
    )
    for patch, (_, srgb) in zip(design.patches, chart24_srgb("chart24"), strict=True):
        (x, y), (w, h) = patch.centre_mm, patch.size_mm
        rows = slice(round((y - h / 2) * px_per_mm), round((y + h / 2) * px_per_mm))
        columns = slice(round((x - w / 2) * px_per_mm), round((x + w / 2) * px_per_mm))
        image[rows, columns] = srgb
    return image


def _faded(dpi: float) -> np.ndarray:
    """Return the A5 card as a printer off its mark gives it: less magenta ink."""
    linear = decode_srgb(card_image(A5, dpi=dpi) / 255)
    linear[..., 1] = linear[..., 1] ** 0.9
    return np.rint(255 * encode_srgb(linear)).astype(np.uint8)


def _photo(path: Path, left: np.ndarray, right: np.ndarray) -> Path:
    rng = np.random.default_rng(0)
    light = turf((1300, 700), rng)
    for sheet, x in ((left, 60), (right, 700)):
        light[80 : 80 + sheet.shape[0], x : x + sheet.shape[1]] = decode_srgb(sheet / 255)
    light = cv2.GaussianBlur(light, (0, 0), 0.6) * np.array([0.8, 0.75, 0.55])
    code = encode_srgb(np.clip(light + rng.normal(0, 0.002, light.shape), 0, 1))
    code = code + 0.6 * (code - 0.42) * code * (1 - code)
    cv2.imwrite(str(path), np.rint(255 * np.clip(code, 0, 1)).astype(np.uint8)[..., ::-1])
    return path


def _true() -> np.ndarray:
    linear = decode_srgb(np.array([p.srgb for p in A5.patches]) / 255)
    linear[:, 1] = linear[:, 1] ** 0.9
    return linear


@needs_mcc
def test_card_is_learned_beside_a_chart(tmp_path: Path) -> None:
    photo = _photo(tmp_path / "two.png", _chart(1.6), _faded(55))
    learned = learn_card(photo, beside="chart24", name="card 3")
    assert learned.reference.source == "learned"
    assert learned.n_patches >= 50
    known = np.isfinite(learned.reference.linear_srgb).all(axis=1)
    lab = linear_to_lab(learned.reference.linear_srgb[known])
    off = ciede2000(lab, linear_to_lab(_true()[known]))
    nominal = ciede2000(
        linear_to_lab(nominal_reference(A5).linear_srgb[known]), linear_to_lab(_true()[known])
    )
    assert np.median(off) < 1.0 < np.median(nominal)
    assert learned.se_delta_e < 3.0
    for name in ("card.json", "card.txt"):
        save_reference(learned.reference, tmp_path / name)
        again = load_reference(name, base=tmp_path)
        assert again is not None
        assert (again.source, again.name) == ("learned", "card 3")
        np.testing.assert_allclose(
            again.linear_srgb[known], learned.reference.linear_srgb[known], atol=2e-4
        )


def test_a_new_card_is_linked_to_the_old(tmp_path: Path) -> None:
    photo = _photo(tmp_path / "two.png", card_image(A5, dpi=55), _faded(55))
    learned = learn_card(photo, beside="turf-a5", card="turf-a5")
    known = np.isfinite(learned.reference.linear_srgb).all(axis=1)
    off = ciede2000(
        linear_to_lab(learned.reference.linear_srgb[known]), linear_to_lab(_true()[known])
    )
    assert np.median(off) < 0.8


def test_two_cards_of_one_design_must_be_named(tmp_path: Path) -> None:
    photo = _photo(
        tmp_path / "two.png", card_image(A5, dpi=55), turf((90, 90), np.random.default_rng(1)) * 0
    )
    with pytest.raises(LawnscoreError, match="of one design"):
        learn_card(photo, beside="turf-a5")


def test_photos_of_one_card_are_combined() -> None:
    one = nominal_reference(A5)
    rng = np.random.default_rng(3)
    many = [
        type(one)(A5, "x", one.linear_srgb + rng.normal(0, 0.01, (56, 3)), "learned", one.linear_se)
        for _ in range(6)
    ]
    both = combine_references(many, "card")
    z = (both.linear_srgb - one.linear_srgb) / both.linear_se
    # Student's t with 5 degrees of freedom has a spread of 1.29.
    assert 1.0 < z.std() < 1.7


def test_cards_are_combined_only_with_their_like() -> None:
    with pytest.raises(LawnscoreError, match="different cards"):
        combine_references(
            [nominal_reference(A5), nominal_reference(card_design("turf-a4"))], "card"
        )
    with pytest.raises(LawnscoreError, match="nothing"):
        combine_references([], "card")


def test_colours_are_kept_as_text_or_json(tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match=r"\.txt or \.json"):
        save_reference(nominal_reference(A5), tmp_path / "card.xls")
