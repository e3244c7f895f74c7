from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from lawnscore.card.cgats import write_cgats
from lawnscore.card.colourspace import D65, XYZ_FROM_LINEAR, linear_to_lab_d50
from lawnscore.card.design import card_design
from lawnscore.card.draw import draw_card
from lawnscore.card.observer import d50_weights
from lawnscore.card.reference import load_reference, nominal_reference
from lawnscore.contract.errors import LawnscoreError

A5 = card_design("turf-a5")
NAMES = [p.name for p in A5.patches]
TRUE = np.random.default_rng(3).uniform(0.03, 0.9, (len(NAMES), 3))


def _text(columns: str, values: np.ndarray, *, extra: str = "", names: list[str] = NAMES) -> str:
    rows = [f'{n} "{name}" ' + " ".join(f"{v:.5f}" for v in row) for n, (name, row) in
            enumerate(zip(names, values, strict=True), start=1)]  # fmt: skip
    return "\n".join(
        ["CGATS.17", extra, "BEGIN_DATA_FORMAT", f"SAMPLE_ID SAMPLE_NAME {columns}",
         "END_DATA_FORMAT", "BEGIN_DATA", *rows, "END_DATA"]
    )  # fmt: skip


def _encoded(linear: np.ndarray) -> np.ndarray:
    from lawnscore.card.colourspace import encode_srgb

    return encode_srgb(linear)


@pytest.mark.parametrize(
    ("columns", "values", "extra"),
    [
        ("LAB_L LAB_A LAB_B", linear_to_lab_d50(TRUE), ""),
        ("XYZ_X XYZ_Y XYZ_Z", 100 * TRUE @ XYZ_FROM_LINEAR.T, 'ILLUMINATION_NAME "D65"'),
        ("RGB_R RGB_G RGB_B", 255 * _encoded(TRUE), ""),
    ],
)
def test_measured_values_are_read(
    columns: str, values: np.ndarray, extra: str, tmp_path: Path
) -> None:
    (tmp_path / "card.txt").write_text(_text(columns, values, extra=extra))
    card = load_reference("card.txt", base=tmp_path)
    assert card is not None
    assert (card.source, card.design.name, card.name) == ("measured", "turf-a5", "card")
    np.testing.assert_allclose(card.linear_srgb, TRUE, atol=2e-4)


def test_order_of_the_samples_does_not_matter(tmp_path: Path) -> None:
    (tmp_path / "card.txt").write_text(
        _text("LAB_L LAB_A LAB_B", linear_to_lab_d50(TRUE)[::-1], names=NAMES[::-1])
    )
    card = load_reference(str(tmp_path / "card.txt"))
    assert card is not None
    np.testing.assert_allclose(card.linear_srgb, TRUE, atol=2e-4)


def test_a_patch_not_measured_is_unknown(tmp_path: Path) -> None:
    (tmp_path / "card.txt").write_text(
        _text("LAB_L LAB_A LAB_B", linear_to_lab_d50(TRUE)[:40], names=NAMES[:40])
    )
    card = load_reference(str(tmp_path / "card.txt"))
    assert card is not None
    assert np.isnan(card.linear_srgb[40:]).all()
    assert np.isfinite(card.linear_srgb[:40]).all()


def test_spectra_of_the_white_and_of_a_grey(tmp_path: Path) -> None:
    nm = np.arange(380, 731, 10)
    columns = " ".join(f"SPECTRAL_NM{v}" for v in nm)
    values = np.tile(np.linspace(0.1, 1.0, len(NAMES))[:, None], len(nm))
    (tmp_path / "card.txt").write_text(_text(columns, values))
    card = load_reference(str(tmp_path / "card.txt"))
    assert card is not None
    # A flat reflectance is a neutral: the same linear value in all channels.
    np.testing.assert_allclose(card.linear_srgb, values[:, :1] * [1, 1, 1], atol=2e-3)


def test_observer_agrees_with_colour_science() -> None:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        shape = colour.SpectralShape(380, 730, 10)
        theirs = []
        bands = [(440, 40), (540, 30), (600, 50), (650, 60)]
        nm = np.arange(380.0, 731.0, 10.0)
        ours = np.exp(-0.5 * ((nm - np.array(bands)[:, :1]) / np.array(bands)[:, 1:]) ** 2)
        for row in ours:
            sd = colour.SpectralDistribution(dict(zip(nm, row, strict=True)))
            xyz = colour.sd_to_XYZ(
                sd.align(shape), illuminant=colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
            )
            theirs.append(xyz / 100)
    # The observer here is a fit by lobes (Wyman, Sloan & Shirley 2013): about 1 %.
    np.testing.assert_allclose(ours @ d50_weights(nm), theirs, atol=0.012)


