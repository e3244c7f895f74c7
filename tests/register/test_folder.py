"""A round on disk: what the paths of its photos say."""

from __future__ import annotations

import os
import unicodedata
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import STAGES
from lawnscore.register.folder import open_round, parse_spot, parse_visit

VISIT = "photos/oak-lane/front/2026-05-01-before"


@pytest.fixture
def base(tmp_path: Path) -> Path:
    (tmp_path / "round.toml").write_text("")
    (tmp_path / "photos").mkdir()
    return tmp_path


def put(base: Path, relative: str, data: bytes = b"\xff\xd8\xff\xe0") -> Path:
    path = base / relative
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def test_a_path_says_lawn_zone_date_stage_and_spot(base: Path) -> None:
    path = put(base, f"{VISIT}/gate--IMG_1.jpg")
    (place,) = open_round(base).photos
    assert (place.lawn, place.zone, place.spot) == ("oak-lane", "front", "gate")
    assert (place.date, place.stage) == ("2026-05-01", "before")
    assert place.relative == f"{VISIT}/gate--IMG_1.jpg"
    assert place.path == path
    assert place.trouble == ""


@pytest.mark.parametrize(
    ("name", "spot"),
    [
        ("a--b.jpg", "a"),
        ("a--b--c.jpg", "a"),
        ("a--.jpg", "a"),
        ("--b.jpg", None),
        ("  --b.jpg", None),
        ("a-b.jpg", None),
        ("a b --c.jpg", "a b"),
        ("1.2--c.jpg", "1.2"),
        ("a---b.jpg", "a"),
    ],
)
def test_spot(name: str, spot: str | None) -> None:
    assert parse_spot(name) == spot


@given(st.dates(date(1900, 1, 1), date(2200, 12, 31)), st.sampled_from(STAGES))
def test_every_date_and_stage_is_understood(day: object, stage: str) -> None:
    assert parse_visit(f"{day}-{stage}") == (str(day), stage)
    assert parse_visit(f"{day}-{stage.upper()}") == (str(day), stage)


@given(st.text(max_size=30))
def test_any_other_folder_name_is_refused_on_one_line(name: str) -> None:
    try:
        day, stage = parse_visit(name)
    except LawnscoreError as error:
        assert "\n" not in error.line()
        assert "YYYY-MM-DD-STAGE" in error.line()
    else:
        assert f"{day}-{stage}" == name.lower()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("2026-02-30-before", "calendar"),
        ("9999-12-31-before", "not in the years 1900 to 2200"),
        ("1899-12-31-before", "not in the years 1900 to 2200"),
        ("2026-05-01", "does not say date and stage"),
        ("2026-05-01-during", "`during` is not a stage"),
        ("01-05-2026-before", "does not say"),
        ("2026-5-1-before", "does not say"),
        ("٢٠٢٦-05-01-before", "does not say"),
        ("2026-05-01-before ", "does not say"),
    ],
)
def test_folder_names_that_are_wrong(base: Path, name: str, words: str) -> None:
    put(base, f"photos/oak-lane/front/{name}/a.jpg")
    put(base, f"photos/oak-lane/front/{name}/b.jpg")
    opened = open_round(base)
    assert opened.photos == []
    (one,) = opened.misplaced
    assert words in one.line()
    assert "2 photos" in one.line()


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("photos/a.jpg", "does not say lawn, zone, date and stage"),
        ("photos/oak-lane/a.jpg", "does not say zone, date and stage"),
        ("photos/oak-lane/front/a.jpg", "does not say date and stage"),
        ("photos/oak-lane/2026-05-01-before/a.jpg", "does not say the zone"),
        (f"{VISIT}/more/a.jpg", "a folder inside a visit (1 photo in it)"),
    ],
)
def test_misplaced_photos_are_reported_and_left_alone(base: Path, path: str, words: str) -> None:
    file = put(base, path)
    opened = open_round(base)
    assert opened.photos == []
    assert [words in one.line() for one in opened.misplaced] == [True]
    assert file.exists()


