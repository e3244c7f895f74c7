"""`lawnscore inspect`."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import pytest
from typer.testing import CliRunner, Result

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.contract.tables import PHOTO_SCORES
from tests.photo import rendered


@pytest.fixture(scope="module")
def jpeg(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("inspect") / "lawn photo.jpg"
    rendered.good().save_jpeg(path)
    return path


@pytest.fixture
def photo(jpeg: Path, tmp_path: Path) -> Path:
    return _copy(jpeg, tmp_path)


def _copy(source: Path, folder: Path) -> Path:
    target = folder / source.name
    target.write_bytes(source.read_bytes())
    return target


def inspect(*arguments: object) -> Result:
    return CliRunner().invoke(build_app(), ["inspect", *map(str, arguments)])


def test_json_has_exactly_the_columns_and_the_polygon(photo: Path) -> None:
    done = inspect(photo, "--json")
    assert done.exit_code == 0
    record = json.loads(done.stdout)
    assert list(record) == [*PHOTO_SCORES.column_names, "measured_polygon_px"]
    assert record["status"] == "scored"
    assert len(record["measured_polygon_px"]) >= 3
    height, width = rendered.good().rgb.shape[:2]
    for x, y in record["measured_polygon_px"]:
        assert -1 <= x <= width
        assert -1 <= y <= height
    assert record["lawn"] is None
    assert sorted(p.name for p in photo.parent.iterdir()) == [photo.name]


def test_for_people_there_is_every_measure_and_a_picture(photo: Path) -> None:
    done = inspect(photo)
    assert done.exit_code == 0
    for name in MEASURES:
        assert name in done.stdout
    for words in ("blur", "passed", "mm per pixel", "relative to this card"):
        assert words in done.stdout
    assert "--picture" in done.stderr
    assert [path.name for path in photo.parent.iterdir()] == [photo.name]  # nothing beside it


def test_picture_goes_where_it_is_wanted(photo: Path, tmp_path: Path) -> None:
    target = tmp_path / "new folder" / "seen.png"
    done = inspect(photo, "--json", "--picture", target)
    json.loads(done.stdout)
    assert cv2.imread(str(target)) is not None


def test_picture_of_no_known_kind(photo: Path, tmp_path: Path) -> None:
    done = inspect(photo, "--picture", tmp_path / "seen.xyz")
    assert isinstance(done.exception, LawnscoreError)
    assert "written as .png" in str(done.exception)


def test_a_refused_photo_says_why_and_how_to_retake_it(tmp_path: Path) -> None:
    path = tmp_path / "grey.png"
    turf = rendered.good().rgb[400:, 700:]
    cv2.imwrite(str(path), turf[..., ::-1])
    done = inspect(path)
    assert done.exit_code == 1
    assert "refused (cardless)" in done.stderr
    assert "Lay the card flat" in done.stderr
    again = inspect(path, "--json")
    assert again.exit_code == 1
    record = json.loads(again.stdout)
    assert record["reason"] == "cardless"
    assert record["measured_polygon_px"] == []
    assert record["green_cover_pct"] is None


def test_no_such_photo(tmp_path: Path) -> None:
    done = inspect(tmp_path / "none.jpg")
    assert isinstance(done.exception, LawnscoreError)
    assert "no such photo" in str(done.exception)


def test_no_such_card(photo: Path) -> None:
    done = inspect(photo, "--card", "turf-a9")
    assert isinstance(done.exception, LawnscoreError)


def test_in_a_round_its_settings_hold_and_its_photos_stay_alone(
    photo: Path, tmp_path: Path
) -> None:
    (tmp_path / "round.toml").write_text(
        '[scoring]\ncard = "turf-a5"\nmax_tilt_deg = 39.0\n', encoding="utf-8"
    )
    folder = tmp_path / "photos" / "hill" / "front" / "2024-05-14-check"
    folder.mkdir(parents=True)
    place = folder / "one.jpg"
    place.write_bytes(photo.read_bytes())
    done = inspect(place)
    assert done.exit_code == 0
    assert [p.name for p in folder.iterdir()] == ["one.jpg"]
    seen = tmp_path / "reports/seen/photos/hill/front/2024-05-14-check/one-seen.png"
    assert seen.is_file()
    record = json.loads(inspect(place, "--json").stdout)
    where = [record[name] for name in ("lawn", "zone", "date", "stage")]
    assert where == ["hill", "front", "2024-05-14", "check"]
    assert record["photo"] == "photos/hill/front/2024-05-14-check/one.jpg"
    assert record["settings_id"] == ScoringSettings("turf-a5", max_tilt_deg=39.0).settings_id
