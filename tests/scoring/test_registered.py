from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.register.add import add_lawn
from lawnscore.register.folder import Round, open_round
from lawnscore.register.new import new_round
from lawnscore.register.register import read_register
from lawnscore.scoring.registered import registered_only


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "round"
    new_round(path)
    (path / "lawns.csv").unlink()
    add_lawn(path, "elm-row-9", "front", area_m2=80)
    return path


def photographed(folder: Path, *places: str) -> Round:
    for place in places:
        photo = folder / "photos" / place / "2026-03-05-check" / "A--1.jpg"
        photo.parent.mkdir(parents=True)
        photo.write_bytes(b"\xff\xd8\xff\xe0 no more than its first bytes")
    return open_round(folder)


def test_a_misspelt_lawn_is_no_new_customer(folder: Path) -> None:
    opened = registered_only(photographed(folder, "elm-row-9/front", "elmrow-9/front"))
    assert [photo.lawn for photo in opened.photos] == ["elm-row-9"]
    (odd,) = opened.misplaced
    assert odd.relative == "photos/elmrow-9/front"
    assert "not in lawns.csv" in odd.what
    assert "Did you mean `elm-row-9`?" in odd.mend
    assert "--add" in odd.mend


def test_a_zone_that_is_not_there_is_told_with_those_that_are(folder: Path) -> None:
    opened = registered_only(photographed(folder, "elm-row-9/lawn"))
    assert opened.photos == []
    assert "Its zones: front." in opened.misplaced[0].mend


def test_add_takes_them_on(folder: Path) -> None:
    opened = registered_only(photographed(folder, "mill/all"), add=True)
    assert [photo.lawn for photo in opened.photos] == ["mill"]
    assert list(read_register(folder).lawns["lawn"]) == ["elm-row-9", "mill"]


def test_a_round_without_a_register_keeps_every_photo(folder: Path) -> None:
    (folder / "lawns.csv").unlink()
    assert len(registered_only(photographed(folder, "mill/all")).photos) == 1


def test_the_readme_that_new_writes_is_no_stranger(folder: Path) -> None:
    assert (folder / "photos" / "README.txt").exists()
    assert photographed(folder, "elm-row-9/front").others == []
