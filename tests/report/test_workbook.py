from __future__ import annotations

import datetime
from pathlib import Path

import pandas as pd
from openpyxl import load_workbook

from lawnscore.contract.settings import Settings
from lawnscore.report.load import arrange
from lawnscore.report.workbook import workbook
from tests.report.invented import RoundMaker


def opened(written: Path):
    return load_workbook(written / "reports" / "round.xlsx")


def test_the_workbook_holds_the_tables_as_they_are(written: Path) -> None:
    for name in ("visit_scores", "changes", "recovery", "photo_scores"):
        csv = pd.read_csv(written / "reports" / f"{name}.csv")
        sheet = pd.read_excel(written / "reports" / "round.xlsx", sheet_name=name)
        assert list(sheet.columns) == list(csv.columns)
        assert len(sheet) == len(csv)
        for column in csv.select_dtypes("number"):
            pd.testing.assert_series_equal(
                sheet[column].astype(float), csv[column].astype(float), check_exact=True
            )


def test_dates_are_dates_and_unknown_is_empty(written: Path) -> None:
    sheet = opened(written)["visit_scores"]
    head = [cell.value for cell in sheet[1]]
    assert isinstance(sheet.cell(2, head.index("date") + 1).value, datetime.datetime)
    refused = [row for row in sheet.iter_rows(min_row=2, values_only=True) if row[0] == "Refused"]
    assert refused[0][head.index("green_cover_pct")] is None


def test_text_is_never_a_formula(tmp_path: Path) -> None:
    maker = RoundMaker()
    maker.lawn('=HYPERLINK("x")', n_visits=1)
    maker.lawn("a\x07b", n_visits=1)
    path = tmp_path / "w.xlsx"
    path.write_bytes(workbook(arrange(tmp_path, Settings(), maker.frames())))
    cell = load_workbook(path)["visit_scores"].cell(2, 1)
    assert (cell.value, cell.data_type) == ('=HYPERLINK("x")', "s")


def test_every_column_is_explained(written: Path) -> None:
    sheet = opened(written)["columns"]
    rows = list(sheet.iter_rows(min_row=2, values_only=True))
    assert ("visit_scores", "green_cover_pct") in {row[:2] for row in rows}
    assert all(row[3] for row in rows)


def test_parquet_is_the_same_as_the_csv(written: Path) -> None:
    csv = pd.read_csv(written / "reports" / "visit_scores.csv")
    parquet = pd.read_parquet(written / "reports" / "visit_scores.parquet")
    assert list(parquet.columns) == list(csv.columns)
    assert (parquet["green_cover_pct"].dropna() == csv["green_cover_pct"].dropna()).all()
