"""Add one row to a hand-kept file, and leave every other byte of it as it is."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import file_mode, make_folder, part_beside, write_whole
from lawnscore.contract.rows import Row
from lawnscore.contract.spreadsheet import safe_cell
from lawnscore.contract.tables import COMPLAINTS, LAWNS, WORK, Table
from lawnscore.photo.kinds import kind_of
from lawnscore.register.cells import CellError, Mark, parse_date, parse_number
from lawnscore.register.headings import Heading, known_headings
from lawnscore.register.register import WHOLE_LAWN, nearest, read_register, read_table_file
from lawnscore.register.sheet import Sheet, normal_heading, parse_sheet, refuse_broken

BACKUPS = Path(".lawnscore") / "backups"
COMPLAINT_PHOTOS = "complaints"
"""Folder of the round that keeps the photos of complaints, as LAWN/DATE/NAME."""
_HEAD_BYTES = 64
_UNSAFE = re.compile(r'[\x00-\x1f/\\<>:"|?*;]+')
SAME_WORK = ("date", "lawn", "zone", "task", "product")
"""By which a row of work.csv is taken for another row's."""


@dataclass(frozen=True)
class Added:
    """One row that was added: its file, its row there, its values and the copy kept of before.

    ``backup`` is ``None`` when there was no file before.
    """

    path: Path
    row: int
    values: Row
    backup: Path | None


def add_lawn(
    round_path: Path | str, lawn: str, zone: str = WHOLE_LAWN, **values: str | float | None
) -> Added:
    """Add a lawn or zone to ``lawns.csv``.

    Parameters
    ----------
    round_path
        Folder of the round.
    lawn, zone
        Names; a lawn with no parts has the zone ``all``.
    **values
        Other columns of ``LAWNS``; ``None`` leaves a cell empty.

    Raises
    ------
    LawnscoreError
        When the zone is there already, a value is not allowed or the file cannot be written.
    """
    return _add(Path(round_path), LAWNS, {"lawn": lawn, "zone": zone, **values})


def add_work(
    round_path: Path | str,
    *,
    date: str,
    lawn: str,
    task: str,
    zone: str = WHOLE_LAWN,
    again: bool = False,
    **values: str | float | None,
) -> Added:
    """Add work done to ``work.csv``.

    Parameters
    ----------
    round_path
        Folder of the round.
    date, lawn, task, zone
        What was done when and where; ``all`` is the whole lawn.
    again
        Add it even if the same task and product stand there for that day and zone.
    **values
        Other columns of ``WORK``; ``None`` leaves a cell empty.

    Raises
    ------
    LawnscoreError
        When the lawn or zone is not in ``lawns.csv``, the same work stands there already, a value
        is not allowed or the file cannot be written.
    """
    folder = Path(round_path)
    lawn, zone = _known_place(folder, lawn, zone)
    day = _day(date)
    row = {"date": day, "lawn": lawn, "zone": zone, "task": task, **values}
    return _add(folder, WORK, row, again=again)


def add_complaint(
    round_path: Path | str,
    *,
    date: str,
    lawn: str,
    said: str,
    zone: str = WHOLE_LAWN,
    photos: Sequence[Path] = (),
    notes: str | None = None,
) -> Added:
    """Add a complaint to ``complaints.csv`` and keep its photos in the round.

    Parameters
    ----------
    round_path
        Folder of the round.
    date, lawn, zone
        When it was said, and of what; ``all`` is the whole lawn.
    said
        What was said, in the customer's words.
    photos
        Photos that came with it. They are copied to ``complaints/LAWN/DATE/``; a file there is
        never written over.
    notes
        Anything else.

    Raises
    ------
    LawnscoreError
        When the lawn or zone is not in ``lawns.csv``, a photo is not there or is no photo, another
        file has its name, or a file cannot be written.
    """
    folder = Path(round_path)
    lawn, zone = _known_place(folder, lawn, zone)
    day = _day(date)
    if not said.strip():
        raise LawnscoreError("nothing was said", "Write the customer's words after --said.")
    data = {_kept_as(lawn, day, photo): _photo_bytes(photo) for photo in photos}
    if len(data) < len(photos):
        raise LawnscoreError("two photos have one name", "Give one of them another name.")
    for relative, content in data.items():
        target = folder / relative
        if target.exists() and target.read_bytes() != content:
            raise LawnscoreError("another photo has this name", "Rename the new one.", target)
    row = {"date": day, "lawn": lawn, "zone": zone, "said": said.strip(), "notes": notes}
    for relative, content in data.items():  # first, so that no row names a photo that is not there
        make_folder((folder / relative).parent)
        write_whole(folder / relative, content)
    return _add(folder, COMPLAINTS, row | {"photos": "; ".join(data)})


def _kept_as(lawn: str, day: str, photo: Path) -> str:
    place = _UNSAFE.sub("-", lawn).strip(" .") or "lawn"
    return f"{COMPLAINT_PHOTOS}/{place}/{day}/{photo.name.replace(';', '_')}"


