"""Take rows out of a hand-kept file, and leave every other byte of it as it is."""

from __future__ import annotations

import csv
import io
import unicodedata
from pathlib import Path

from lawnscore.contract.tables import CUSTOMERS, LAWNS
from lawnscore.register.headings import known_headings
from lawnscore.register.sheet import (
    Sheet,
    cells_of_any_length,
    normal_heading,
    parse_sheet,
    refuse_broken,
)


def without_lawn(data: bytes, lawn: str, *, where: Path) -> tuple[bytes, int]:
    """Return a hand-kept CSV file without the rows of a lawn, and how many were taken out.

    Parameters
    ----------
    data
        The file.
    lawn
        Name of the lawn; capitals and the way letters are composed do not matter.
    where
        Where it lies, for messages.

    Raises
    ------
    LawnscoreError
        When it is no text, or a quotation mark in it is not closed.
    """
    return _without(data, "lawn", lawn, where)


def without_customer(data: bytes, customer: str, *, where: Path) -> tuple[bytes, int]:
    """Return customers.csv without the row of a customer; else as :func:`without_lawn`."""
    return _without(data, "customer", customer, where)


def _without(data: bytes, name: str, value: str, where: Path) -> tuple[bytes, int]:
    known = known_headings(CUSTOMERS if name == "customer" else LAWNS)
    sheet = parse_sheet(data, known, where=where)
    refuse_broken(sheet, where)
    columns = [known[h].column if h in known else "" for h in map(normal_heading, sheet.header)]
    if name == "lawn" and name not in columns and where.stem.partition("-")[0] != CUSTOMERS.name:
        name = "customer"  # a customer with one lawn names it
    if name not in columns:
        return data, 0
    column = columns.index(name)
    gone = {
        row.number
        for row in sheet.rows
        if len(row.cells) > column and folded(row.cells[column]) == folded(value)
    }
    return _without_records(sheet, gone).encode(sheet.encoding), len(gone)


def folded(name: str) -> str:
    """Return a name as names are compared: composed, without outer spaces, in lower case."""
    return unicodedata.normalize("NFC", name).strip().casefold()


def _without_records(sheet: Sheet, gone: set[int]) -> str:
    """Return the text of a sheet without some of its records, counted from 1."""
    lines = list(io.StringIO(sheet.text, newline=""))
    start = int(sheet.text.startswith("sep="))
    kept = lines[:start]
    with cells_of_any_length(sheet.text):
        reader = csv.reader(iter(lines[start:]), delimiter=sheet.separator, strict=True)
        first = start
        for number, _ in enumerate(reader, start=1):
            end = start + reader.line_num
            if number not in gone:
                kept += lines[first:end]
            first = end
    return "".join(kept)
