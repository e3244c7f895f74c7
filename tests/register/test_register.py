"""Hand-kept files are read as people and spreadsheets leave them, and never guessed at."""

from __future__ import annotations

import csv
import io
from datetime import date
from decimal import Decimal
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import LAWNS, WEATHER, WORK
from lawnscore.register.cells import CellError, date_order, decimal_mark, parse_date, parse_number
from lawnscore.register.register import Register, read_register
from lawnscore.register.sheet import normal_heading, parse_sheet

LAWN_ROWS = "lawn,zone,area_m2\nmill-lane-3,front,140\nmill-lane-3,back,60\nelm-row-9,,85\n"


def read(folder: Path, **files: str | bytes) -> Register:
    for name, content in files.items():
        data = content if isinstance(content, bytes) else content.encode()
        (folder / f"{name}.csv").write_bytes(data)
    return read_register(folder)


def test_plain_files(tmp_path: Path) -> None:
    register = read(
        tmp_path,
        lawns=LAWN_ROWS,
        work="date,lawn,zone,task,rate,rate_unit\n2026-03-05,mill-lane-3,front,feed,35,g/m2\n",
        weather="date,mean_c\n2026-03-05,7.5\n",
    )
    assert register.problems == register.notes == ()
    assert list(register.lawns["zone"]) == ["front", "back", "all"]
    assert register.work.loc[0, "rate"] == 35.0
    assert register.weather.loc[0, "mean_c"] == 7.5
    assert register.row_numbers["lawns"] == (2, 3, 4)


def test_missing_files_give_empty_tables_with_the_right_columns(tmp_path: Path) -> None:
    register = read_register(tmp_path)
    for frame, table in (
        (register.lawns, LAWNS),
        (register.work, WORK),
        (register.weather, WEATHER),
    ):
        assert list(frame.columns) == table.column_names
        assert frame.empty
    assert register.problems == ()


def test_a_missing_round_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match="no such round"):
        read_register(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("separator", "encoding", "newline"),
    [
        (",", "utf-8", "\n"),
        (",", "utf-8-sig", "\r\n"),
        (";", "cp1252", "\r\n"),
        (";", "utf-8-sig", "\r\n"),
        ("\t", "utf-16", "\r\n"),
    ],
)
def test_what_spreadsheets_write(
    tmp_path: Path, separator: str, encoding: str, newline: str
) -> None:
    lines = [
        ["Lawn", " ZONE ", "Area (m²)", "Notes"],
        ["Birkenstraße 3", "hinten", "85", "süß"],
        ["", "", "", ""],
    ]
    text = newline.join(separator.join(line) for line in lines) + newline
    register = read(tmp_path, lawns=text.encode(encoding))
    assert register.problems == ()
    assert register.lawns.loc[0, ["lawn", "area_m2", "notes"]].tolist() == [
        "Birkenstraße 3",
        85.0,
        "süß",
    ]


def test_a_file_with_decimal_commas_and_day_first_dates(tmp_path: Path) -> None:
    register = read(
        tmp_path,
        lawns="sep=;\r\nlawn;zone;area_m2\r\nA;front;1.234,5\r\n",
        work="date;lawn;zone;task;rate;notes\r\n"
        '05/03/2026;A;front;Feeding;"2,5";"two\r\nlines"\r\n'
        "23/03/2026;a;FRONT;mow;;\r\n4.4.26; A ;front;top dressing;;\r\n",
    )
    assert register.problems == ()
    assert register.lawns.loc[0, "area_m2"] == 1234.5
    assert list(register.work["date"]) == ["2026-03-05", "2026-03-23", "2026-04-04"]
    assert list(register.work["task"]) == ["feed", "mow", "top-dress"]
    assert list(register.work["lawn"]) == ["A"] * 3
    assert register.work.loc[0, "notes"] == "two\r\nlines"
    assert register.work.loc[0, "rate"] == 2.5


