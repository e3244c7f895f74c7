"""The tables of a round as one XLSX workbook."""

from __future__ import annotations

import io
import re
from typing import Any

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row, rows_of
from lawnscore.contract.tables import INPUT_TABLES, OUTPUT_TABLES, Column, Table
from lawnscore.report.load import RoundRows

_WIDTHS = {"string": 22, "date": 12, "datetime": 26, "number": 14, "integer": 10, "boolean": 10}
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")  # not allowed in XML 1.0
_CELL_LENGTH = 32_767  # characters a cell of an XLSX workbook holds


def workbook(rounds: RoundRows) -> bytes:
    """Return every table of a round as a sheet of one workbook, and a sheet that explains them.

    Numbers stay numbers, dates become dates, unknown stays empty; text is always text, so a name
    that starts with ``=`` is never taken for a formula.

    Raises
    ------
    LawnscoreError
        When openpyxl is not installed.
    """
    try:
        from openpyxl import Workbook
    except ImportError:
        raise LawnscoreError(
            "the workbook needs the package openpyxl",
            'Install it with `pip install "lawnscore[tables]"`.',
        ) from None
    book = Workbook(write_only=True)
    tables = {**OUTPUT_TABLES, **INPUT_TABLES}
    order = ["attention", "visit_scores", "changes", "recovery", "photo_scores", "lawns", "work"]
    for name in order:
        if name in rounds.frames:
            _sheet(book, tables[name], rows_of(rounds.frames[name]))
    _columns(book, [tables[name] for name in order if name in rounds.frames])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _sheet(book: Any, table: Table, rows: list[Row]) -> None:
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(table.name)
    sheet.freeze_panes = "A2"
    for index, column in enumerate(table.columns, start=1):
        sheet.column_dimensions[get_column_letter(index)].width = _WIDTHS[column.type]
    sheet.append([_head(sheet, column.name) for column in table.columns])
    for row in rows:
        sheet.append([_cell(sheet, column, row[column.name]) for column in table.columns])
    last = get_column_letter(len(table.columns))
    sheet.auto_filter.ref = f"A1:{last}{len(rows) + 1}"


def _columns(book: Any, tables: list[Table]) -> None:
    sheet = book.create_sheet("columns")
    sheet.freeze_panes = "A2"
    for letter, width in zip("ABCD", (16, 28, 12, 80), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.append([_head(sheet, text) for text in ("table", "column", "type", "meaning")])
    for table in tables:
        for column in table.columns:
            sheet.append([table.name, column.name, column.type, column.meaning])


def _head(sheet: Any, text: str) -> Any:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    cell = WriteOnlyCell(sheet, value=text)
    cell.font = Font(bold=True)
    return cell


def _cell(sheet: Any, column: Column, value: Any) -> Any:
    from openpyxl.cell import WriteOnlyCell

    if value is None:
        return None
    if column.type == "date":
        return _day(sheet, str(value))
    if column.type in ("string", "datetime"):
        cell = WriteOnlyCell(sheet, value="")
        cell.value = _CONTROL.sub("", str(value))[:_CELL_LENGTH]
        cell.data_type = "s"  # never a formula
        return cell
    if column.type == "boolean":
        return bool(value)
    return int(value) if column.type == "integer" else float(value)


def _day(sheet: Any, text: str) -> Any:
    from datetime import datetime

    from openpyxl.cell import WriteOnlyCell

    try:
        cell = WriteOnlyCell(sheet, value=datetime.fromisoformat(text[:10]))
    except ValueError:
        return text
    cell.number_format = "yyyy-mm-dd"
    return cell
