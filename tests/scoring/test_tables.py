"""Tables of a round: whole or not at all, typed, rounded, described."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_whole
from lawnscore.contract.spreadsheet import plain_cell, safe_cell
from lawnscore.contract.tables import OUTPUT_TABLES, Column, Table
from lawnscore.scoring import tables
from lawnscore.scoring.datapackage import table_schema, write_datapackage
from lawnscore.scoring.tables import read_table, table_path, tidied, write_table

PHOTO = {
    "lawn": "NA",
    "zone": "001",
    "date": "2026-05-01",
    "stage": "before",
    "photo": 'photos/NA/001/2026-05-01-before/ü, "two"\nlines.jpg',
    "sha256": "ab" * 32,
    "status": "scored",
    "taken_at": "2026-05-01T10:11:12.250+01:00",
    "green_cover_pct": 66.66666666,
    "colour_index": 0.1 + 0.2,
    "mm_per_px": 0.4305882,
    "version": "0.1.0",
    "settings_id": "1234abcd",
}
CHANGE = {
    "lawn": "a",
    "zone": "all",
    "measure": "green_cover_pct",
    "kind": "work",
    "from_date": "2026-05-01",
    "from_stage": "before",
    "to_date": "2026-05-01",
    "to_stage": "after",
    "change": -0.000001,
    "n_paired_spots": 3,
    "method_changed": True,
}


def sample_value(column: Column) -> object:
    if column.allowed:
        return column.allowed[0]
    return {
        "string": "text",
        "integer": 3,
        "number": 1.25,
        "boolean": False,
        "date": "2026-05-01",
        "datetime": "2026-05-01T10:11:12",
    }[column.type]


def full_row(table: Table) -> dict[str, object]:
    return {column.name: sample_value(column) for column in table.columns}


def test_a_written_table_reads_back_with_its_types(tmp_path: Path) -> None:
    write_table(tmp_path, "photo_scores", pd.DataFrame([PHOTO]))
    row = read_table(tmp_path, "photo_scores").iloc[0]
    assert row["lawn"] == "NA"
    assert row["zone"] == "001"
    assert row["photo"] == PHOTO["photo"]
    assert row["green_cover_pct"] == 66.667
    assert row["colour_index"] == 0.3
    assert np.isnan(row["straw_cover_pct"])
    assert pd.isna(row["spot"])


def test_integers_and_truth_values_read_back(tmp_path: Path) -> None:
    rows = [CHANGE, {**CHANGE, "kind": "visit", "n_paired_spots": None, "method_changed": None}]
    write_table(tmp_path, "changes", pd.DataFrame(rows))
    table = read_table(tmp_path, "changes")
    assert table["n_paired_spots"].tolist() == [3, pd.NA]
    assert table["method_changed"].tolist() == [True, pd.NA]
    assert "-0.0" not in table_path(tmp_path, "changes").read_text()


@pytest.mark.parametrize("name", OUTPUT_TABLES)
def test_an_empty_table_has_its_columns(tmp_path: Path, name: str) -> None:
    path = write_table(tmp_path, name, OUTPUT_TABLES[name].frame([]))
    assert path.read_text(encoding="utf-8").split("\n")[0].split(",") == (
        OUTPUT_TABLES[name].column_names
    )
    pd.testing.assert_frame_equal(read_table(tmp_path, name), OUTPUT_TABLES[name].frame([]))


@pytest.mark.parametrize("name", OUTPUT_TABLES)
def test_parquet_holds_the_same(tmp_path: Path, name: str) -> None:
    write_table(tmp_path, name, pd.DataFrame([full_row(OUTPUT_TABLES[name])]), parquet=True)
    parquet = pd.read_parquet(table_path(tmp_path, name, suffix=".parquet"))
    pd.testing.assert_frame_equal(
        OUTPUT_TABLES[name].frame(parquet), read_table(tmp_path, name), check_dtype=True
    )


def test_a_table_in_pieces_is_the_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = pd.DataFrame(
        [{**CHANGE, "lawn": f"l{k}", "low": None if k % 2 else k} for k in range(9)]
    )
    whole = write_table(tmp_path / "whole", "changes", rows, parquet=True)
    monkeypatch.setattr(tables, "_ROWS_AT_ONCE", 2)
    pieces = iter([rows.iloc[:5], rows.iloc[5:]])
    path = write_table(tmp_path / "pieces", "changes", pieces, parquet=True)
    assert path.read_bytes() == whole.read_bytes()
    columns = [pd.read_parquet(p.with_suffix(".parquet")) for p in (path, whole)]
    pd.testing.assert_frame_equal(*columns)


def test_a_table_that_fails_midway_keeps_the_old(tmp_path: Path) -> None:
    rows = pd.DataFrame([CHANGE])
    path = write_table(tmp_path, "changes", iter([rows]))
    before, inode = path.read_bytes(), path.stat().st_ino

    def broken() -> Iterator[pd.DataFrame]:
        yield rows.assign(lawn="other")
        raise MemoryError

    with pytest.raises(MemoryError):
        write_table(tmp_path, "changes", broken())
    write_table(tmp_path, "changes", iter([rows]))
    assert (path.read_bytes(), path.stat().st_ino) == (before, inode)
    assert [file.name for file in path.parent.iterdir()] == ["changes.csv"]


@given(
    st.floats(0, 100, allow_nan=False),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), min_size=1),
)
@settings(max_examples=40, deadline=None)
def test_reading_what_was_written_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, value: float, name: str
) -> None:
    folder = tmp_path_factory.mktemp("round")
    frame = pd.DataFrame([{**PHOTO, "lawn": name, "green_cover_pct": value}])
    path = write_table(folder, "photo_scores", frame)
    before = path.read_bytes()
    again = read_table(folder, "photo_scores")
    assert again.loc[0, "lawn"] == name
    assert abs(again.loc[0, "green_cover_pct"] - value) <= 0.0005 + 1e-12
    write_table(folder, "photo_scores", again)
    assert path.read_bytes() == before


def cell_values(column: Column) -> st.SearchStrategy[object]:
    """Anything that may stand in a cell of the column, unknown among it."""
    if column.allowed:
        known: st.SearchStrategy[object] = st.sampled_from(column.allowed)
    else:
        known = {
            "string": st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")),
                              min_size=1, max_size=12),
            "integer": st.integers(-1000, 100_000),
            "number": st.floats(-1e6, 1e6),
            "boolean": st.booleans(),
            "date": st.dates().map(str),
            "datetime": st.datetimes().map(lambda when: when.isoformat(timespec="seconds")),
        }[column.type]  # fmt: skip
    return known if column.required else st.none() | known


@pytest.mark.parametrize("name", OUTPUT_TABLES)
@given(data=st.data())
@settings(max_examples=8, deadline=None)
def test_every_table_comes_back_as_it_was_written(
    tmp_path_factory: pytest.TempPathFactory, name: str, data: st.DataObject
) -> None:
    table = OUTPUT_TABLES[name]
    columns = {column.name: cell_values(column) for column in table.columns}
    rows = data.draw(st.lists(st.fixed_dictionaries(columns), max_size=3))
    folder = tmp_path_factory.mktemp("round")
    write_table(folder, name, table.frame(rows))
    pd.testing.assert_frame_equal(read_table(folder, name), tidied(table, table.frame(rows)))


def test_rounding_stays_well_below_the_standard_error() -> None:
    # A share of 40 % from 10,000 cells has a binomial standard error of 0.49 points.
    assert 10.0 ** -tables.decimals("green_cover_pct") < 0.49 / 100


def test_a_failed_write_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_table(tmp_path, "photo_scores", pd.DataFrame([PHOTO]))
    before = path.read_bytes()

    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(LawnscoreError, match="No space left"):
        write_table(tmp_path, "photo_scores", pd.DataFrame([{**PHOTO, "lawn": "b"}]))
    assert path.read_bytes() == before
    assert [file.name for file in path.parent.iterdir()] == ["photo_scores.csv"]


def test_an_unchanged_file_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_whole(path, b"same")
    first = path.stat().st_ino
    write_whole(path, b"same")
    assert path.stat().st_ino == first
    write_whole(path, b"other")
    assert path.read_bytes() == b"other"


def test_messages_of_tables_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match=r"there is no table attention\. Run `lawnscore score"):
        read_table(tmp_path, "attention")
    path = write_table(tmp_path, "attention", OUTPUT_TABLES["attention"].frame([]))
    path.write_text("rank,lawn\n1,a\n")
    with pytest.raises(LawnscoreError, match="column zone is missing"):
        read_table(tmp_path, "attention")
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LawnscoreError, match="cannot be read"):
        read_table(tmp_path, "attention")
    path.write_text("")
    with pytest.raises(LawnscoreError, match="cannot be read"):
        read_table(tmp_path, "attention")


def test_a_number_that_is_none_is_reported(tmp_path: Path) -> None:
    path = write_table(tmp_path, "photo_scores", pd.DataFrame([PHOTO]))
    path.write_text(path.read_text().replace("66.667", "two thirds"))
    with pytest.raises(LawnscoreError, match="wrong kind"):
        read_table(tmp_path, "photo_scores")


def test_columns_unknown_to_the_table_are_dropped() -> None:
    table = OUTPUT_TABLES["attention"]
    assert list(tidied(table, pd.DataFrame([{"lawn": "a", "extra": 1}])).columns) == (
        table.column_names
    )


# ------------------------------------------------------------------ datapackage.json


def write_all(folder: Path) -> None:
    for name, table in OUTPUT_TABLES.items():
        write_table(folder, name, pd.DataFrame([full_row(table)]))


def test_the_data_package_is_valid(tmp_path: Path) -> None:
    # Reference: the frictionless library, on package, schemas and rows.
    frictionless = pytest.importorskip("frictionless")
    write_all(tmp_path)
    report = frictionless.Package(str(write_datapackage(tmp_path))).validate()
    assert report.valid, report.flatten(["message"])
    assert len(report.tasks) == len(OUTPUT_TABLES)


@pytest.mark.parametrize(
    ("old", "new", "error"),
    [
        ("1.25", "much", "type-error"),
        ("before", "during", "constraint-error"),
        ("text,text", ",text", "constraint-error"),
    ],
)
def test_the_schema_sees_what_is_wrong(tmp_path: Path, old: str, new: str, error: str) -> None:
    frictionless = pytest.importorskip("frictionless")
    write_all(tmp_path)
    package = write_datapackage(tmp_path)
    path = table_path(tmp_path, "photo_scores")
    head, rest = path.read_text().split("\n", 1)
    path.write_text(f"{head}\n{rest.replace(old, new, 1)}")
    found = frictionless.Package(str(package)).validate().flatten(["type"])
    assert [error] in found


def test_the_schema_covers_every_column_and_unknown_values() -> None:
    for table in OUTPUT_TABLES.values():
        schema = table_schema(table)
        assert [field["name"] for field in schema["fields"]] == table.column_names
        assert schema["missingValues"] == [""]
        assert set(schema["primaryKey"]) <= set(table.column_names)
        assert all(field["description"] for field in schema["fields"])


def test_the_data_package_is_the_same_for_the_same_tables(tmp_path: Path) -> None:
    write_all(tmp_path)
    first = write_datapackage(tmp_path).read_bytes()
    assert write_datapackage(tmp_path).read_bytes() == first
    package = json.loads(first)
    assert [resource["name"] for resource in package["resources"]] == list(OUTPUT_TABLES)


@given(st.text(st.sampled_from("'=+-@\t a1"), min_size=1, max_size=6))
@settings(max_examples=200, deadline=None)
def test_no_text_is_run_by_a_spreadsheet_and_all_come_back(text: str) -> None:
    written = safe_cell(text)
    assert not written.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert plain_cell(written) == text


def test_a_lawn_called_like_a_formula_is_written_safely_and_read_back(tmp_path: Path) -> None:
    name = '=HYPERLINK("http://example.org";"x")'
    path = write_table(tmp_path, "photo_scores", pd.DataFrame([{**PHOTO, "lawn": name}]))
    cells = next(iter(csv.DictReader(path.read_text().splitlines())))
    assert cells["lawn"] == f"'{name}"
    read = read_table(tmp_path, "photo_scores")
    assert read["lawn"].tolist() == [name]
    numbers = [c.name for c in OUTPUT_TABLES["photo_scores"].columns if c.type == "number"]
    assert not any(cells[column].startswith("'") for column in numbers)