def test_written_cgats_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "learned.txt"
    header = {"ORIGINATOR": "lawnscore card-learn", "DESCRIPTOR": "card 7"}
    write_cgats(path, NAMES, TRUE, header=header)
    card = load_reference(str(path))
    assert card is not None
    assert (card.source, card.name) == ("learned", "card 7")
    np.testing.assert_allclose(card.linear_srgb, TRUE, atol=2e-4)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("hello", "not CGATS text"),
        (_text("LAB_L LAB_A", np.ones((56, 2))), "no colour columns"),
        (_text("LAB_L LAB_A LAB_B", np.ones((56, 2))), r"line 7: 4 values for 5 columns"),
        (_text("LAB_L LAB_A LAB_B", np.ones((56, 3))).replace("1.0", "x", 1), "is not a number"),
        (_text("LAB_L LAB_A LAB_B", np.ones((2, 3)), names=["p", "q"]), "fewer than half"),
        ('A "b', "quotation mark"),
        (_text("LAB_L LAB_A LAB_B", np.ones((56, 3))).replace("SAMPLE_", "S"), "names the samples"),
    ],
)
def test_bad_cgats_is_told_with_its_place(text: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "card.txt").write_text(text)
    with pytest.raises(LawnscoreError, match=message) as caught:
        load_reference(str(tmp_path / "card.txt"))
    assert "card.txt" in str(caught.value)


def test_a_table_of_an_older_card_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "old.txt"
    write_cgats(path, NAMES, TRUE, header={"TARGET_TYPE": "turf-a5"})
    text = path.read_text()
    for new, old in (("hue-010-light", "red"), ("hue-040-deep", "sky"), ("hue-070-light", "rose")):
        assert new in text
        text = text.replace(new, old)
    path.write_text(text)
    with pytest.raises(LawnscoreError, match="older turf-a5.*no patch `red`.*Print the card anew"):
        load_reference(str(path))


def test_auto_leaves_the_card_to_its_markers() -> None:
    assert load_reference("auto") is None


def test_a_design_by_name_is_nominal_and_a_chart_is_measured() -> None:
    card = load_reference("turf-a4")
    chart = load_reference("chart24-1976")
    assert card is not None
    assert chart is not None
    assert (card.source, chart.source) == ("nominal", "measured")
    assert chart.linear_srgb[17, 0] < 0  # cyan lies outside sRGB


def test_the_json_of_a_drawn_card_is_a_card(tmp_path: Path) -> None:
    draw_card(card_design("turf-letter"), tmp_path / "card.png", dpi=20)
    card = load_reference("card.json", base=tmp_path)
    assert card is not None
    assert card.design.markers == card_design("turf-letter").markers
    np.testing.assert_allclose(
        card.linear_srgb, nominal_reference(card_design("turf-letter")).linear_srgb
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "not JSON"),
        ("{}", "does not describe a card"),
        ('{"patches": []}', "does not describe"),
    ],
)
def test_bad_json(text: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "card.json").write_text(text)
    with pytest.raises(LawnscoreError, match=message):
        load_reference(str(tmp_path / "card.json"))


def test_json_may_give_a_chart_another_size(tmp_path: Path) -> None:
    chart = card_design("chart24")
    data = {
        "name": "chart24",
        "width_mm": 100,
        "height_mm": 70,
        "patches": [
            {"name": p.name, "kind": p.kind, "srgb": list(p.srgb), "size_mm": [10, 10],
             "centre_mm": [c / 3 for c in p.centre_mm]}
            for p in chart.patches
        ],
    }  # fmt: skip
    (tmp_path / "small.json").write_text(json.dumps(data))
    card = load_reference(str(tmp_path / "small.json"))
    assert card is not None
    assert card.design.width_mm == 100
    assert card.source == "measured"


def test_a_missing_file_names_the_cards_there_are() -> None:
    with pytest.raises(LawnscoreError, match=r"neither a card's name nor a file.*turf-a5"):
        load_reference("no-such-card.txt")


def test_white_is_white() -> None:
    white = nominal_reference(A5).linear_srgb[[p.name for p in A5.patches].index("neutral-12")]
    np.testing.assert_allclose(white @ XYZ_FROM_LINEAR.T, D65, atol=1e-4)
