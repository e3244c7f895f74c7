"""The register: `lawns.csv`, `work.csv`, `weather.csv` and `complaints.csv`, kept by hand.

What cannot be read becomes a problem that names file, row and column; the file itself is never
changed here, so nothing is lost.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row
from lawnscore.contract.tables import (
    COMPLAINTS,
    CUSTOMERS,
    INPUT_TABLES,
    LAWNS,
    WEATHER,
    WORK,
    Column,
    Table,
)
from lawnscore.register.cells import (
    CellError,
    DateOrder,
    Mark,
    date_order,
    decimal_mark,
    parse_date,
    parse_number,
)
from lawnscore.register.headings import CELL_UNITS, OTHER_WORDS, Heading, known_headings
from lawnscore.register.mail_address import parse_mail_address
from lawnscore.register.problems import Problem
from lawnscore.register.sheet import Sheet, SheetRow, normal_heading, parse_sheet, read_sheet

WHOLE_LAWN = "all"
_EMPTY_MARKS = {"", "-", "--", "–", "—", "?", "n/a", "na", "none", "nil"}
_KEPT_WORDS = {"none"}  # a value of `shade` and `reports`
_NAMES = {"lawn", "zone"}

_RANGES: dict[str, tuple[float, float]] = {
    "area_m2": (1e-6, float("inf")),
    "rate": (0.0, float("inf")),
    "passes": (0.0, 100.0),
    "height_mm": (0.0, 300.0),
    "depth_mm": (0.0, 500.0),
    "material_off": (0.0, float("inf")),
    "product_used_kg": (0.0, float("inf")),
    "mean_c": (-60.0, 60.0),
    "soil_c": (-30.0, 60.0),
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 180.0),
    "rain_mm": (0.0, 2000.0),
    "leaf_wetness_h": (0.0, 24.0),
    **{f"{n}_pct": (0.0, 100.0) for n in ("n", "p2o5", "k2o", "ca", "mg", "fe", "s")},
}
"""What a number can be at all; what is merely unlikely is for `lawnscore check` to say."""


@dataclass(frozen=True, eq=False)
class Register:
    """What people wrote about the round.

    Parameters
    ----------
    lawns, work, weather, complaints, customers
        Tables with exactly the columns of ``LAWNS``, ``WORK``, ``WEATHER``, ``COMPLAINTS`` and
        ``CUSTOMERS``; empty tables where there is no file. Work on the whole of a lawn with zones
        is given for each zone.
    problems
        What could not be read. A row without a required value is left out of its table; a bad
        value elsewhere is left empty.
    notes
        What was read but deserves a look, such as a column that is not known.
    row_numbers
        For each table by name, the row of its file that each row of the table came from.
    """

    lawns: pd.DataFrame
    work: pd.DataFrame
    weather: pd.DataFrame
    problems: tuple[Problem, ...]
    notes: tuple[Problem, ...] = ()
    row_numbers: dict[str, tuple[int, ...]] = field(default_factory=dict)
    complaints: pd.DataFrame = field(default_factory=lambda: COMPLAINTS.frame([]))
    customers: pd.DataFrame = field(default_factory=lambda: CUSTOMERS.frame([]))


@dataclass(frozen=True, eq=False)
class TableRead:
    """One hand-kept file: its rows as values, where they stood, what was wrong, decimal mark."""

    rows: tuple[Row, ...] = ()
    row_numbers: tuple[int, ...] = ()
    problems: tuple[Problem, ...] = ()
    notes: tuple[Problem, ...] = ()
    mark: Mark = "."


def read_register(round_path: Path | str) -> Register:
    """Read the register of a round.

    Parameters
    ----------
    round_path
        Folder of the round.

    Returns
    -------
    Register
        Tables and problems. Files that are missing give empty tables.

    Raises
    ------
    LawnscoreError
        When the folder is missing. A file that cannot be read at all is a problem instead.
    """
    folder = Path(round_path)
    if not folder.is_dir():
        raise LawnscoreError(
            "there is no such round", "Make one with `lawnscore new ROUND`.", folder
        )
    reads = {name: _read_file(folder, table) for name, table in INPUT_TABLES.items()}
    lawns, work, weather = reads["lawns"], reads["work"], reads["weather"]
    work = _name_as_in_lawns(work, lawns.rows)
    complaints, customers = reads["complaints"], reads["customers"]
    return Register(
        LAWNS.frame(lawns.rows),
        WORK.frame(work.rows),
        WEATHER.frame(weather.rows),
        lawns.problems
        + work.problems
        + weather.problems
        + complaints.problems
        + customers.problems,
        lawns.notes + work.notes + weather.notes + complaints.notes + customers.notes,
        {name: reads[name].row_numbers for name in INPUT_TABLES} | {"work": work.row_numbers},
        COMPLAINTS.frame([_spelled_as(row, lawns.rows) for row in complaints.rows]),
        CUSTOMERS.frame(customers.rows),
    )


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ``Did you mean `x`?`` with the nearest known word, or nothing.

    >>> nearest("scarfy", ["scarify", "mow"])
    'Did you mean `scarify`?'
    """
    by_fold = {other.casefold(): other for other in known}
    close = difflib.get_close_matches(word.casefold(), list(by_fold), 1, 0.6)
    return f"Did you mean `{by_fold[close[0]]}`?" if close else ""