def test_an_ambiguous_date_is_a_problem_and_the_row_is_left_out(tmp_path: Path) -> None:
    register = read(
        tmp_path, work="date,lawn,zone,task\n05/03/2026,A,all,mow\n2026-03-06,A,all,mow\n"
    )
    (problem,) = register.problems
    assert (problem.file, problem.row, problem.column) == ("work.csv", 2, "date")
    assert "2026-03-05 or 2026-05-03" in problem.mend
    assert list(register.work["date"]) == ["2026-03-06"]


@pytest.mark.parametrize(
    ("line", "column", "what"),
    [
        (",A,all,mow,", "date", "empty"),
        ("2026-02-30,A,all,mow,", "date", "no day of the calendar"),
        ("46086,A,all,mow,", "date", "day number"),
        ("2026-03-05,A,all,scarfy,", "task", "not a known task"),
        ("2026-03-05,A,all,mow,high", "Cut height mm", "not a number"),
        ("2026-03-05,A,all,mow,-3", "Cut height mm", "cannot be"),
        ("2026-03-05,A,all,mow,#REF!", "Cut height mm", "not a number"),
        ("2026-03-05,A,all,mow,3,5", "", "6 cells under 5 headings"),
    ],
)
def test_problems_name_row_and_column(tmp_path: Path, line: str, column: str, what: str) -> None:
    head = "# my work\n\ndate,lawn,zone,task,height_mm\n".replace("height_mm", "Mowing height mm")
    register = read(tmp_path, work=head + line + "\n")
    (problem,) = register.problems
    assert problem.row == 4
    assert problem.column == column.replace("Cut", "Mowing")
    assert what in problem.what


def test_a_bad_optional_value_leaves_the_row(tmp_path: Path) -> None:
    register = read(tmp_path, lawns="lawn,zone,area_m2,shade\nA,front,big,dark\n")
    assert len(register.problems) == 2
    assert pd.isna(register.lawns.loc[0, "area_m2"])
    assert pd.isna(register.lawns.loc[0, "shade"])


def test_shade_none_is_a_value_not_unknown(tmp_path: Path) -> None:
    register = read(tmp_path, lawns="lawn,zone,shade,soil\nA,front,none,n/a\n")
    assert register.lawns.loc[0, "shade"] == "none"
    assert pd.isna(register.lawns.loc[0, "soil"])


def test_the_same_zone_twice_keeps_the_first(tmp_path: Path) -> None:
    register = read(tmp_path, lawns="lawn,zone,area_m2\nA,front,10\na,Front,20\n")
    (problem,) = register.problems
    assert (problem.row, len(register.lawns)) == (3, 1)
    assert "same lawn and zone as row 2" in problem.what


def test_an_open_quotation_mark_does_not_swallow_the_rows_below(tmp_path: Path) -> None:
    register = read(
        tmp_path, lawns='lawn,zone,notes\nA,front,"18 inch mower\nB,all,fine\nC,all,fine\n'
    )
    assert [p.row for p in register.problems] == [2]
    assert list(register.lawns["lawn"]) == ["A", "B", "C"]


def test_a_file_without_headings_says_so(tmp_path: Path) -> None:
    register = read(tmp_path, lawns="A,front,10\n")
    assert "no column lawn" in register.problems[0].what


def test_an_unknown_column_is_noted_with_a_guess(tmp_path: Path) -> None:
    register = read(tmp_path, lawns="lawn,zone,drainge,gate code\nA,all,good,12\n")
    assert register.problems == ()
    assert next((n.column, n.mend) for n in register.notes) == (
        "drainge",
        "Did you mean `drainage`?",
    )


def test_a_spreadsheet_in_place_of_the_csv(tmp_path: Path) -> None:
    (tmp_path / "lawns.xlsx").write_bytes(b"PK\x03\x04")
    assert "no lawns.csv" in read_register(tmp_path).problems[0].what
    register = read(tmp_path, work=b"PK\x03\x04...")
    assert any("a spreadsheet" in p.what for p in register.problems)


