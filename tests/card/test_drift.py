from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lawnscore.card.colourspace import decode_srgb, encode_srgb, linear_to_lab
from lawnscore.card.design import card_design
from lawnscore.card.drift import CardResiduals, card_drift, dark_green_index
from lawnscore.contract.errors import LawnscoreError
from lawnscore.demo import spectra
from lawnscore.demo.camera import CAMERAS, Light
from lawnscore.demo.ink import Ink, printed_spectra
from lawnscore.photo.colour import patch_places
from lawnscore.photo.colour_model import fit_model, lab_of

A5 = card_design("turf-a5")
NOMINAL = [p.srgb for p in A5.patches]
REFERENCE = spectra.to_linear_srgb(printed_spectra(NOMINAL, Ink()))
LEAVES = np.array([spectra.leaf(c) for c in (1.0, 1.5, 2.5, 4.0)])
DATES = tuple(f"2024-{m:02d}-05" for m in range(1, 13))


def _photo(fade: float, seed: int, noise: float) -> tuple[np.ndarray, float]:
    """Return the residuals of one photo and the mean colour index it gives leaf."""
    rng = np.random.default_rng(seed)
    camera = CAMERAS["report-a"]
    light = Light(sun_share=float(rng.uniform(0, 0.7)), sky_cct_k=float(rng.uniform(6000, 8000)))
    see = light.total_spectrum()[:, None] * camera.to_linear(light)
    places = patch_places(A5)
    linear = printed_spectra(NOMINAL, Ink(fade=fade)) @ see * 0.7
    seen = encode_srgb(np.clip(linear + rng.normal(0, noise, linear.shape), 0, 1))
    model = fit_model(seen, REFERENCE, places)
    leaf = model.apply(encode_srgb(LEAVES @ see * 0.7))
    residual = lab_of(model, seen, places) - linear_to_lab(REFERENCE)
    return residual, float(dark_green_index(leaf).mean())


def _series(fades: list[float], noise: float = 0.0005) -> tuple[CardResiduals, list[float]]:
    shots = [_photo(fade, seed, noise) for seed, fade in enumerate(fades)]
    rows = np.array([s[0] for s in shots])
    names = tuple(p.name for p in A5.patches)
    return CardResiduals(names, REFERENCE, DATES[: len(fades)], rows), [s[1] for s in shots]


def test_a_card_that_does_not_age_is_steady() -> None:
    report = card_drift(_series([0.0] * 12)[0])
    assert report.verdict == "steady"
    assert report.periods[-1].index_shift < 0.01


def test_a_faded_card_is_told_and_how_far_the_index_moved() -> None:
    data, index = _series([0.0] * 4 + [0.1] * 4 + [0.4] * 4)
    report = card_drift(data)
    true = abs(np.mean(index[8:]) - np.mean(index[:4]))
    assert true > 0.02
    assert report.verdict == "moved"
    assert report.periods[-1].index_shift == pytest.approx(true, rel=0.5)
    assert report.periods[0].index_shift < report.periods[1].index_shift
    assert "card-learn" in report.advice


def test_order_of_the_photos_does_not_matter() -> None:
    data, _ = _series([0.0] * 6 + [0.4] * 6)
    back = CardResiduals(
        data.patches, data.reference_linear, data.dates[::-1], data.residual_lab[::-1]
    )
    assert card_drift(back) == card_drift(data)


def test_patches_not_read_are_no_change() -> None:
    data, _ = _series([0.0] * 12)
    holes = data.residual_lab.copy()
    holes[5:, 3] = np.nan
    report = card_drift(replace(data, residual_lab=holes))
    assert report.verdict == "steady"


def test_few_photos_tell_nothing() -> None:
    report = card_drift(_series([0.0] * 7)[0])
    assert report.verdict == "too few photos"
    assert report.table_rows() == []


def test_a_chart_has_no_turf() -> None:
    data, _ = _series([0.0] * 8)
    with pytest.raises(LawnscoreError, match="no turf patches"):
        card_drift(replace(data, patches=tuple("x" for _ in data.patches)))


# Karcher & Richardson 2003, Crop Sci. 43:943-951, the formula worked by hand.
@pytest.mark.parametrize(
    ("rgb", "index"),
    [((70, 110, 50), 0.56328), ((60, 90, 40), 0.56383), ((100, 140, 60), 0.45985),
     ((0, 128, 0), 0.49935), ((150, 150, 70), 0.29281)],
)  # fmt: skip
def test_dark_green_index(rgb: tuple[int, int, int], index: float) -> None:
    found = dark_green_index(decode_srgb(np.array(rgb) / 255))
    assert float(found) == pytest.approx(index, abs=2e-5)


def test_photos_that_differ_by_chance_alone_move_no_index() -> None:
    """Residuals scatter from photo to photo; what that adds to a shift is taken off again."""
    names = tuple(p.name for p in A5.patches)
    shifts = []
    for seed in range(6):
        noise = np.random.default_rng(seed).normal(0, 3.0, (12, len(names), 3))
        report = card_drift(CardResiduals(names, REFERENCE, DATES, noise))
        shifts += [period.index_shift for period in report.periods]
    assert np.median(shifts) < 0.035  # 0.068 were it not taken off
