"""One row is added; every other byte of the file stays as it was."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.add import add_lawn, add_work, label_analysis
from lawnscore.register.new import new_round
from lawnscore.register.register import read_register


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    new_round(tmp_path / "round")
    add_lawn(tmp_path / "round", "mill-lane-3", "front", area_m2=140)
    return tmp_path / "round"


def test_a_lawn_is_added_below_what_is_there(folder: Path) -> None:
    before = (folder / "lawns.csv").read_bytes()
    added = add_lawn(folder, "elm-row-9", area_m2=85.5, shade="Part", slope="flat")
    after = (folder / "lawns.csv").read_bytes()
    assert after.startswith(before)
    assert after[len(before) :] == b"elm-row-9,all,85.5,,,part,,,,flat,,,,\n"
    assert added.row == 8
    assert added.backup is not None
    assert added.backup.read_bytes() == before


def test_work_is_written_in_the_tables_own_words(folder: Path) -> None:
    add_work(folder, date="5.3.2026", lawn="Mill-Lane-3", zone="FRONT", task="Scarifying")
    work = read_register(folder).work
    assert work.loc[0, ["date", "lawn", "zone", "task"]].tolist() == [
        "2026-03-05", "mill-lane-3", "front", "scarify",
    ]  # fmt: skip
    assert "2026-03-05,mill-lane-3,front,scarify" in (folder / "work.csv").read_text()


@pytest.mark.parametrize(
    ("encoding", "separator", "newline"),
    [("utf-8-sig", ";", "\r\n"), ("cp1252", ";", "\r\n"), ("utf-16", "\t", "\r\n")],
)
def test_the_files_own_way_is_kept(
    tmp_path: Path, encoding: str, separator: str, newline: str
) -> None:
    lines = [["Notes", "Lawn", "Gate code", "Area m2"], ["süß", "A", "12", "10"]]
    text = newline.join(separator.join(line) for line in lines)  # no line end at the end
    path = tmp_path / "lawns.csv"
    path.write_bytes(text.encode(encoding))
    add_lawn(tmp_path, "B", "hinten", area_m2=12.5, notes="Käfer; am Rand")
    after = path.read_bytes().decode(encoding)
    first, *rest = after.split(newline)
    assert first == separator.join([*lines[0], "zone"])
    assert rest[0] == separator.join(lines[1])
    assert rest[-1] == ""
    lawns = read_register(tmp_path).lawns
    assert lawns.loc[1, ["lawn", "zone", "area_m2", "notes"]].tolist() == [
        "B", "hinten", 12.5, "Käfer; am Rand",
    ]  # fmt: skip
    assert (";12,5;" in after) == (separator == ";")


def test_decimal_commas_in_a_comma_file_are_kept(tmp_path: Path) -> None:
    (tmp_path / "lawns.csv").write_text('lawn,zone,area_m2\nA,front,"10,5"\n')
    add_lawn(tmp_path, "B", area_m2=12.25)
    assert (tmp_path / "lawns.csv").read_text().endswith('B,all,"12,25"\n')


def test_an_area_is_written_in_the_unit_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "lawns.csv").write_text("lawn,zone,area sq ft\nA,front,1000\n")
    add_lawn(tmp_path, "B", area_m2=92.90304)
    assert (tmp_path / "lawns.csv").read_text().endswith("B,all,1000\n")


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"lawn": "MILL-lane-3", "zone": "Front"}, "the same lawn and zone as row 7"),
        ({"lawn": "x", "area_m2": -4.0}, "cannot be"),
        ({"lawn": "x", "shade": "dark"}, "not a known shade"),
        ({"lawn": "x", "colour": "green"}, "unknown column"),
        ({"lawn": ""}, "empty"),
    ],
)
def test_what_is_not_sound_is_not_added(folder: Path, values: dict, message: str) -> None:
    before = (folder / "lawns.csv").read_bytes()
    with pytest.raises(LawnscoreError, match=message):
        add_lawn(folder, **values)
    assert (folder / "lawns.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"lawn": "mil-lane-3"}, "Did you mean `mill-lane-3`"),
        ({"zone": "back"}, "has no zone `back`"),
        ({"date": "3/5/2026"}, "can be two days"),
        ({"task": "scarfy"}, "Did you mean `scarify`"),
        ({"passes": 1.5}, "not a whole number"),
    ],
)
def test_work_that_is_not_sound(folder: Path, values: dict, message: str) -> None:
    given_ = {"date": "2026-03-05", "lawn": "mill-lane-3", "task": "mow", "zone": "front"}
    with pytest.raises(LawnscoreError, match=message):
        add_work(folder, **(given_ | values))
    assert read_register(folder).work.empty


def test_the_same_work_twice_needs_a_word(folder: Path) -> None:
    work = {"date": "2026-03-05", "lawn": "mill-lane-3", "zone": "front", "task": "mow"}
    add_work(folder, **work)
    with pytest.raises(LawnscoreError, match="there already"):
        add_work(folder, **work)
    add_work(folder, **work, again=True)
    assert len(read_register(folder).work) == 2


def test_a_name_the_files_encoding_lacks(tmp_path: Path) -> None:
    (tmp_path / "lawns.csv").write_bytes("lawn;zone\r\nBirkenstraße;vorn\r\n".encode("cp1252"))
    with pytest.raises(LawnscoreError, match="cannot be written in this file"):
        add_lawn(tmp_path, "芝生")


def test_a_broken_file_is_mended_first(tmp_path: Path) -> None:
    (tmp_path / "lawns.csv").write_text('lawn,zone\nA,"front\n')
    with pytest.raises(LawnscoreError, match=r"row 2: a quotation mark"):
        add_lawn(tmp_path, "B")


def test_mode_and_link_of_the_file_are_kept(tmp_path: Path) -> None:
    real = tmp_path / "shared.csv"
    real.write_text("lawn,zone\n")
    real.chmod(0o640)
    (tmp_path / "lawns.csv").symlink_to(real)
    add_lawn(tmp_path, "A")
    assert (tmp_path / "lawns.csv").is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in tmp_path.glob(".*.part")] == []


def test_a_missing_round(tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match="no such round"):
        add_lawn(tmp_path / "nowhere", "A")


@pytest.mark.parametrize("text", ["5-3", "a-b-c", "4-2-8-2"])
def test_an_analysis_that_is_none(text: str) -> None:
    with pytest.raises(LawnscoreError, match="not an analysis"):
        label_analysis(text)


names = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), min_size=1)
names = names.map(lambda text: " ".join(text.split())).filter(lambda t: t and t[0] != "#")


@given(st.lists(names, min_size=1, max_size=4, unique_by=str.casefold))
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_whatever_is_added_is_read_back(tmp_path_factory, lawns: list[str]) -> None:
    folder = tmp_path_factory.mktemp("round")
    wanted = [unicodedata.normalize("NFC", lawn) for lawn in lawns]
    if len({name.casefold() for name in wanted}) < len(wanted):
        return
    for lawn in lawns:
        add_lawn(folder, lawn)
    assert list(read_register(folder).lawns["lawn"]) == wanted


def test_a_name_like_a_formula_is_written_safely_and_read_back(tmp_path: Path) -> None:
    name = '=HYPERLINK("x")'
    added = add_lawn(tmp_path, "elm-row-9", name=name, notes="@home")
    assert (added.values["name"], added.values["notes"]) == (name, "@home")
    text = (tmp_path / "lawns.csv").read_text()
    assert "'=HYPERLINK" in text
    assert "'@home" in text
    assert read_register(tmp_path).lawns["name"].tolist() == [name]


@pytest.mark.parametrize("notes", ["two\nlines", "old\r\nends", 'a "mark", and more'])
def test_notes_of_several_lines_come_back(folder: Path, notes: str) -> None:
    add_work(folder, date="2026-03-05", lawn="mill-lane-3", task="mow", notes=notes)
    assert read_register(folder).work["notes"].iloc[-1] == notes
