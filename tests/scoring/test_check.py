"""One pass finds every problem, and each says file, row and mend."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.new import new_round
from lawnscore.scoring.check import CheckResult, check_round

TODAY = "2026-04-01"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    new_round(tmp_path)
    (tmp_path / "lawns.csv").write_text(
        "lawn,zone,area_m2\nmill-lane-3,front,140\nmill-lane-3,back,60\nelm-row-9,all,85\n"
    )
    return tmp_path


def photo(folder: Path, place: str, taken: str = "", level: int = 0) -> Path:
    path = folder / "photos" / place
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken
    Image.new("L", (8, 8), level).save(path, exif=exif)
    return path


def lines(result: CheckResult) -> list[str]:
    return [problem.line() for problem in result.problems]


def test_a_sound_round_has_no_problem(folder: Path) -> None:
    photo(folder, "mill-lane-3/front/2026-03-05-before/a.jpg", "2026:03:05 09:00:00")
    result = check_round(folder, today=TODAY)
    assert (result.problems, result.notes) == ((), ())
    assert (result.n_zones, result.n_photos) == (3, 1)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("mill-lane-4,front,5", "spelt much like"),
        ("oak,all,", "row 5, column area_m2: no area"),
        ("oak,all,0.5", "hardly a zone of a lawn"),
        ("oak,all,500000", "hardly a zone of a lawn"),
        ("3/4 oak,all,50", "cannot be the name of a folder"),
        ("Mill_Lane 3,front,50", "spelt much like row 2"),
    ],
)
def test_lawns(folder: Path, row: str, said: str) -> None:
    with (folder / "lawns.csv").open("a") as file:
        file.write(row + "\n")
    found = lines(check_round(folder, today=TODAY))
    assert any(said in line for line in found) == (row != "mill-lane-4,front,5")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-03-05,mil-lane-3,front,mow,,,,,", "unknown lawn `mil-lane-3`. Did you mean"),
        ("2026-03-05,mill-lane-3,frnt,mow,,,,,", "no zone `frnt`. Did you mean `front`?"),
        ("2026-05-05,mill-lane-3,front,mow,,,,,", "row 2, column date: 2026-05-05 is yet to come"),
        ("1999-05-05,mill-lane-3,front,mow,,,,,", "before 2000"),
        ("2026-03-05,mill-lane-3,front,feed,35,,,,", "rate 35 has no unit"),
        ("2026-03-05,mill-lane-3,front,mow,,,,3,", "material_off 3 has no unit"),
        ("2026-03-05,mill-lane-3,front,feed,35,g/m2,60,,50", "adds up to 110 %"),
        ("2026-03-05,mill-lane-3,front,sow,,,,,", "`sow` is not a known task"),
    ],
)
def test_work(folder: Path, row: str, said: str) -> None:
    head = "date,lawn,zone,task,rate,rate_unit,n_pct,material_off,k2o_pct\n"
    (folder / "work.csv").write_text(head + row + "\n")
    assert any(said in line for line in lines(check_round(folder, today=TODAY)))


def test_the_same_work_twice_and_more_area_than_there_is(folder: Path) -> None:
    row = "2026-03-05,elm-row-9,all,mow,100\n"
    (folder / "work.csv").write_text("date,lawn,zone,task,area_m2\n" + row + row)
    found = lines(check_round(folder, today=TODAY))
    assert any("the same work as row 2" in line for line in found)
    assert any("100 m2 worked, but the zone has 85 m2" in line for line in found)


def test_work_on_a_whole_lawn_is_looked_at_once(folder: Path) -> None:
    (folder / "work.csv").write_text("date,lawn,zone,task\n2027-01-01,mill-lane-3,all,mow\n")
    assert len(lines(check_round(folder, today=TODAY))) == 1


def test_photos_out_of_place_and_of_unknown_lawns(folder: Path) -> None:
    photo(folder, "loose.jpg")
    photo(folder, "mill-lane-3/front/05-03-2026-before/a.jpg", level=1)
    photo(folder, "mill-lane-33/front/2026-03-05-before/a.jpg", level=2)
    photo(folder, "mill-lane-3/side/2026-03-05-before/a.jpg", level=3)
    found = "\n".join(lines(check_round(folder, today=TODAY)))
    assert "photos/loose.jpg: the path does not say lawn, zone, date and stage" in found
    assert "does not say date and stage" in found
    assert "photos/mill-lane-33/front: unknown lawn `mill-lane-33`. Did you mean" in found
    assert "mill-lane-3 has no zone `side`" in found


def test_dates_of_photos(folder: Path) -> None:
    photo(folder, "elm-row-9/all/2026-03-05-check/a.jpg", "2026:03:07 09:00:00")
    photo(folder, "elm-row-9/all/2026-03-05-check/b.jpg", "2026:03:06 01:00:00")
    photo(folder, "elm-row-9/all/2027-03-05-check/c.jpg", level=9)
    found = lines(check_round(folder, today=TODAY))
    assert any("1 of 2 photos were taken on 2026-03-07" in line for line in found)
    assert any("2027-03-05 is yet to come" in line for line in found)


def test_before_and_after_swapped(folder: Path) -> None:
    photo(folder, "elm-row-9/all/2026-03-05-before/a.jpg", "2026:03:05 11:00:00")
    photo(folder, "elm-row-9/all/2026-03-05-after/b.jpg", "2026:03:05 09:00:00")
    result = check_round(folder, today=TODAY)
    assert any("later than the first one of after" in line for line in lines(result))
    assert any("no work in work.csv" in note.what for note in result.notes)


def test_the_same_photo_twice(folder: Path) -> None:
    photo(folder, "elm-row-9/all/2026-03-05-check/a.jpg")
    photo(folder, "elm-row-9/all/2026-03-06-check/b.jpg")
    (found,) = lines(check_round(folder, today=TODAY))
    assert "the same photo as photos/elm-row-9/all/2026-03-05-check/a.jpg" in found


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[report]\nlanguage = 'fr'", "`report.language` is `fr`"),
        ("[report]\narea_unit = 'acre'", "`report.area_unit` is 'acre'"),
        ("[report]\nlogo = 'logo.png'", "names no file"),
        ("[history]\nhemisphere = 'east'", "`history.hemisphere` is 'east'"),
        ("[report]\ncolour = 'red'", "unknown setting `report.colour`"),
        ("report", "not a TOML file"),
    ],
)
def test_settings(folder: Path, text: str, said: str) -> None:
    (folder / "round.toml").write_text(text)
    found = lines(check_round(folder, today=TODAY))
    assert any(line.startswith("round.toml: ") and said in line for line in found)


def test_one_pass_finds_all_of_them(folder: Path) -> None:
    (folder / "round.toml").unlink()
    (folder / "lawns.csv").write_text("lawn,zone,area_m2\nA,front,big\n,front,3\n")
    (folder / "work.csv").write_text("date,lawn,zone,task\n2026-02-30,A,front,mow\n")
    files = {problem.file for problem in check_round(folder, today=TODAY).problems}
    assert files == {"round.toml", "lawns.csv", "work.csv"}


def test_no_register(tmp_path: Path) -> None:
    assert any("lawns.csv" in line for line in lines(check_round(tmp_path, today=TODAY)))
    with pytest.raises(LawnscoreError, match="no such round"):
        check_round(tmp_path / "nowhere")


def test_a_card_file_that_is_not_there(folder: Path) -> None:
    (folder / "round.toml").write_text('[scoring]\ncard = "my-card.json"\n')
    (found,) = lines(check_round(folder, today=TODAY))
    assert "my-card.json" in found


def test_work_and_photos_after_a_lawn_left(folder: Path) -> None:
    (folder / "lawns.csv").write_text(
        "lawn,zone,area_m2,left\nelm-row-9,all,85,2026-02-01\nmill-lane-3,front,140,\n"
    )
    (folder / "work.csv").write_text("date,lawn,zone,task\n2026-03-05,elm-row-9,all,mow\n")
    photo(folder, "elm-row-9/all/2026-03-06-check/a.jpg")
    photo(folder, "elm-row-9/all/2026-01-06-check/b.jpg", level=5)
    found = [line for line in lines(check_round(folder, today=TODAY)) if "left the round" in line]
    assert len(found) == 2


def test_a_date_of_leaving_that_is_none(folder: Path) -> None:
    (folder / "lawns.csv").write_text("lawn,zone,area_m2,left\nelm-row-9,all,85,soon\n")
    (found,) = lines(check_round(folder, today=TODAY))
    assert "`soon` is not a date" in found
