"""Rows of a table as plain values, for what goes through them one by one."""

from __future__ import annotations

from collections.abc import Hashable
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