def complaint_photos(cell: str | None) -> list[str]:
    """Return the files that a cell of ``photos`` in ``complaints.csv`` names.

    >>> complaint_photos("complaints/elm/2025-10-20/a.jpg; complaints/elm/2025-10-20/b.jpg")
    ['complaints/elm/2025-10-20/a.jpg', 'complaints/elm/2025-10-20/b.jpg']
    """
    return [name for part in (cell or "").split(";") if (name := part.strip())]


def read_table_file(path: Path, table: Table, *, data: bytes | None = None) -> TableRead:
    """Read one hand-kept file of the round, or its bytes before they are written.

    Raises
    ------
    LawnscoreError
        When it cannot be opened or is no text.
    """
    known = known_headings(table)
    sheet = read_sheet(path, known) if data is None else parse_sheet(data, known, where=path)
    return _Reader(path.name, table, sheet, known).read()


def _read_file(folder: Path, table: Table) -> TableRead:
    path = folder / f"{table.name}.csv"
    if not path.exists():
        others = [p.name for p in sorted(folder.glob(f"{table.name}.*")) if p.is_file()]
        if not others:
            return TableRead()
        mend = f"Save it from the spreadsheet as {path.name} (`CSV UTF-8`)."
        return TableRead(
            problems=(Problem(others[0], None, "", f"there is no {path.name} beside it", mend),)
        )
    try:
        return read_table_file(path, table)
    except LawnscoreError as error:
        return TableRead(problems=(Problem(path.name, None, "", error.what, error.mend),))


