"""Cells of a CSV file that a spreadsheet would run as a formula, and how they are written.

A cell that starts with one of ``= + - @``, a tab or a carriage return may be run when the file is
opened. It is written with an apostrophe before it, which spreadsheets take as the mark of a text;
read back, the apostrophe goes. The rule can be undone for every text, also for one that starts with
apostrophes itself. (Which characters start a formula: OWASP, "CSV Injection", 2023.)
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_WOULD_RUN = r"^('*[=+\-@\t\r])"
_WRITTEN = r"^'('*[=+\-@\t\r])"
_WOULD_RUN_RE, _WRITTEN_RE = re.compile(_WOULD_RUN), re.compile(_WRITTEN)


def safe_cell(text: str) -> str:
    """Return a text as it is written, so that no spreadsheet runs it.

    >>> safe_cell("=1+1"), safe_cell("'=1+1"), safe_cell("elm row")
    ("'=1+1", "''=1+1", 'elm row')
    """
    return _WOULD_RUN_RE.sub(r"'\1", text)


def plain_cell(text: str) -> str:
    """Return the text that :func:`safe_cell` was given.

    >>> plain_cell(safe_cell("-north")), plain_cell("elm row")
    ('-north', 'elm row')
    """
    return _WRITTEN_RE.sub(r"\1", text)


def safe_column(column: pd.Series[str]) -> pd.Series[str]:
    """Return a column of texts as :func:`safe_cell` writes them."""
    return column.str.replace(_WOULD_RUN, r"'\1", regex=True)


def plain_column(column: pd.Series[str]) -> pd.Series[str]:
    """Return a column of texts as :func:`plain_cell` reads them."""
    return column.str.replace(_WRITTEN, r"\1", regex=True)