def _photo_bytes(photo: Path) -> bytes:
    try:
        content = photo.read_bytes()
    except OSError as error:
        what = f"the photo cannot be read ({error.strerror or error})"
        raise LawnscoreError(what, "Name the file of a photo.", photo) from None
    if not kind_of(content[:_HEAD_BYTES]):
        raise LawnscoreError("this is no photo", "Give a JPEG, HEIC, PNG or TIFF.", photo)
    return content


def add_rows(round_path: Path | str, table: Table, rows: Sequence[Row]) -> Path | None:
    """Add rows that were read from another copy of a hand-kept file; return the copy of before.

    Parameters
    ----------
    round_path
        Folder of the round.
    table
        Which file.
    rows
        Values as :func:`~lawnscore.register.register.read_table_file` returns them.

    Raises
    ------
    LawnscoreError
        When a row cannot be read back as it is, or the file cannot be written: it stays as it was.
    """
    folder = Path(round_path)
    path = folder / f"{table.name}.csv"
    old = path.read_bytes() if path.exists() else b""
    new = old or (",".join(table.column_names) + "\n").encode()
    for row in rows:
        given = {name: value for name, value in row.items() if value not in (None, "")}
        new = _with_row(path, new, table, given)
    read = read_table_file(path, table, data=new)
    if list(read.rows[-len(rows) :]) != [dict(row) for row in rows]:
        raise LawnscoreError(
            "rows could not be read back", "Run `lawnscore check` and mend the file first.", path
        )
    return _replace(folder, path, old, new)


def label_analysis(npk: str | None) -> dict[str, float | None]:
    """Return N, P2O5 and K2O in percent from a label's analysis such as ``4-0-8``.

    Raises
    ------
    LawnscoreError
        When it is not three numbers with hyphens between them.

    Examples
    --------
    >>> label_analysis("4-0-8")
    {'n_pct': 4.0, 'p2o5_pct': 0.0, 'k2o_pct': 8.0}
    """
    names = ("n_pct", "p2o5_pct", "k2o_pct")
    if not npk:
        return dict.fromkeys(names)
    parts = npk.replace(" ", "").split("-")
    try:
        numbers = [parse_number(part) for part in parts]
    except CellError:
        numbers = []
    if len(numbers) != len(names):
        raise LawnscoreError(
            f"`{npk}` is not an analysis", "Write N-P2O5-K2O as on the label, such as 4-0-8."
        )
    return dict(zip(names, numbers, strict=True))


def _day(text: str) -> str:
    try:
        return parse_date(text)
    except CellError as error:
        raise LawnscoreError(error.what, error.mend) from None


def _known_place(folder: Path, lawn: str, zone: str) -> tuple[str, str]:
    lawns = read_register(folder).lawns
    zones: dict[str, list[str]] = {}
    for known_lawn, known_zone in zip(lawns["lawn"], lawns["zone"], strict=True):
        zones.setdefault(known_lawn, []).append(known_zone)
    by_fold = {known.casefold(): known for known in zones}
    where = folder / "lawns.csv"
    if lawn.casefold() not in by_fold:
        mend = f"{nearest(lawn, zones)} A new lawn is added with `lawnscore add-lawn`."
        raise LawnscoreError(f"unknown lawn `{lawn}`", mend.strip(), where)
    lawn = by_fold[lawn.casefold()]
    for known in zones[lawn]:
        if known.casefold() == zone.casefold():
            return lawn, known
    if zone != WHOLE_LAWN:
        raise LawnscoreError(
            f"{lawn} has no zone `{zone}`", f"Use one of: {', '.join(zones[lawn])}.", where
        )
    return lawn, zone


def _add(folder: Path, table: Table, values: Row, *, again: bool = False) -> Added:
    if not folder.is_dir():
        raise LawnscoreError(
            "there is no such round", "Make one with `lawnscore new ROUND`.", folder
        )
    unknown = [name for name in values if name not in table.column_names]
    if unknown:
        raise LawnscoreError(
            f"unknown column `{unknown[0]}`", nearest(unknown[0], table.column_names)
        )
    path = folder / f"{table.name}.csv"
    old = path.read_bytes() if path.exists() else b""
    before = old or (",".join(table.column_names) + "\n").encode()
    given = {name: value for name, value in values.items() if value not in (None, "")}
    # Read once as given, then written in the words of the table: dates in ISO, known tasks.
    _, row = _checked(path, table, before, _with_row(path, before, table, given), again=again)
    given |= {c.name: row[c.name] for c in table.columns if c.allowed and c.name in given}
    new = _with_row(path, before, table, given)
    added = _checked(path, table, before, new, again=again)
    backup = _replace(folder, path, old, new)
    return Added(path, added[0], added[1], backup)