class _Reader:
    """Reads one sheet into rows of one table; collects what is wrong on the way."""

    def __init__(self, file: str, table: Table, sheet: Sheet, known: dict[str, Heading]) -> None:
        self.file = file
        self.table = table
        self.sheet = sheet
        self.problems: list[Problem] = []
        self.notes: list[Problem] = []
        self.places = self._places(known)
        self.order: DateOrder = date_order(self._texts("date"))
        numbers = [c.name for c in table.columns if c.type in ("number", "integer")]
        self.mark: Mark = decimal_mark(
            (text for name in numbers for text in self._texts(name)), sheet.separator
        )

    def read(self) -> TableRead:
        if self.sheet.broken_row is not None:
            self._problem(
                self.sheet.broken_row,
                "",
                "a quotation mark is opened and not closed",
                'Remove the mark `"` or write it twice.',
            )
        missing = [c.name for c in self.table.columns if c.required and not self._optional(c)]
        missing = [name for name in missing if name not in self.places]
        if self.sheet.header_row and missing:
            self._problem(
                self.sheet.header_row,
                "",
                f"there is no column {' or '.join(missing)}",
                f"Let the first row read: {', '.join(self.table.column_names[:5])}, ...",
            )
            return TableRead(problems=tuple(self.problems), notes=tuple(self.notes))
        rows, numbers = self._rows()
        problems, notes = tuple(self.problems), tuple(self.notes)
        return TableRead(tuple(rows), tuple(numbers), problems, notes, self.mark)

    def _rows(self) -> tuple[list[Row], list[int]]:
        rows, numbers = [], []
        seen: dict[tuple[str, ...], int] = {}
        for sheet_row in self.sheet.rows:
            row = self._row(sheet_row)
            if row is None:
                continue
            key = tuple(str(row[name]).casefold() for name in self.table.key)
            if key and key in seen:
                self._problem(
                    sheet_row.number,
                    "",
                    f"the same {' and '.join(self.table.key)} as row {seen[key]}",
                    "Keep one of the two rows; the first is used.",
                )
                continue
            seen[key] = sheet_row.number
            rows.append(row)
            numbers.append(sheet_row.number)
        return rows, numbers

    def _row(self, sheet_row: SheetRow) -> Row | None:
        extra = [c for c in sheet_row.cells[len(self.sheet.header) :] if c.strip()]
        if extra:
            self._problem(
                sheet_row.number,
                "",
                f"{len(sheet_row.cells)} cells under {len(self.sheet.header)} headings",
                "Put quotation marks around a cell that holds a comma, such as a decimal comma.",
            )
            return None
        row: Row = {}
        whole = True
        for column in self.table.columns:
            value = self._value(column, sheet_row)
            if value is None and self._optional(column):
                value = WHOLE_LAWN
            row[column.name] = value
            whole = whole and not (column.required and value is None)
        return row if whole else None

    def _value(self, column: Column, sheet_row: SheetRow) -> object:
        if column.name not in self.places:
            return None
        index, heading = self.places[column.name]
        text = sheet_row.cells[index].strip() if index < len(sheet_row.cells) else ""
        if _is_empty(text, column):
            if column.required and not self._optional(column):
                mend = "Write it in; the row is left out until then."
                self._problem(sheet_row.number, column.name, "the cell is empty", mend)
            return None
        try:
            return self._convert(column, heading, text)
        except CellError as error:
            self._problem(sheet_row.number, column.name, error.what, error.mend)
            return None

    def _convert(self, column: Column, heading: Heading, text: str) -> object:
        if column.type == "date":
            return parse_date(text, self.order)
        if column.type in ("number", "integer"):
            own = CELL_UNITS.get(column.name, ()) if heading.factor == 1.0 else ()
            value = parse_number(text, self.mark, units=own) * heading.factor + heading.offset
            return _in_range(column, value, text)
        if column.allowed:
            return _allowed(column, text)
        if column.name == "email":
            return parse_mail_address(text)
        text = unicodedata.normalize("NFC", text)  # as the folders of the photos are compared
        return text if column.name in ("notes", "said") else " ".join(text.split())

    def _places(self, known: dict[str, Heading]) -> dict[str, tuple[int, Heading]]:
        places: dict[str, tuple[int, Heading]] = {}
        row = self.sheet.header_row
        # A column's own name goes before another spelling of it ("job" beside "task").
        order = sorted(
            enumerate(self.sheet.header),
            key=lambda item: normal_heading(item[1]) not in self.table.column_names,
        )
        for index, text in order:
            heading = known.get(normal_heading(text))
            if heading is None:
                if text:
                    guess = nearest(normal_heading(text), self.table.column_names)
                    self.notes.append(
                        Problem(self.file, row, text, "not a known column; kept, not read", guess)
                    )
            elif heading.column in places:
                what = f"stands for {heading.column}, which another column gives already"
                self.notes.append(Problem(self.file, row, text, what, "It is kept, not read."))
            else:
                places[heading.column] = (index, heading)
        if "customer" in places and "lawn" in self.table.column_names:
            places.setdefault("lawn", places["customer"])  # a customer with one lawn names it
        return places

    def _texts(self, column: str) -> list[str]:
        if column not in self.places:
            return []
        index = self.places[column][0]
        return [r.cells[index].strip() for r in self.sheet.rows if index < len(r.cells)]

    def _optional(self, column: Column) -> bool:
        return column.name == "zone"  # a lawn with no parts has the zone `all`

    def _problem(self, row: int, column: str, what: str, mend: str) -> None:
        if column in self.places:
            column = self.sheet.header[self.places[column][0]]
        self.problems.append(Problem(self.file, row, column, what, mend))


