"""The tables in reports/: written whole or not at all, read back with their types."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

import pandas as pd

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_streamed, write_whole
from lawnscore.contract.spreadsheet import plain_column, safe_column
from lawnscore.contract.tables import OUTPUT_TABLES, Table

REPORTS = "reports"
"""Folder of a round that holds everything written for people."""

_DECIMALS: tuple[tuple[str, int], ...] = (
    (r"mm_per_px(_se)?", 6),
    (r"colour_index.*", 5),
    (r"area_m2", 4),
    (r"straw_soil_confidence|urgency", 4),
    (r"(change|low|high|smallest_detectable)", 5),
    (r"(tilt_deg|days_to_95.*|expected_days_to_95)", 2),
    (r"largest_bare_patch_cm2.*", 2),
    (r".*_se", 4),
)
_ROWS_AT_ONCE = 100_000
"""Rows made into text together: as text they take ten times the room."""
_DECIMALS_ELSE = 3
"""Digits kept after the point: well below any standard error, and the same on every machine."""


def table_path(round_path: Path | str, name: str, *, suffix: str = ".csv") -> Path:
    """Return where a table of :data:`OUTPUT_TABLES` lies."""
    return Path(round_path) / REPORTS / f"{name}{suffix}"


def decimals(column: str) -> int:
    """Return how many digits after the point a number column keeps.

    Examples
    --------
    >>> decimals("green_cover_pct"), decimals("colour_index"), decimals("green_cover_pct_se")
    (3, 5, 4)
    """
    matches = (digits for pattern, digits in _DECIMALS if re.fullmatch(pattern, column))
    return next(matches, _DECIMALS_ELSE)


def write_table(
    round_path: Path | str,
    name: str,
    frame: pd.DataFrame | Iterable[pd.DataFrame],
    *,
    parquet: bool = False,
) -> Path:
    """Write one output table as CSV, and as Parquet when asked.

    Parameters
    ----------
    round_path
        Folder of the round.
    name
        One of :data:`OUTPUT_TABLES`.
    frame
        Rows; brought into the columns, order and types of the contract. Of a table that is long
        they may come as several frames: then it never lies in memory whole.
    parquet
        Write the same rows as Parquet beside it.

    Text that a spreadsheet would run as a formula is written so that it does not, and read back
    unchanged by :func:`read_table`.

    Returns
    -------
    Path
        The CSV file. A file that would not change is left as it is.

    Raises
    ------
    KeyError
        When there is no such table.
    LawnscoreError
        When the file cannot be written; the old one is kept then.
    """
    table = OUTPUT_TABLES[name]
    path = table_path(round_path, name)
    columns = _Parquet(table, path) if parquet else None
    if isinstance(frame, pd.DataFrame):
        write_whole(path, b"".join(_csv_pieces(table, iter([frame]), columns)))
    else:
        write_streamed(path, _csv_pieces(table, iter(frame), columns))
    if columns is not None:
        write_whole(table_path(round_path, name, suffix=".parquet"), columns.data())
    return path


def read_table(round_path: Path | str, name: str) -> pd.DataFrame:
    """Read one output table with the types of the contract; unknown values are NA or NaN.

    Raises
    ------
    KeyError
        When there is no such table.
    LawnscoreError
        When the file is missing, or is not the table that it should be.
    """
    table = OUTPUT_TABLES[name]
    path = table_path(round_path, name)
    mend = f"Run `lawnscore score {Path(round_path).name or '.'}` to write it anew."
    try:
        text = pd.read_csv(path, dtype="string", keep_default_na=False, na_values=[""])
    except FileNotFoundError:
        raise LawnscoreError(f"there is no table {name}", mend, path) from None
    except (OSError, ValueError) as error:
        raise LawnscoreError(f"the table cannot be read ({error})", mend, path) from None
    missing = [column for column in table.column_names if column not in text.columns]
    if missing:
        raise LawnscoreError(f"column {missing[0]} is missing", mend, path)
    for column in table.columns:
        if column.type == "string":
            text[column.name] = plain_column(text[column.name])
        if column.type == "boolean":
            text[column.name] = text[column.name].map({"true": True, "false": False})
    try:
        return table.frame(text)
    except (ValueError, TypeError) as error:
        raise LawnscoreError(f"a value is of the wrong kind ({error})", mend, path) from None


def tidied(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """Return rows in the table's columns, order and types, numbers rounded."""
    tidy = table.frame(frame).reset_index(drop=True)
    for column in table.columns:
        if column.type == "number":
            values = tidy[column.name].to_numpy(dtype="float64", na_value=float("nan"))
            tidy[column.name] = values.round(decimals(column.name)) + 0.0  # no -0.0
    return tidy


def _csv_pieces(
    table: Table, frames: Iterator[pd.DataFrame], columns: _Parquet | None
) -> Iterator[bytes]:
    """Yield a table as CSV; what is told as text is handed on to the Parquet beside it."""
    header = True
    for frame in frames:
        for first in range(0, max(len(frame), 1), _ROWS_AT_ONCE):
            tidy = tidied(table, frame.iloc[first : first + _ROWS_AT_ONCE])
            if columns is not None:
                columns.add(tidy)
            yield _as_csv(table, tidy, header=header).encode("utf-8")
            header = False


def _as_csv(table: Table, tidy: pd.DataFrame, *, header: bool) -> str:
    flags = [column.name for column in table.columns if column.type == "boolean"]
    words = {name: tidy[name].map({True: "true", False: "false"}) for name in flags}
    texts = [column.name for column in table.columns if column.type == "string"]
    words |= {name: safe_column(tidy[name]) for name in texts}
    return tidy.assign(**words).to_csv(index=False, header=header, lineterminator="\n")


class _Parquet:
    """A table as Parquet, taken frame by frame."""

    def __init__(self, table: Table, path: Path) -> None:
        try:
            import pyarrow as pa
            from pyarrow import parquet as pq
        except ImportError:
            raise LawnscoreError(
                "Parquet needs the package pyarrow",
                'Install it with `pip install "lawnscore[tables]"`.',
                path,
            ) from None
        self._table = pa.Table
        self._buffer = io.BytesIO()
        self._schema = pa.Schema.from_pandas(tidied(table, table.frame([])), preserve_index=False)
        self._writer = pq.ParquetWriter(self._buffer, self._schema)

    def add(self, tidy: pd.DataFrame) -> None:
        """Take some more rows, tidied."""
        rows = self._table.from_pandas(tidy, schema=self._schema, preserve_index=False)
        self._writer.write_table(rows)

    def data(self) -> bytes:
        """Return the file; no rows can follow."""
        self._writer.close()
        return self._buffer.getvalue()
