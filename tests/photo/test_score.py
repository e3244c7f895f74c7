"""One photo -> one row, against the truth of rendered ground and on files that are no photos."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from lawnscore.card.chart24 import chart24_srgb
from lawnscore.card.colourspace import decode_srgb, encode_srgb
from lawnscore.card.design import card_design
from lawnscore.card.reference import nominal_reference
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.settings import ConditionWeights, ScoringSettings
from lawnscore.contract.tables import PHOTO_SCORES
from lawnscore.photo.method import method_version
from lawnscore.photo.read import read_photo
from lawnscore.photo.score import ROW_COLUMNS, PhotoScore, score_photo
from tests.photo import rendered
from tests.photo.laid_card import turf

needs_mcc = pytest.mark.skipif(not hasattr(cv2, "mcc"), reason="OpenCV without a chart detector")


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("photos") / "good.jpg"
    rendered.good().save_jpeg(path)
    return path


@pytest.fixture(scope="module")
def score(photo: Path) -> PhotoScore:
    return score_photo(photo, keep_views=True)


def test_row_has_the_columns_of_the_table_in_order(score: PhotoScore) -> None:
    of_photo = PHOTO_SCORES.column_names[PHOTO_SCORES.column_names.index("photo") :]
    assert list(score.row)[: len(ROW_COLUMNS)] == list(ROW_COLUMNS)
    assert [c for c in of_photo if c in ROW_COLUMNS] == list(ROW_COLUMNS)
    PHOTO_SCORES.frame([score.row])


def test_row_says_how_it_was_made(score: PhotoScore, photo: Path) -> None:
    assert score.row["status"] == "scored"
    assert score.row["reason"] is None
    assert score.row["version"] == method_version()
    assert score.row["settings_id"] == ScoringSettings().settings_id
    assert score.row["sha256"] == hashlib.sha256(photo.read_bytes()).hexdigest()
    assert score.row["card"] == "turf-a5"
    assert score.row["colour_reference"] == "nominal"
    assert score.row["camera"] == read_photo(photo).camera != ""
    assert str(score.row["taken_at"]).startswith("2024-05-14T10:30:00")
    assert score.views is not None
    assert score.row["card_delta_e"] == score.views.colour_fit.card_delta_e


def test_ground_unlike_all_that_the_method_was_tried_on_is_said(
    photo: Path, score: PhotoScore, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert score.row["detail"] is None
    assert score.views is not None
    known = score.views.classes.strangeness
    monkeypatch.setattr("lawnscore.photo.score.UNLIKE_KNOWN", known - 0.01)
    row = score_photo(photo).row
    assert row["status"] == "scored"
    assert str(row["detail"]).startswith("this ground is unlike any")


def test_the_greatest_tilt_is_that_of_the_settings(tmp_path: Path) -> None:
    # 45 degrees was refused whatever the settings allowed: the ground kept a limit of its own.
    rendered.shot(tilt_deg=45).save_jpeg(tmp_path / "tilted.jpg")
    assert score_photo(tmp_path / "tilted.jpg").row["reason"] == "tilted"
    allowed = score_photo(tmp_path / "tilted.jpg", settings=ScoringSettings(max_tilt_deg=50))
    assert allowed.row["status"] == "scored"


def test_geometry_is_true(score: PhotoScore) -> None:
    truth = rendered.good()
    assert score.row["mm_per_px"] == pytest.approx(truth.mm_per_px, rel=0.005)
    assert score.row["tilt_deg"] == pytest.approx(truth.tilt_deg, abs=1.0)
    inside = truth.truth_within(np.array(score.measured_polygon_px), rim_mm=12)
    # Only whole cells are measured: along the edges of so small a ground a few percent are not.
    assert score.row["area_m2"] == pytest.approx(inside["area_m2"], rel=0.06)


def test_shares_add_up_and_every_value_has_its_error(score: PhotoScore) -> None:
    assert sum(float(score.row[n]) for n in SURFACE_SHARES) == pytest.approx(100, abs=1e-6)
    for name in MEASURES:
        assert score.row[name] is not None
        assert float(score.row[f"{name}_se"]) >= 0


def test_green_cover_is_near_the_truth_of_the_measured_ground(score: PhotoScore) -> None:
    truth = rendered.good().truth_within(np.array(score.measured_polygon_px), rim_mm=12)
    off = float(score.row["green_cover_pct"]) - truth["green_cover_pct"]
    assert abs(off) < max(8.0, 3 * float(score.row["green_cover_pct_se"]))


def test_the_card_is_no_part_of_the_measured_ground(score: PhotoScore) -> None:
    assert score.views is not None
    sheet_mm2 = card_design("turf-a5").width_mm * card_design("turf-a5").height_mm
    left_out = float((1 - score.views.classes.weight).sum()) * score.views.classes.cell_mm**2
    assert left_out > sheet_mm2


@pytest.mark.parametrize("card", ["auto", "turf-a5", nominal_reference(card_design("turf-a5"))])
def test_every_way_to_name_the_card_gives_the_same(
    photo: Path, score: PhotoScore, card: object
) -> None:
    again = score_photo(photo, card)  # type: ignore[arg-type]
    assert again.row["green_cover_pct"] == score.row["green_cover_pct"]
    assert again.row["card"] == "turf-a5"
    assert again.views is None


def test_a_card_that_is_not_in_the_photo(photo: Path) -> None:
    assert score_photo(photo, "turf-a4").row["reason"] == "cardless"


def test_an_unknown_card_is_an_error_not_a_refusal(photo: Path) -> None:
    with pytest.raises(LawnscoreError, match="neither a card's name nor a file"):
        score_photo(photo, "turf-a9")


def test_settings_change_the_numbers_and_their_id(photo: Path, score: PhotoScore) -> None:
    settings = ScoringSettings(condition=ConditionWeights(cover=1, colour=0, evenness=0,
                                                          bare_patches=0, casts=0))  # fmt: skip
    again = score_photo(photo, settings=settings)
    cover = float(again.row["green_cover_pct"])
    assert float(again.row["condition"]) == pytest.approx(min(100, 100 * (cover - 30) / (96 - 30)))
    assert again.row["settings_id"] != score.row["settings_id"]


def test_a_tilt_beyond_the_setting_is_refused_with_what_is_known(photo: Path) -> None:
    refused = score_photo(photo, settings=ScoringSettings(max_tilt_deg=2.0))
    assert refused.row["reason"] == "tilted"
    assert refused.row["tilt_deg"] == pytest.approx(rendered.good().tilt_deg, abs=1.0)
    assert all(refused.row[name] is None for name in MEASURES)
    assert refused.measured_polygon_px == ()


@pytest.mark.parametrize("content", [b"", b"not a photo", b"\xff\xd8\xff\xe0 cut short"])
def test_what_is_no_photo_is_a_refused_row(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "odd.jpg"
    path.write_bytes(content)
    refused = score_photo(path)
    assert refused.refused
    assert refused.row["reason"] == "unreadable"
    assert refused.row["detail"]
    assert refused.row["sha256"] == hashlib.sha256(content).hexdigest()


def test_a_missing_file_and_a_folder_are_refused_rows(tmp_path: Path) -> None:
    for path in (tmp_path / "none.jpg", tmp_path):
        refused = score_photo(path)
        assert refused.row["reason"] in REASONS
        assert refused.row["sha256"] is None


def test_same_photo_same_row(photo: Path, score: PhotoScore) -> None:
    assert score_photo(photo).row == score.row


def test_scoring_a_photo_needs_no_pandas(photo: Path) -> None:
    code = (
        "import sys; from lawnscore import score_photo; "
        f"score_photo({str(photo)!r}); sys.exit('pandas' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.fixture(scope="module")
def chart_photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A chart whose patches are 40 px apart, on turf."""
    rng = np.random.default_rng(4)
    light = turf((1300, 950), rng)
    light[100:300, 120:395] = decode_srgb(28 / 255)
    for n, (_, srgb) in enumerate(chart24_srgb("chart24")):
        x, y = 137 + 40 * (n % 6), 122 + 40 * (n // 6)
        light[y : y + 36, x : x + 36] = decode_srgb(np.array(srgb) / 255)
    light = cv2.GaussianBlur(light, (0, 0), 0.6) * np.array([0.8, 0.75, 0.6])
    code = encode_srgb(np.clip(light + rng.normal(0, 0.002, light.shape), 0, 1))
    path = tmp_path_factory.mktemp("chart") / "chart.png"
    cv2.imwrite(str(path), np.rint(255 * code).astype(np.uint8)[..., ::-1])
    return path


@needs_mcc
@pytest.mark.parametrize("span_mm", [105, 210])
def test_the_scale_of_a_chart_is_that_of_the_size_it_is_said_to_have(
    chart_photo: Path, span_mm: int
) -> None:
    row = score_photo(chart_photo, f"chart24:{span_mm}").row
    assert row["mm_per_px"] == pytest.approx(span_mm / 200, rel=0.01)
    assert "size of the chart" not in str(row["detail"])


@needs_mcc
def test_the_scale_of_a_chart_of_unknown_size_is_doubtful(chart_photo: Path) -> None:
    row = score_photo(chart_photo, "chart24").row
    assert row["status"] == "scored"
    assert "the size of the chart is not known" in str(row["detail"])
    assert "chart24:MM" in str(row["detail"])


@needs_mcc
def test_a_refusal_that_may_come_from_the_wrong_size_says_so(
    chart_photo: Path, tmp_path: Path
) -> None:
    """At half the pixels a chart of the usual size would be too coarse; a small one is not."""
    large = cv2.imread(str(chart_photo))
    path = tmp_path / "small.png"
    cv2.imwrite(str(path), cv2.resize(large, None, fx=0.42, fy=0.42, interpolation=cv2.INTER_AREA))
    row = score_photo(path, "chart24").row
    assert row["reason"] in {"coarse", "blurred"}
    assert "the size of the chart is not known" in str(row["detail"])


@needs_mcc
def test_a_chart_without_its_name_is_cardless(chart_photo: Path) -> None:
    assert score_photo(chart_photo).row["reason"] == "cardless"
