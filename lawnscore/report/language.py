"""Words, numbers, dates and areas in the reader's language; one TOML file a language."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cache, lru_cache
from importlib.resources import files

from babel import Locale, UnknownLocaleError
from babel.dates import format_date
from babel.numbers import format_decimal
from markupsafe import Markup, escape

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ReportSettings

SQ_FT_PER_M2 = 1 / 0.3048**2  # international foot, exact
SQ_IN_PER_CM2 = 1 / 2.54**2  # international inch, exact
SCORES = frozenset({"evenness", "condition"})
"""Measures on a scale of 0 to 100 that are no share of anything, so they bear no % sign."""


class Shown(str):
    """A value as text that remembers the number it was made from.

    In a page it becomes a ``data`` element, so that a machine finds the exact number beside the
    rounded one; anywhere else it is plain text.
    """

    value: float | int
    column: str

    def __new__(cls, text: str, value: float | int, column: str) -> Shown:
        """Return ``text`` with the ``value`` of ``column`` kept beside it."""
        shown = super().__new__(cls, text)
        shown.value, shown.column = value, column
        return shown

    def __html__(self) -> Markup:
        # written out by hand, since a page holds thousands; columns are names of the contract
        return Markup(
            f'<data value="{self.value!r}" data-column="{self.column}">{escape(str(self))}</data>'
        )


def available_languages() -> list[str]:
    """Return the codes of the languages that ship, such as ``["de", "en"]``.

    >>> available_languages()
    ['de', 'en']
    """
    folder = files("lawnscore.report") / "words"
    return sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml"))


@cache
def _sentences(language: str) -> dict[str, dict[str, str]]:
    source = files("lawnscore.report") / "words" / f"{language}.toml"
    return tomllib.loads(source.read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Words:
    """The words of one language, and its ways with numbers and dates.

    Parameters
    ----------
    language
        A code of :func:`available_languages`.
    locale
        A locale Babel knows, such as ``en_GB`` or ``de_AT``.
    area_unit
        ``m2`` or ``sq ft``.
    """

    language: str
    locale: str
    area_unit: str = "m2"

    def text(self, key: str, **fields: object) -> str:
        """Return a sentence as plain text.

        Raises
        ------
        KeyError
            When the language has no such key.
        """
        template = self._template(key)
        return _single_spaced(template.format(**fields)) if fields else template

    def html(self, key: str, **fields: object) -> Markup:
        """Return a sentence for a page; every field is escaped, numbers stay readable."""
        return Markup(_single_spaced(Markup(escape(self._template(key))).format(**fields)))

    def has(self, key: str) -> bool:
        """Tell whether the language has this key."""
        section, _, name = key.partition(".")
        return name in _sentences(self.language).get(section, {})

    def counted(self, key: str, n: int) -> str:
        """Return the sentence for ``n`` things, in the plural form that ``n`` takes."""
        form = Locale.parse(self.locale).plural_form(n)
        wanted = f"{key}_{form}" if self.has(f"{key}_{form}") else f"{key}_other"
        return self.text(wanted, n=self.number(n))

    def number(self, value: float, decimals: int = 0) -> str:
        """Return a number as this locale writes it, with a fixed number of decimals."""
        return _number(_rounded(value, decimals), decimals, self.locale)

    def amount(self, value: float, unit: str) -> str:
        """Return an amount with its unit, with one decimal only where it has one."""
        number = self.number(value, 0 if float(value).is_integer() else 1)
        return f"{number} {unit.replace('m2', 'm²')}".strip()

    def date(self, iso: str | None, length: str = "long") -> str:
        """Return an ISO date as people write it; ``length`` is ``long``, ``medium``, ``short``."""
        if not iso:
            return self.text("unit.unknown")
        return _date(str(iso)[:10], length, self.locale)

    def date_pattern(self, iso: str, pattern: str) -> str:
        """Return an ISO date by a CLDR pattern, such as ``MMM yy``."""
        return _date(iso, pattern, self.locale)

    def area(self, m2: float | None) -> str:
        """Return an area in the round's unit."""
        if m2 is None:
            return self.text("unit.unknown")
        key, factor = ("sq_ft", SQ_FT_PER_M2) if self.area_unit == "sq ft" else ("m2", 1.0)
        shown = m2 * factor
        return self.text(f"unit.{key}", value=self.number(shown, 1 if shown < 10 else 0))

    def length(self, mm: float) -> str:
        """Return a length on the ground, in cm or in inches."""
        key, factor = ("inch", 1 / 25.4) if self.area_unit == "sq ft" else ("cm", 0.1)
        return self.text(f"unit.{key}", value=self.number(mm * factor))

    def days(self, n: float) -> Shown:
        """Return a number of days with its word."""
        form = Locale.parse(self.locale).plural_form(round(n))
        key = f"unit.days_{form}" if self.has(f"unit.days_{form}") else "unit.days_other"
        return Shown(self.text(key, value=self.number(n)), n, "days")

    def value(
        self, measure: str, value: float | None, column: str = "", *, fine: bool = False
    ) -> Shown | str:
        """Return a measure's value with its unit; ``fine`` keeps one more decimal.

        ``column`` names the column it comes from where that is not the measure's own.
        """
        if value is None:
            return self.text("unit.unknown")
        unit, factor, decimals = self._unit(measure, fine)
        number = self.number(value * factor, decimals)
        text = self.text(f"unit.{unit}", value=number) if unit else number
        return Shown(text, value, column or measure)

    def bare(
        self, measure: str, value: float | None, column: str = "", *, fine: bool = False
    ) -> Shown | str:
        """Return a measure's value without its unit; unknown is empty."""
        if value is None:
            return ""
        _, factor, decimals = self._unit(measure, fine)
        return Shown(self.number(value * factor, decimals), value, column or measure)

    def interval(
        self, measure: str, low: float | None, high: float | None, *, fine: bool = False
    ) -> Markup | str:
        """Return ``low to high`` with the unit once; empty when either end is unknown."""
        if low is None or high is None:
            return ""
        unit, factor, decimals = self._unit(measure, fine)
        ends = {
            name: Shown(self.number(end * factor, decimals), end, f"{measure}_{name}")
            for name, end in (("low", low), ("high", high))
        }
        return self.html(f"unit.{unit}_range" if unit else "unit.range", **ends)

    def difference(
        self, measure: str, change: float | None, column: str = "change", *, fine: bool = False
    ) -> Shown | str:
        """Return a change of a measure with its sign; unknown is empty."""
        if change is None:
            return ""
        _, factor, decimals = self._unit(measure, fine)
        size = self.number(abs(change) * factor, decimals)
        sign = "" if size == self.number(0, decimals) else ("+" if change > 0 else "−")
        return Shown(f"{sign}{size}", change, column)

    def size(
        self, measure: str, change: float, column: str = "change", *, with_unit: bool = True
    ) -> Shown:
        """Return the size of a change without its sign; densities carry their unit."""
        unit, factor, decimals = self._unit(measure, False)
        number = self.number(abs(change) * factor, decimals)
        text = (
            self.text(f"unit.{unit}", value=number)
            if with_unit and unit.startswith("per_")
            else number
        )
        return Shown(text, change, column)

    def factor(self, measure: str) -> float:
        """Return what a value of the table is multiplied by to be shown."""
        return self._unit(measure, False)[1]

    def _unit(self, measure: str, fine: bool) -> tuple[str, float, int]:
        imperial = self.area_unit == "sq ft"
        kind = MEASURES[measure].kind
        if kind == "density":
            extra = 1 if fine else 0
            return (
                ("per_sq_ft", 1 / SQ_FT_PER_M2, 1 + extra) if imperial else ("per_m2", 1.0, extra)
            )
        if kind == "size":
            extra = 1 if fine else 0
            return ("sq_in", SQ_IN_PER_CM2, extra) if imperial else ("cm2", 1.0, extra)
        if kind == "share":
            return ("" if measure in SCORES else "percent", 1.0, 1 if fine else 0)
        return ("", 1.0, (3 if fine else 2) if kind == "index" else 1)

    def _template(self, key: str) -> str:
        section, _, name = key.partition(".")
        if section in ("measure", "meaning") and name in MEASURES and not self.has(key):
            meaning = MEASURES[name].meaning  # a measure the language has no words for yet
            return meaning[0].upper() + meaning[1:]
        return _sentences(self.language)[section][name]