def _with_row(path: Path, before: bytes, table: Table, values: Row) -> bytes:
    known = known_headings(table)
    sheet = parse_sheet(before, known, where=path)
    refuse_broken(sheet, path.name)
    text = sheet.text
    columns = {known[h].column for h in map(normal_heading, sheet.header) if h in known}
    missing = [name for name in values if name not in columns]
    header = [*sheet.header, *missing]
    if missing:
        text = _with_headings(sheet, missing)
    mark = read_table_file(path, table, data=before).mark
    cells: list[str] = []
    done: set[str] = set()
    for heading in header:
        meant = known.get(normal_heading(heading))
        own = meant is not None and meant.column not in done and meant.column in values
        cells.append(_cell(values[meant.column], meant, mark) if own and meant else "")
        done |= {meant.column} if own and meant else set()
    if text and not text.endswith(("\n", "\r")):
        text += sheet.newline
    text += _line(cells, sheet) + sheet.newline
    try:
        return text.encode(sheet.encoding)
    except UnicodeEncodeError as error:
        raise LawnscoreError(
            f"`{error.object[error.start : error.end]}` cannot be written in this file",
            "Save the file from the spreadsheet as `CSV UTF-8` first.",
            path,
        ) from None


def _with_headings(sheet: Sheet, missing: list[str]) -> str:
    lines = sheet.text.splitlines(keepends=True)
    index = sheet.header_line - 1
    bare = lines[index].rstrip("\r\n")
    lines[index] = bare + sheet.separator + _line(missing, sheet) + lines[index][len(bare) :]
    return "".join(lines)


def _line(cells: list[str], sheet: Sheet) -> str:
    out = io.StringIO()
    # Cells are quoted where they hold a sign of the line's end: both signs must be in it.
    csv.writer(out, delimiter=sheet.separator, lineterminator="\r\n").writerow(cells)
    return out.getvalue().removesuffix("\r\n")


def _cell(value: object, heading: Heading, mark: Mark) -> str:
    if isinstance(value, int | float) and not isinstance(value, bool):
        text = f"{(value - heading.offset) / heading.factor:.10g}"
        return text.replace(".", ",") if mark == "," else text
    return safe_cell(str(value))


def _checked(
    path: Path, table: Table, before: bytes, new: bytes, *, again: bool
) -> tuple[int, Row]:
    """Return row and values of the new row as they are read back; refuse what is not sound."""
    old_read = read_table_file(path, table, data=before)
    read = read_table_file(path, table, data=new)
    fresh = [problem for problem in read.problems if problem not in old_read.problems]
    if fresh:
        raise LawnscoreError(
            fresh[0].what, fresh[0].mend, f"{path.name}, {fresh[0].column or 'row'}"
        )
    if len(read.rows) != len(old_read.rows) + 1:
        raise LawnscoreError(
            "the row could not be read back", "Run `lawnscore check` and mend the file first.", path
        )
    row, number = read.rows[-1], read.row_numbers[-1]
    if table is WORK and not again:
        _refuse_same_work(path, row, old_read.rows, old_read.row_numbers)
    return number, row


def _refuse_same_work(
    path: Path, row: Row, others: tuple[Row, ...], numbers: tuple[int, ...]
) -> None:
    def key(work: Row) -> tuple[str, ...]:
        return tuple(str(work[name] or "").casefold() for name in SAME_WORK)

    for other, number in zip(others, numbers, strict=True):
        if key(other) == key(row):
            raise LawnscoreError(
                f"{row['task']} on {row['date']} is there already",
                "If it was done twice, say --again.",
                f"{path.name}, row {number}",
            )


def _replace(folder: Path, path: Path, old: bytes, new: bytes) -> Path | None:
    """Write the file anew in one step; the version before is kept in ``.lawnscore/backups``."""
    target = path.resolve()  # a link stays a link
    part = part_beside(target)
    backup = _keep(folder, path, old) if old else None
    try:
        with part.open("wb") as file:
            file.write(new)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(file_mode(target.parent))
        if target.exists():
            shutil.copymode(target, part)
        now = target.read_bytes() if target.exists() else b""
        if now != old:
            raise LawnscoreError(
                "changed while the row was added", "Close it in other programs, try again.", path
            )
        part.replace(target)
    except OSError as error:
        raise LawnscoreError(
            f"cannot be written ({error.strerror or error})",
            "Close it in other programs and check that it may be written.",
            path,
        ) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return backup


def _keep(folder: Path, path: Path, old: bytes) -> Path:
    backups = folder / BACKUPS
    try:
        make_folder(backups)
        backup = backups / f"{path.stem}-{datetime.now():%Y%m%dT%H%M%S%f}{path.suffix}"
        write_whole(backup, old)
    except OSError as error:
        raise LawnscoreError(
            f"no copy of {path.name} can be kept ({error.strerror or error})",
            "Check that the folder may be written.",
            backups,
        ) from None
    return backup