def test_areas_in_square_feet_are_converted(tmp_path: Path) -> None:
    register = read(tmp_path, lawns="lawn,zone,area (sq ft)\nA,all,1000\n")
    # 1 ft is 0.3048 m exactly: NIST SP 811 (2008), appendix B.8.
    assert register.lawns.loc[0, "area_m2"] == pytest.approx(92.90304)


def test_work_on_the_whole_lawn_is_work_on_each_zone(tmp_path: Path) -> None:
    register = read(
        tmp_path,
        lawns=LAWN_ROWS,
        work="date,lawn,zone,task,material_off,material_unit,rate\n"
        "2026-03-05,Mill-Lane-3,,scarify,10,boxes,4\n",
    )
    work = register.work
    assert list(work["zone"]) == ["front", "back"]
    assert list(work["material_off"]) == [7.0, 3.0]  # 140 and 60 of 200 m2
    assert list(work["rate"]) == [4.0, 4.0]
    assert register.row_numbers["work"] == (2, 2)


@pytest.mark.parametrize(
    ("texts", "order"),
    [
        (["13/1/2026", "1/2/2026"], "day"),
        (["1/13/2026"], "month"),
        (["13/1/2026", "1/13/2026"], "unknown"),
        (["13.1.2026"], "unknown"),
        ([], "unknown"),
    ],
)
def test_date_order(texts: list[str], order: str) -> None:
    assert date_order(texts) == order


@given(st.dates(min_value=date(2000, 1, 1), max_value=date(2099, 12, 31)))
def test_every_date_is_read_as_itself_or_not_at_all(day: date) -> None:
    iso = day.isoformat()
    assert parse_date(iso) == iso
    assert parse_date(f"{day.day}.{day.month}.{day.year}") == iso
    assert parse_date(f"{day:%d/%m/%Y}", "day") == iso
    assert parse_date(f"{day:%m/%d/%Y}", "month") == iso
    try:
        assert parse_date(f"{day:%d/%m/%Y}") == iso
    except CellError:
        assert day.day <= 12


@pytest.mark.parametrize("text", ["5 März 2026", "5. März 2026", "5-Mar-26", "5 mars 2026"])
def test_months_in_words(text: str) -> None:
    assert parse_date(text) == "2026-03-05"


@given(st.decimals(min_value=0, max_value=99999, places=2))
def test_numbers_in_three_ways_of_writing(value: Decimal) -> None:
    english = f"{value:,}"
    german = english.translate(str.maketrans(",.", ".,"))
    assert parse_number(english, ".") == float(value)
    assert parse_number(german, ",") == float(value)
    assert parse_number(english.replace(",", " "), ".") == float(value)


@pytest.mark.parametrize(("text", "mark"), [("1,234", "."), ("1.234", ","), ("1.234", "")])
def test_a_number_that_can_be_two_is_refused(text: str, mark: str) -> None:
    with pytest.raises(CellError, match=r"can be 1\.234 or 1234"):
        parse_number(text, mark)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("texts", "separator", "mark"),
    [
        (["0,5"], ",", ","),
        (["0.5"], ";", "."),
        (["3"], ";", ","),
        (["3"], ",", "."),
        (["0,5", "0.5"], ";", ""),
    ],
)
def test_decimal_mark(texts: list[str], separator: str, mark: str) -> None:
    assert decimal_mark(texts, separator) == mark


cell = st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n#"), max_size=8)


@given(st.lists(st.tuples(cell, cell), max_size=6), st.sampled_from([",", ";", "\t"]))
def test_no_row_is_lost_by_any_separator(rows: list[tuple[str, str]], separator: str) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    writer.writerow(["lawn", "zone"])
    writer.writerows(rows)
    sheet = parse_sheet(
        out.getvalue().encode(), {normal_heading("lawn"), "zone"}, where=Path("x.csv")
    )
    kept = [row for row in rows if any(c.strip() for c in row)]
    assert sheet.separator == separator
    assert [row.cells for row in sheet.rows] == kept
