"""Rows of a table as plain values, for what goes through them one by one or writes JSON."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]
"""One row of a table: column -> value of that column's type, ``None`` where it is unknown.

Which columns there are, and of what type, a :class:`~lawnscore.contract.tables.Table` says.
"""

FrameRow = dict[Hashable, Any]
"""One row of a table as pandas gives it: unknown is NaN or NA."""


def rows_of(frame: pd.DataFrame) -> list[Row]:
    """Return a table as rows of plain values; unknown becomes ``None``.

    >>> import pandas as pd
    >>> rows_of(pd.DataFrame({"lawn": ["elm", "oak"], "area_m2": [80.0, float("nan")]}))
    [{'lawn': 'elm', 'area_m2': 80.0}, {'lawn': 'oak', 'area_m2': None}]
    """
    plain = frame.astype(object).where(frame.notna(), None)
    return [{str(k): v for k, v in row.items()} for row in plain.to_dict("records")]


def plain(value: object) -> object:
    """Return a value as JSON types; unknown (NaN, NA, NaT) becomes ``None``, a table its rows."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "to_dict") and hasattr(value, "columns"):
        return [plain(row) for row in value.to_dict("records")]
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    text = str(value)
    return None if text in {"<NA>", "NaT", "nan"} else text
