"""complaints.csv: read like the register, added to without loss, and checked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.add import add_complaint, add_lawn
from lawnscore.register.new import new_round
from lawnscore.register.register import read_register
from lawnscore.scoring.check import check_round


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = new_round(tmp_path / "round").path
    add_lawn(root, "elm-row-9", "front", area_m2=85)
    add_lawn(root, "elm-row-9", "back", area_m2=60)
    return root


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "muddy; patch.jpg"
    Image.fromarray(np.full((40, 60, 3), 90, np.uint8)).save(path)
    return path


def test_a_complaint_is_added_with_its_photos(folder: Path, photo: Path) -> None:
    said = "It is half mud, and\nthe dog slipped."
    added = add_complaint(
        folder, date="5.10.2025", lawn="Elm-Row-9", zone="FRONT", said=said, photos=[photo]
    )
    complaints = read_register(folder).complaints
    row = complaints.iloc[0]
    assert (row["date"], row["lawn"], row["zone"]) == ("2025-10-05", "elm-row-9", "front")
    assert row["said"] == said
    kept = folder / "complaints/elm-row-9/2025-10-05/muddy_ patch.jpg"
    assert row["photos"] == kept.relative_to(folder).as_posix() == added.values["photos"]
    assert kept.read_bytes() == photo.read_bytes()
    assert photo.exists()
    assert check_round(folder).problems == ()


def test_the_same_complaint_is_not_taken_twice(folder: Path) -> None:
    add_complaint(folder, date="2025-10-05", lawn="elm-row-9", said="mud")
    with pytest.raises(LawnscoreError, match="the same date and lawn"):
        add_complaint(folder, date="2025-10-05", lawn="elm-row-9", said="mud")
    add_complaint(folder, date="2025-10-06", lawn="elm-row-9", said="mud")
    assert len(read_register(folder).complaints) == 2


def test_a_photo_of_another_content_is_never_written_over(folder: Path, photo: Path) -> None:
    add_complaint(folder, date="2025-10-05", lawn="elm-row-9", said="a", photos=[photo])
    Image.fromarray(np.full((40, 60, 3), 10, np.uint8)).save(photo)
    with pytest.raises(LawnscoreError, match="another photo has this name"):
        add_complaint(folder, date="2025-10-05", lawn="elm-row-9", said="b", photos=[photo])
    assert len(read_register(folder).complaints) == 1


@pytest.mark.parametrize(
    ("values", "what"),
    [
        ({"lawn": "elm-row-8"}, "unknown lawn `elm-row-8`.*elm-row-9"),
        ({"zone": "side"}, "no zone `side`"),
        ({"date": "someday"}, "is not a date|is no date"),
        ({"said": "  "}, "nothing was said"),
        ({"photos": [Path("nowhere.jpg")]}, "the photo cannot be read"),
        ({"photos": [Path(__file__)]}, "this is no photo"),
    ],
)
def test_what_will_not_do_is_told_and_nothing_is_written(
    folder: Path, values: dict[str, object], what: str
) -> None:
    given = {"date": "2025-10-05", "lawn": "elm-row-9", "said": "mud"} | values
    with pytest.raises(LawnscoreError, match=what):
        add_complaint(folder, **given)  # type: ignore[arg-type]
    assert not (folder / "complaints.csv").exists()
    assert not (folder / "complaints").exists()


def test_check_reads_the_file(folder: Path) -> None:
    (folder / "complaints.csv").write_text(
        "date;lawn;zone;said;photos\n"
        "5.10.2025;elm-row-9;;mud;gone.jpg\n"
        "5.10.2099;elm-row-9;front;mud;\n"
        "5.10.2025;elm-row-8;;mud;../outside.jpg\n"
        "6.10.2025;elm-row-9;front;;\n"
    )
    lines = [problem.line() for problem in check_round(folder).problems]
    wanted = [
        "row 5, column said: the cell is empty",
        "row 2, column photos: there is no photo `gone.jpg`",
        "row 3, column date: 2099-10-05 is yet to come",
        "row 4, column lawn: unknown lawn `elm-row-8`",
        "row 4, column photos: there is no photo `../outside.jpg`",
    ]
    assert [line for line in wanted if not any(line in said for said in lines)] == []
    assert len(lines) == len(wanted)


def test_places_of_lawns_are_read_and_held_to_the_globe(folder: Path) -> None:
    add_lawn(folder, "south-1", area_m2=90, latitude_deg=-37.81, longitude_deg=144.96)
    row = read_register(folder).lawns.iloc[2]
    assert (row["latitude_deg"], row["longitude_deg"]) == (-37.81, 144.96)
    with pytest.raises(LawnscoreError, match="from -90 to 90"):
        add_lawn(folder, "x", latitude_deg=98.0)
