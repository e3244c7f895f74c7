"""A CSV file that people keep by hand: whatever a spreadsheet wrote, read without loss.

The text is kept as it stands, so that a row can be added without touching the others.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.spreadsheet import plain_cell

SEPARATORS = (",", ";", "\t")
_CELL_ERROR = re.compile(r"#(N/A|REF!|VALUE!|NAME\?|DIV/0!|NUM!|NULL!)")
_ZIP_MAGIC = b"PK\x03\x04"  # xlsx and ods are ZIP files: APPNOTE.TXT, section 4.3.7
_SAVE_AS = "Save it from the spreadsheet as `CSV UTF-8`."


@dataclass(frozen=True)
class SheetRow:
    """One row that holds something: its number in the spreadsheet and its cells."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """One hand-kept CSV file.

    Parameters
    ----------
    text
        The whole file, decoded; line ends as they stand.
    encoding
        ``utf-8``, ``utf-8-sig``, ``utf-16`` or ``cp1252``.
    separator
        Comma, semicolon or tab.
    newline
        The file's own line end.
    header, header_line
        The headings and the physical line (from 1) on which they end; 0 without a header.
    rows
        Rows below the header, without blank rows and without comments (first cell ``#...``).
    broken_row
        The row in which a quotation mark goes wrong; ``None`` in a sound file.
    """

    text: str
    encoding: str
    separator: str
    newline: str
    header: tuple[str, ...]
    header_row: int
    header_line: int
    rows: tuple[SheetRow, ...]
    broken_row: int | None = None


def refuse_broken(sheet: Sheet, name: object) -> None:
    """Refuse to change a file in which a quotation mark goes wrong.

    Raises
    ------
    LawnscoreError
        When one is opened and not closed, with the row in which.
    """
    if sheet.broken_row is not None:
        raise LawnscoreError(
            "a quotation mark is opened and not closed",
            'Remove the mark `"` or write it twice, then run again.',
            f"{name}, row {sheet.broken_row}",
        )


def normal_heading(heading: str) -> str:
    """Return a heading in the form in which spellings are compared.

    >>> normal_heading(" Area (m²)")
    'area_m2'
    >>> normal_heading("P₂O₅ %")
    'p2o5_pct'
    """
    text = heading.strip().casefold().translate(str.maketrans("²₂₅", "225")).replace("%", " pct ")
    return re.sub(r"[\W_]+", "_", text).strip("_")


def read_sheet(path: Path, known: Collection[str]) -> Sheet:
    """Read a hand-kept CSV file.

    Parameters
    ----------
    path
        The file.
    known
        Normal headings (:func:`normal_heading`) that are understood; the separator under which
        most of them are found is the file's.

    Raises
    ------
    LawnscoreError
        When the file cannot be opened or is no text.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LawnscoreError(
            f"cannot be read ({error.strerror or error})",
            "Close it in other programs and check that it may be read.",
            path,
        ) from None
    return parse_sheet(data, known, where=path)


def parse_sheet(data: bytes, known: Collection[str], *, where: Path) -> Sheet:
    """Return the sheet that the bytes of a CSV file hold; see :func:`read_sheet`."""
    text, encoding = _decode(data, where)
    newline = "\r\n" if "\r\n" in text else "\n"
    body, skipped = text, 0
    said = re.match(r"sep=(.)\r?\n", text)
    if said:
        body, skipped = text[said.end() :], 1
    candidates = (said.group(1),) if said else SEPARATORS
    separator = max(candidates, key=lambda mark: _n_known(body, mark, known))
    return _split(text, body, skipped, encoding, separator, newline)


def _decode(data: bytes, where: Path) -> tuple[str, str]:
    if data.startswith(_ZIP_MAGIC):
        raise LawnscoreError("a spreadsheet, not a CSV file", _SAVE_AS, where)
    encodings = ["utf-8", "cp1252"]
    if data.startswith(b"\xef\xbb\xbf"):
        encodings = ["utf-8-sig"]
    elif data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text, encoding
    raise LawnscoreError("not a text file", _SAVE_AS, where)


def _is_comment(cells: list[str]) -> bool:
    first = next((cell.strip() for cell in cells if cell.strip()), "")
    return first.startswith("#") and not _CELL_ERROR.match(first)


def _n_known(body: str, separator: str, known: Collection[str]) -> int:
    with cells_of_any_length(body):
        for cells in csv.reader(io.StringIO(body, newline=""), delimiter=separator):
            if any(cell.strip() for cell in cells) and not _is_comment(cells):
                return sum(normal_heading(cell) in known for cell in cells)
    return 0


def _split(
    text: str, body: str, skipped: int, encoding: str, separator: str, newline: str
) -> Sheet:
    records, broken = _records(body, separator)
    header: tuple[str, ...] = ()
    header_row = header_line = 0
    rows = []
    for number, (cells, line) in enumerate(records, start=1):
        if not any(cell.strip() for cell in cells) or _is_comment(cells):
            continue
        if header_row == 0:
            header = tuple(cell.strip() for cell in cells)
            header_row, header_line = number, line + skipped
        else:
            rows.append(SheetRow(number, tuple(map(plain_cell, cells))))
    return Sheet(
        text, encoding, separator, newline, header, header_row, header_line, tuple(rows), broken
    )


@contextmanager
def cells_of_any_length(body: str) -> Iterator[None]:
    """Let a cell be as long as the file: an opened quotation mark takes in all that follows."""
    before = csv.field_size_limit(len(body) + 1)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _records(body: str, separator: str) -> tuple[list[tuple[list[str], int]], int | None]:
    """Return cells and end line of each record, and the row where a quotation mark goes wrong.

    After such a mark each line is taken by itself: one bad mark must not swallow the file.
    """
    records: list[tuple[list[str], int]] = []
    try:
        with cells_of_any_length(body):
            reader = csv.reader(io.StringIO(body, newline=""), delimiter=separator, strict=True)
            for cells in reader:
                records.append((cells, reader.line_num))
    except csv.Error:
        done = records[-1][1] if records else 0
        broken = len(records) + 1
        for offset, line in enumerate(body.splitlines()[done:], start=1):
            cells = [cell.strip().strip('"') for cell in line.split(separator)] if line else []
            records.append((cells, done + offset))
        return records, broken
    return records, None
