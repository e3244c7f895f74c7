"""points.csv of a round: files of readers are checked and added to it; nothing is written over."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_whole
from lawnscore.contract.rows import Row
from lawnscore.contract.tables import POINTS, SEEN_WORDS
from lawnscore.points.program import current_photos
from lawnscore.register.cells import CellError, Mark, decimal_mark, parse_number
from lawnscore.register.folder import Round, open_round
from lawnscore.register.lock import locked
from lawnscore.register.register import nearest
from lawnscore.register.sheet import Sheet, normal_heading, read_sheet

if TYPE_CHECKING:
    import pandas as pd

FILE_NAME = "points.csv"
ROWS_IN_FILE = "rows_in_file"
"""Column of a downloaded file that says how many rows it had, so that half a file is noticed."""

_NUMBERS = ("x_mm", "y_mm", "side_mm")
_IDENTITY = ("kind", "sha256", "draw", "number", "x_mm", "y_mm", "seen", "reader", "session",
             "read_at")  # fmt: skip
_SHOWN = 5
_AGAIN = "Download it from the page again and read that file."


@dataclass(frozen=True)
class Kept:
    """What became of a file.

    Parameters
    ----------
    path
        points.csv of the round.
    n_rows, n_new
        Sound rows of the file; those that points.csv did not hold yet.
    problems
        What was wrong, one line each. The file itself is left as it is.
    """

    path: Path
    n_rows: int
    n_new: int
    problems: tuple[str, ...]


def keep_file(round_path: Path | str, file: Path | str) -> Kept:
    """Check a file of a reader and add what is new in it to points.csv of the round.

    A row that cannot be read, or that is of another round, is left out and named; the file stays
    where it is, so a mended one can be read again: rows that are kept already are not added twice.

    Raises
    ------
    LawnscoreError
        When the file cannot be read, is none of ours, or holds nothing of this round, or when
        another run holds the round.
    """
    opened = open_round(round_path)
    file = Path(file)
    sheet = read_sheet(file, [*POINTS.column_names, ROWS_IN_FILE])
    rows, problems = _rows(sheet, file.name, file)
    problems += _cut_short(sheet, rows, file.name)
    rows, foreign = _of_round(rows, opened, file.name)
    problems += foreign
    if not rows:
        what = problems[0] if problems else f"{file.name}: the file holds no points"
        more = f" (and {len(problems) - 1} more like it)" if len(problems) > 1 else ""
        raise LawnscoreError(f"nothing was taken. {what.rstrip('.')}{more}", _AGAIN, file)
    with locked(opened.path):  # what another run keeps meanwhile would be written over
        known = {_identity(row) for row in _kept_rows(opened.path)}
        new = [row for row in rows if _identity(row) not in known]
        if new:
            _append(opened.path / FILE_NAME, new)
    return Kept(opened.path / FILE_NAME, len(rows), len(new), tuple(problems))


def read_points(round_path: Path | str) -> pd.DataFrame:
    """Return points.csv with the columns of the contract; empty when there is none.

    Of a place that one reader read twice in one sitting the later reading counts.

    Raises
    ------
    LawnscoreError
        When the file cannot be read or lacks a column.
    """
    table = POINTS.frame(_kept_rows(Path(round_path)))
    if table.empty:
        return table
    place = ["kind", "sha256", "draw", "number", "reader", "session"]
    late = table.sort_values("read_at", kind="stable")
    once = late[late["kind"] != "cast"].drop_duplicates(place, keep="last")
    import pandas as pd

    return pd.concat([once, late[late["kind"] == "cast"]]).sort_index().reset_index(drop=True)


def _kept_rows(round_path: Path) -> list[Row]:
    path = round_path / FILE_NAME
    if not path.exists():
        return []
    sheet = read_sheet(path, POINTS.column_names)
    rows, problems = _rows(sheet, FILE_NAME, path)
    if problems:
        raise LawnscoreError(
            problems[0].removeprefix(f"{FILE_NAME}, "), "Mend the row, or take it out.", path
        )
    return rows


def _rows(sheet: Sheet, name: str, path: Path) -> tuple[list[Row], list[str]]:
    header = [normal_heading(text) for text in sheet.header]
    missing = [c.name for c in POINTS.columns if c.required and c.name not in header]
    if missing:
        raise LawnscoreError(
            f"this is no file of a points page: there is no column {missing[0]}", _AGAIN, path
        )
    cells = [dict(zip(header, row.cells, strict=False)) for row in sheet.rows]
    mark = decimal_mark(
        (row[c].strip() for row in cells for c in _NUMBERS if c in row), sheet.separator
    )
    rows, problems = [], []
    for row, values in zip(sheet.rows, cells, strict=True):
        try:
            rows.append(_row(values, mark))
        except CellError as error:
            problems.append(f"{name}, row {row.number}: {error.what}. {error.mend}")
    hidden = len(problems) - _SHOWN
    if hidden > 0:
        problems = [*problems[:_SHOWN], f"{name}: {hidden} more rows cannot be read."]
    return rows, problems


def _row(values: Mapping[str, str], mark: Mark) -> Row:
    """Return one row with its types.

    Raises
    ------
    CellError
        When a cell is missing or cannot be read.
    """
    row: Row = {}
    for column in POINTS.columns:
        text = unicodedata.normalize("NFC", values.get(column.name, "").strip())
        if not text:
            if column.required:
                raise CellError(f"{column.name} is empty", "The row is left out.")
            row[column.name] = None
        elif column.type in ("number", "integer"):
            number = parse_number(text, mark)
            row[column.name] = int(number) if column.type == "integer" else round(number, 2)
        else:
            row[column.name] = text
    kind = POINTS.columns[0].allowed
    if row["kind"] not in kind:
        raise CellError(f"kind is `{row['kind']}`", f"It must be {', '.join(kind)}.")
    if row["seen"] not in SEEN_WORDS and (row["seen"] is not None or row["kind"] == "point"):
        guess = nearest(str(row["seen"]), SEEN_WORDS)
        raise CellError(
            f"`{row['seen'] or ''}` is no class", f"{guess} Use one of: {', '.join(SEEN_WORDS)}."
        )
    if row["kind"] == "tile" and row["side_mm"] is None:
        raise CellError("side_mm is empty", "The row is left out.")
    _check_time(str(row["read_at"]))
    return row


def _check_time(text: str) -> None:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise CellError(
            f"read_at is `{text}`", "It must be as the page wrote it, such as 2026-05-01T09:30:00Z."
        ) from None


def _cut_short(sheet: Sheet, rows: list[Row], name: str) -> list[str]:
    """Say when a downloaded file has fewer rows than it had."""
    header = [normal_heading(text) for text in sheet.header]
    if ROWS_IN_FILE not in header:
        return []
    at = header.index(ROWS_IN_FILE)
    said = Counter(row.cells[at].strip() for row in sheet.rows if at < len(row.cells))
    most = max((int(text) for text in said if text.isdecimal()), default=0)
    if most <= len(sheet.rows):
        return []
    return [
        f"{name}: only {len(sheet.rows)} of its {most} rows are there: the file was cut short. "
        f"What is there is taken. {_AGAIN}"
    ]


def _of_round(rows: list[Row], opened: Round, name: str) -> tuple[list[Row], list[str]]:
    """Return the rows whose photo is, or was, in the round; say what is the matter with others."""
    current = current_photos(opened)
    paths = {place.relative for place in opened.photos}
    taken, problems = [], []
    by_photo: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        by_photo.setdefault((row["photo"], row["sha256"]), []).append(row)
    for (photo, sha256), own in by_photo.items():
        if sha256 in current:
            taken += own
        elif photo in paths:
            taken += own
            problems.append(
                f"{name}: {photo} has been replaced since its page was made, or is not scored: "
                f"its {len(own)} rows are kept, but say nothing of the present photo."
            )
        else:
            problems.append(
                f"{name}: {photo} is not a photo of this round: {len(own)} rows left out. "
                "Read them into the round that the page was made from."
            )
    return taken, problems


def _identity(row: Row) -> tuple[str, ...]:
    return tuple(str(row[name]) for name in _IDENTITY)


def _append(path: Path, rows: Iterable[Row]) -> None:
    """Add rows to the end; what stands there is left to the byte."""
    before = path.read_bytes() if path.exists() else b""
    out = io.StringIO()
    sheet = read_sheet(path, POINTS.column_names) if before else None
    names = [normal_heading(t) for t in sheet.header] if sheet else POINTS.column_names
    separator = sheet.separator if sheet else ","
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    if not before:
        writer.writerow(names)
    elif not before.endswith(b"\n"):
        out.write("\n")
    for row in rows:
        writer.writerow(["" if row.get(n) is None else row[n] for n in names])
    encoding = sheet.encoding if sheet else "utf-8"
    encoding = "utf-8" if encoding == "utf-8-sig" else encoding
    write_whole(path, before + out.getvalue().encode(encoding, "replace"))
