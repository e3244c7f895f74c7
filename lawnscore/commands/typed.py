"""Numbers and dates as people type them, read the same on every command as in the tables."""

from __future__ import annotations

from datetime import date
from typing import Any

import typer

from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.cells import CellError, parse_date, parse_number

TODAY_HELP = "What if it were this date: shown, and nothing is written."


def number(text: str | float) -> float:
    """Return a number with a decimal point or comma.

    Raises
    ------
    LawnscoreError
        When it is no number, or could be two.

    >>> number("120,5")
    120.5
    """
    try:
        return parse_number(str(text))
    except CellError as error:
        raise LawnscoreError(error.what, error.mend) from None


def day(text: str) -> str:
    """Return a date as ISO text.

    Raises
    ------
    LawnscoreError
        When it is no date, or could be two.

    >>> day("9.9.2025")
    '2025-09-09'
    """
    try:
        return parse_date(text)
    except CellError as error:
        raise LawnscoreError(error.what, error.mend) from None


def today_or(given: str | None) -> str:
    """Return the date that was given, else the machine's."""
    return given or date.today().isoformat()


def number_option(*names: str, help_: str, default: float | None = None) -> Any:
    """Return an option that takes a number."""
    return typer.Option(default, *names, help=help_, parser=number, metavar="NUMBER")


def day_option(*names: str, help_: str, default: Any = None) -> Any:
    """Return an option that takes a date."""
    return typer.Option(default, *names, help=help_, parser=day, metavar="DATE")