def _is_empty(text: str, column: Column) -> bool:
    folded = text.casefold()
    if column.name in _NAMES or folded in _KEPT_WORDS & set(column.allowed):
        return not text
    return folded in _EMPTY_MARKS


def _in_range(column: Column, value: float, text: str) -> float | int:
    low, high = _RANGES.get(column.name, (float("-inf"), float("inf")))
    if not low <= value <= high:
        limits = f"from {low:g} to {high:g}" if high < float("inf") else "above 0"
        raise CellError(f"`{text}` cannot be", f"Write a number {limits}.")
    if column.type == "integer":
        if value != round(value):
            raise CellError(f"`{text}` is not a whole number", "Write a whole number.")
        return round(value)
    return value


def _allowed(column: Column, text: str) -> str:
    folded = " ".join(text.casefold().split())
    word = OTHER_WORDS.get(column.name, {}).get(folded, folded)
    if word in column.allowed:
        return word
    others = OTHER_WORDS.get(column.name, {})
    guess = nearest(folded, [*column.allowed, *others])
    for other, meant in others.items():
        guess = guess.replace(f"`{other}`", f"`{meant}`")
    mend = f"{guess} Use one of: {', '.join(column.allowed)}."
    raise CellError(f"`{text}` is not a known {column.name.replace('_', ' ')}", mend.strip())


def _name_as_in_lawns(work: TableRead, lawns: tuple[Row, ...]) -> TableRead:
    """Spell lawns and zones as lawns.csv does, and give whole-lawn work to each zone."""
    by_lawn: dict[str, list[Row]] = {}
    for lawn in lawns:
        by_lawn.setdefault(lawn["lawn"].casefold(), []).append(lawn)
    rows: list[Row] = []
    numbers: list[int] = []
    for row, number in zip(work.rows, work.row_numbers, strict=True):
        zones = by_lawn.get(row["lawn"].casefold(), [])
        matched = [z for z in zones if z["zone"].casefold() == row["zone"].casefold()]
        if not matched and zones and row["zone"].casefold() == WHOLE_LAWN:
            spread = _share_out(row, zones)
        else:
            place = matched[0] if matched else zones[0] if zones else row
            zone = place["zone"] if matched else row["zone"]
            spread = [row | {"lawn": place["lawn"], "zone": zone}]
        rows += spread
        numbers += [number] * len(spread)
    return TableRead(tuple(rows), tuple(numbers), work.problems, work.notes)


def _spelled_as(row: Row, lawns: tuple[Row, ...]) -> Row:
    """Spell the lawn and zone of one row as lawns.csv does; the whole lawn stays one row."""
    own = [lawn for lawn in lawns if lawn["lawn"].casefold() == row["lawn"].casefold()]
    if not own:
        return row
    zones = [lawn["zone"] for lawn in own if lawn["zone"].casefold() == row["zone"].casefold()]
    return row | {"lawn": own[0]["lawn"], "zone": zones[0] if zones else row["zone"]}


def _share_out(row: Row, zones: list[Row]) -> list[Row]:
    """Return the row for each zone; amounts for the whole lawn are shared by area."""
    areas = [zone["area_m2"] for zone in zones]
    total = sum(areas) if None not in areas else None
    shared = []
    for zone, area in zip(zones, areas, strict=True):
        part = row | {"lawn": zone["lawn"], "zone": zone["zone"]}
        for name in ("area_m2", "material_off", "product_used_kg"):
            if row[name] is not None:
                part[name] = row[name] * area / total if total else None
        shared.append(part)
    return shared