def words_for(settings: ReportSettings) -> Words:
    """Return the words a round's settings ask for.

    Raises
    ------
    LawnscoreError
        When the language does not ship, the locale is unknown or the unit is neither
        ``m2`` nor ``sq ft``.
    """
    shipped = available_languages()
    if settings.language not in shipped:
        raise LawnscoreError(
            f"report language `{settings.language}` is not there",
            f"Use one of: {', '.join(shipped)}.",
            "round.toml",
        )
    if settings.area_unit not in ("m2", "sq ft"):
        raise LawnscoreError(
            f"area unit `{settings.area_unit}` is not known", "Use `m2` or `sq ft`.", "round.toml"
        )
    wanted = settings.locale or _sentences(settings.language)["meta"]["locale"]
    try:
        locale = str(Locale.parse(wanted.replace("-", "_")))
    except (UnknownLocaleError, ValueError):
        raise LawnscoreError(
            f"locale `{wanted}` is not known", "Write it as in `en_GB` or `de_DE`.", "round.toml"
        ) from None
    return Words(settings.language, locale, settings.area_unit)


def _single_spaced(text: str) -> str:
    # a field may be empty; no-break spaces stay
    return re.sub(" +([,.;:])", r"\1", re.sub(" {2,}", " ", text))


def _rounded(value: float, decimals: int) -> Decimal:
    """Round as the locale's library does, so that what is written alike is formatted once.

    Nothing is written as -0: it equals 0, and one of the two would stand for both.
    """
    exact = Decimal(str(value))
    return exact.quantize(Decimal(1).scaleb(-decimals)) + 0 if exact.is_finite() else exact


@lru_cache(maxsize=20_000)
def _number(value: Decimal, decimals: int, locale: str) -> str:
    pattern = "#,##0" + ("." + "0" * decimals if decimals else "")
    text: str = format_decimal(value, format=pattern, locale=locale)
    return str(text).replace("-", "−")


@lru_cache(maxsize=20_000)
def _date(iso: str, form: str, locale: str) -> str:
    return str(format_date(date.fromisoformat(iso), format=form, locale=locale))