def test_other_files_are_noted_not_scored(base: Path) -> None:
    put(base, f"{VISIT}/a.jpg")
    put(base, f"{VISIT}/film.mov", b"\0\0\0\x14ftypqt  ")
    put(base, f"{VISIT}/a.AAE", b"<?xml")
    put(base, f"{VISIT}/notes.txt", b"moss in the corner")
    for ignored in (".DS_Store", "Thumbs.db", "desktop.ini", "._a.jpg"):
        put(base, f"{VISIT}/{ignored}")
    opened = open_round(base)
    assert [place.path.name for place in opened.photos] == ["a.jpg"]
    assert opened.others == [f"{VISIT}/{n}" for n in ("a.AAE", "film.mov", "notes.txt")]
    assert opened.misplaced == []


def test_a_photo_with_the_name_of_something_else_is_a_photo(base: Path) -> None:
    put(base, f"{VISIT}/scan.txt")
    put(base, f"{VISIT}/noname")
    assert len(open_round(base).photos) == 2


def test_a_photo_still_in_the_cloud_is_reported(base: Path) -> None:
    put(base, f"{VISIT}/.IMG_1.HEIC.icloud", b"bplist")
    (one,) = open_round(base).misplaced
    assert "still in the cloud" in one.line()


def test_links(base: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    inside = put(base, f"{VISIT}/a.jpg")
    outside = put(tmp_path_factory.mktemp("elsewhere"), "b.jpg")
    folder = base / VISIT
    (folder / "in.jpg").symlink_to(inside)
    (folder / "out.jpg").symlink_to(outside)
    (folder / "broken.jpg").symlink_to(folder / "nowhere.jpg")
    (folder / "loop.jpg").symlink_to(folder / "loop.jpg")
    troubles = {place.path.name: place.trouble for place in open_round(base).photos}
    assert troubles["a.jpg"] == troubles["in.jpg"] == ""
    assert "outside the round" in troubles["out.jpg"]
    assert "not there" in troubles["broken.jpg"]
    assert "not there" in troubles["loop.jpg"]


def test_a_link_to_a_folder_is_not_followed(base: Path) -> None:
    put(base, f"{VISIT}/a.jpg")
    (base / "photos" / "same").symlink_to(base / "photos" / "oak-lane")
    opened = open_round(base)
    assert len(opened.photos) == 1
    assert "a link to a folder" in opened.misplaced[0].line()


def test_a_folder_named_like_a_photo(base: Path) -> None:
    (base / VISIT / "folder.jpg").mkdir(parents=True)
    (place,) = open_round(base).photos
    assert place.trouble == "a folder named like a photo"


def test_odd_names_stay_on_one_line(base: Path) -> None:
    for name in (
        "ü ö 🌱.jpg",
        "-rf.jpg",
        "two\nlines.jpg",
        "x" * 200 + ".jpg",
        os.fsdecode(b"\xff.jpg"),
    ):
        put(base, f"{VISIT}/{name}")
    for place in open_round(base).photos:
        assert "\n" not in place.relative
        place.relative.encode("utf-8")
        assert place.path.exists()


def test_names_are_composed_so_that_they_match_the_register(base: Path) -> None:
    apart = unicodedata.normalize("NFD", "Müllers Wiese")
    put(base, f"photos/{apart}/süd/2026-05-01-check/a.jpg")
    assert open_round(base).photos[0].lawn == "Müllers Wiese"


def test_photos_are_in_order_of_lawn_date_and_stage(base: Path) -> None:
    names = ["b/all/2026-05-01-check", "a/all/2026-05-01-after", "a/all/2026-05-01-before"]
    for name in [*names, "a/all/2025-09-01-check"]:
        put(base, f"photos/{name}/x.jpg")
    order = [(p.lawn, p.date, p.stage) for p in open_round(base).photos]
    assert order == [
        ("a", "2025-09-01", "check"),
        ("a", "2026-05-01", "before"),
        ("a", "2026-05-01", "after"),
        ("b", "2026-05-01", "check"),
    ]


def test_what_is_no_round(tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match="there is no such round"):
        open_round(tmp_path / "nowhere")
    file = put(tmp_path, "a.jpg")
    with pytest.raises(LawnscoreError, match="a file, not a round"):
        open_round(file)
    with pytest.raises(LawnscoreError, match=r"no round\.toml"):
        open_round(tmp_path)
    put(tmp_path, "round.toml", b"")
    put(tmp_path, "photos", b"")
    with pytest.raises(LawnscoreError, match="photos is not a folder"):
        open_round(tmp_path)


def test_a_round_without_photos_is_empty(base: Path) -> None:
    (base / "photos").rmdir()
    assert open_round(base).photos == []
