"""Cells people type, read without guessing: dates and numbers as spreadsheets write them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, timedelta
from functools import lru_cache
from typing import Literal

DateOrder = Literal["day", "month", "unknown"]
Mark = Literal[",", ".", ""]

_YEAR_FIRST = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})$")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})$")
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.]) ?(\d{1,2})\2 ?(\d{4}|\d{2})$")
_MONTH_WORD = re.compile(r"(\d{1,2})[. -]+([^\W\d_]+)[. -]+(\d{4}|\d{2})$")
_CLOCK = re.compile(r"[T ]\d{1,2}:\d{2}.*$")
_SERIAL_DAYS = (30_000, 60_000)  # 1982 to 2064 as day numbers of spreadsheets
_DAY_ZERO = date(1899, 12, 30)
_MONTH_LANGUAGES = ("en", "de", "fr", "nl")
_SPACES = re.compile(r"[\s\u00a0\u202f'’]")
_DECIMALS = {
    ".": re.compile(r"(^|,\d{3})\d*\.(\d{1,2}|\d{4,})$"),
    ",": re.compile(r"(^|\.\d{3})\d*,(\d{1,2}|\d{4,})$"),
}
_ONE_MARK = re.compile(r"[+-]?\d*[.,]\d+")
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:([.,])\d{3})(?:\1\d{3})*(?:(?!\1)[.,]\d+)?")


class CellError(ValueError):
    """A cell that cannot be read: what it is and how to mend it."""

    def __init__(self, what: str, mend: str) -> None:
        self.what = what
        self.mend = mend
        super().__init__(f"{what}. {mend}")


def date_order(texts: Iterable[str]) -> DateOrder:
    """Return whether day or month stands first in a file's dates with slashes or hyphens.

    Known only when a date of the file can be read in one way alone and none contradicts it.
    A date with dots always has the day first (common practice, no source).

    >>> date_order(["3/5/2026", "21/5/2026"])
    'day'
    >>> date_order(["3/5/2026"])
    'unknown'
    """
    orders: set[DateOrder] = set()
    for text in texts:
        match = _YEAR_LAST.match(_CLOCK.sub("", text.strip()))
        if match and match[2] != ".":
            first, second = int(match[1]), int(match[3])
            if first > 12 >= second:
                orders.add("day")
            elif second > 12 >= first:
                orders.add("month")
    return orders.pop() if len(orders) == 1 else "unknown"


def parse_date(text: str, order: DateOrder = "unknown") -> str:
    """Return a date as ISO text.

    Raises
    ------
    CellError
        When it is no date, no day of the calendar, or could be two different days.

    Examples
    --------
    >>> parse_date("5.3.2026"), parse_date("5 Mar 26"), parse_date("5/3/2026", "day")
    ('2026-03-05', '2026-03-05', '2026-03-05')
    """
    stripped = _CLOCK.sub("", text.strip())
    for pattern in (_YEAR_FIRST, _COMPACT):
        match = pattern.match(stripped)
        if match:
            return _iso(int(match[1]), int(match[2]), int(match[3]), text)
    match = _MONTH_WORD.match(stripped)
    if match and match[2].casefold() in _month_words():
        return _iso(_year(match[3]), _month_words()[match[2].casefold()], int(match[1]), text)
    match = _YEAR_LAST.match(stripped)
    if match:
        return _year_last(match, order, text)
    if stripped.isdecimal() and _SERIAL_DAYS[0] <= int(stripped) <= _SERIAL_DAYS[1]:
        day = _DAY_ZERO + timedelta(days=int(stripped))
        raise CellError(
            f"`{text}` is a day number of a spreadsheet, perhaps {day}",
            "Format the column as a date and save again, or write the date as YYYY-MM-DD.",
        )
    raise CellError(f"`{text}` is not a date", "Write it as YYYY-MM-DD, such as 2026-03-05.")


def _year_last(match: re.Match[str], order: DateOrder, text: str) -> str:
    first, second, year = int(match[1]), int(match[3]), _year(match[4])
    if match[2] == "." or first > 12 or first == second or order == "day":
        return _iso(year, second, first, text)
    if second > 12 or order == "month":
        return _iso(year, first, second, text)
    ways = f"{year}-{second:02d}-{first:02d} or {year}-{first:02d}-{second:02d}"
    raise CellError(f"`{text}` can be two days", f"Write {ways}.")


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _iso(year: int, month: int, day: int, text: str) -> str:
    try:
        return date(year, month, day).isoformat()
    except ValueError:
        raise CellError(
            f"`{text}` is no day of the calendar", "Write it as YYYY-MM-DD, such as 2026-03-05."
        ) from None


@lru_cache(maxsize=1)
def _month_words() -> dict[str, int]:
    from babel.dates import get_month_names

    words: dict[str, int] = {}
    for language in _MONTH_LANGUAGES:
        for width in ("wide", "abbreviated"):
            for number, name in get_month_names(width, locale=language).items():
                words[name.casefold().strip(".")] = number
    return words


def decimal_mark(texts: Iterable[str], separator: str) -> Mark:
    """Return the decimal mark of a file, or nothing when its cells do not tell.

    A spreadsheet writes semicolons between cells where the decimal mark is a comma (common
    practice, no source), so a semicolon file that does not contradict it has commas.

    >>> decimal_mark(["12,5", "1.200"], ";")
    ','
    """
    seen = {
        mark
        for text in texts
        for mark in _DECIMALS
        if _DECIMALS[mark].search(_SPACES.sub("", text).lstrip("+-"))
    }
    if len(seen) == 1:
        return "," if "," in seen else "."
    if seen:
        return ""
    return "," if separator == ";" else "."


def parse_number(text: str, mark: Mark = ".", *, units: tuple[str, ...] = ()) -> float:
    """Return a number; a unit written behind it is allowed when it is the column's own.

    Parameters
    ----------
    text
        The cell.
    mark
        The file's decimal mark (:func:`decimal_mark`); empty when it has both.
    units
        Spellings of the column's unit.

    Raises
    ------
    CellError
        When it is no number, has another unit, or could be two different numbers.

    Examples
    --------
    >>> parse_number("1.234,5", ","), parse_number("1 234.5"), parse_number("80 m²", units=("m²",))
    (1234.5, 1234.5, 80.0)
    """
    bare = _without_unit(text, units)
    if re.fullmatch(r"[+-]?\d+", bare):
        return float(bare)
    unsure = _MAYBE_THOUSANDS.fullmatch(bare)
    if unsure and unsure[1] != mark:
        raise CellError(
            f"`{text}` can be {bare.replace(',', '.')} or {re.sub('[.,]', '', bare)}",
            "Write it without a thousands mark.",
        )
    if _ONE_MARK.fullmatch(bare):
        return float(bare.replace(",", "."))
    grouped = _THOUSANDS.fullmatch(bare)
    if grouped:
        return float(bare.replace(grouped[1], "").replace(",", "."))
    unit = f" in {units[0]}" if units else ""
    raise CellError(f"`{text}` is not a number", f"Write a number alone{unit}, such as 12.5.")


def _without_unit(text: str, units: tuple[str, ...]) -> str:
    bare = _SPACES.sub("", text)
    for unit in sorted(units, key=len, reverse=True):
        ending = _SPACES.sub("", unit)
        if bare.casefold().endswith(ending.casefold()):
            return bare[: -len(ending)]
    return bare
