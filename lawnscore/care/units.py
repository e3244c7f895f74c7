"""Amounts as people write them, read into and written from the units used inside.

Inside, a rate is g/m2 or l/m2, an area m2, a mass kg, a volume l, a length m, a speed km/h, a
flow l/min, a time s and a density kg/l. The units themselves come from the pint library.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any, Literal

from lawnscore.contract.errors import LawnscoreError

Gallon = Literal["us", "imperial"]

KINDS: dict[str, tuple[str, str, str]] = {
    "mass rate": ("g/m2", "gram/meter**2", "35 g/m2, 1 lb/1000 sq ft, 50 kg/ha"),
    "volume rate": ("l/m2", "liter/meter**2", "20 l/ha, 3 US gal/acre"),
    "area": ("m2", "meter**2", "140 m2, 1500 sq ft"),
    "mass": ("kg", "kilogram", "900 g, 20 kg, 50 lb"),
    "volume": ("l", "liter", "15 l, 4 US gal"),
    "length": ("m", "meter", "1.5 m, 6 ft"),
    "speed": ("km/h", "kilometer/hour", "4 km/h, 3 mph"),
    "flow": ("l/min", "liter/minute", "0.8 l/min, 0.2 US gal/min"),
    "time": ("s", "second", "30 s, 1 min"),
    "density": ("kg/l", "kilogram/liter", "1.6 t/m3, 1.2 kg/l"),
}
"""Each kind of amount: unit used inside, the same for pint, and examples of how to write it."""

_WORDS = {
    **dict.fromkeys(("g", "gram", "grams", "gm"), "gram"),
    **dict.fromkeys(("kg", "kilo", "kilos", "kilogram", "kilograms"), "kilogram"),
    **dict.fromkeys(("mg", "milligram", "milligrams"), "milligram"),
    **dict.fromkeys(("t", "tonne", "tonnes"), "metric_ton"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "pound"),
    **dict.fromkeys(("oz", "ounce", "ounces"), "ounce"),
    **dict.fromkeys(("l", "litre", "litres", "liter", "liters"), "liter"),
    **dict.fromkeys(("ml", "millilitre", "millilitres", "milliliter", "milliliters"), "milliliter"),
    **dict.fromkeys(("m3", "cubic metre", "cubic metres"), "meter**3"),
    **dict.fromkeys(("m2", "sq m", "sqm", "square metre", "square metres"), "meter**2"),
    **dict.fromkeys(("ft2", "sq ft", "sqft", "square foot", "square feet"), "foot**2"),
    **dict.fromkeys(("yd2", "sq yd", "sqyd", "square yard", "square yards"), "yard**2"),
    **dict.fromkeys(("ha", "hectare", "hectares"), "hectare"),
    # The international acre, 4840 square yards; the survey acre is 4 parts in a million larger.
    **dict.fromkeys(("ac", "acre", "acres"), "(4840 * yard**2)"),
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "meter"),
    **dict.fromkeys(("ft", "foot", "feet"), "foot"),
    **dict.fromkeys(("yd", "yard", "yards"), "yard"),
    **dict.fromkeys(("in", "inch", "inches"), "inch"),
    "cm": "centimeter",
    "mm": "millimeter",
    "km": "kilometer",
    "mile": "mile",
    "mph": "mile/hour",
    **dict.fromkeys(("s", "sec", "second", "seconds"), "second"),
    **dict.fromkeys(("min", "minute", "minutes"), "minute"),
    **dict.fromkeys(("h", "hr", "hour", "hours"), "hour"),
}
_GALLON_SIZED = {
    **dict.fromkeys(("gal", "gallon", "gallons"), "gallon"),
    **dict.fromkeys(("fl oz", "fluid ounce", "fluid ounces"), "fluid_ounce"),
    **dict.fromkeys(("pt", "pint", "pints"), "pint"),
    **dict.fromkeys(("qt", "quart", "quarts"), "quart"),
}
_NUMBER = re.compile(r"\s*([-+]?\d[\d.,]*|[-+]?\.\d+)\s*(.*)", re.DOTALL)


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


def positive(what: str, value: float, unit: str = "", *, zero: bool = False) -> float:
    """Return ``value`` when it is a finite number above 0 (or from 0 on, with ``zero``).

    Raises
    ------
    LawnscoreError
        Otherwise, naming ``what`` and the value.

    Examples
    --------
    >>> positive("width", 1.5, "m")
    1.5
    """
    if math.isfinite(value) and (value > 0 or (zero and value == 0)):
        return float(value)
    least = "0 or more" if zero else "more than 0"
    raise LawnscoreError(f"{what} is {value:g} {unit}".rstrip(), f"It must be {least}.")


def read_number(text: str, what: str = "amount") -> float:
    """Read a number with a decimal point or comma, or with thousands set apart by commas.

    Examples
    --------
    >>> read_number("0,5"), read_number("1,000"), read_number("1,250.5")
    (0.5, 1000.0, 1250.5)

    Raises
    ------
    LawnscoreError
        When it is no number, or one that may be read two ways (``1,250``).
    """
    bare = text.strip()
    if re.fullmatch(r"[-+]?\d{1,3}(,000)+(\.\d+)?|[-+]?\d{1,3}(,\d{3})+\.\d+", bare):
        bare = bare.replace(",", "")
    elif re.fullmatch(r"[-+]?[1-9]\d{0,2},\d{3}", bare):
        raise LawnscoreError(
            f"the {what} {bare} may be read two ways",
            f"Write {bare.replace(',', '')} or {bare.replace(',', '.')}.",
        )
    elif re.fullmatch(r"[-+]?\d+,\d+", bare):
        bare = bare.replace(",", ".")
    try:
        return float(bare)
    except ValueError:
        raise LawnscoreError(
            f"the {what} {text!r} is not a number", "Write it like 12.5."
        ) from None


def read_quantity(
    text: str,
    kind: str,
    *,
    what: str = "",
    assumed: str = "",
    gallon: Gallon | None = None,
) -> float:
    """Read an amount such as ``1 lb/1000 sq ft`` into the unit used inside.

    Parameters
    ----------
    text
        Number and unit; ``/`` or ``per`` between amount and area.
    kind
        One of :data:`KINDS`.
    what
        What the amount is, for the message.
    assumed
        Unit of a number written without one; empty means that a unit must be written.
    gallon
        Which gallon (fluid ounce, pint, quart) is meant where it is not written.

    Returns
    -------
    float
        The amount in the first unit of ``KINDS[kind]``; more than 0.

    Raises
    ------
    LawnscoreError
        When the number or unit cannot be read, the unit is of another kind, a gallon may be
        either, or the amount is not more than 0.

    Examples
    --------
    >>> round(read_quantity("1 lb/1000 sq ft", "mass rate"), 6)
    4.882428
    >>> read_quantity("50 kg/ha", "mass rate")
    5.0
    >>> round(read_quantity("3 US gal/acre", "volume rate") * 10_000, 3)
    28.062
    """
    what = what or kind
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise LawnscoreError(f"the {what} {text!r} has no number", f"Write {_example(kind)}.")
    number = positive(what, read_number(match[1], what), match[2].strip())
    unit = match[2].strip() or assumed
    if not unit:
        raise LawnscoreError(f"the {what} {text!r} has no unit", f"Write it like {_example(kind)}.")
    return number * unit_factor(unit, kind, what=what, gallon=gallon)


@cache
def unit_factor(unit: str, kind: str, *, what: str = "", gallon: Gallon | None = None) -> float:
    """Return how many of the unit used inside one ``unit`` is.

    Examples
    --------
    >>> unit_factor("kg/ha", "mass rate")
    0.1
    >>> round(unit_factor("oz/sq yd", "mass rate"), 6)
    33.905747

    Raises
    ------
    LawnscoreError
        When the unit is not known or is of another kind.
    """
    top, *below = re.split(r"\s*/\s*|\s+per\s+", unit.strip())
    if len(below) > 1:
        raise LawnscoreError(f"the unit {unit!r} is not known", f"Write it like {_example(kind)}.")
    quantity = _part(top, unit, kind, gallon)
    if below:
        quantity = quantity / _part(below[0], unit, kind, gallon)
    target = _registry().parse_units(KINDS[kind][1])
    if not quantity.check(target.dimensionality):
        raise LawnscoreError(
            f"{unit!r} is no unit of the {what or kind}", f"Write it like {_example(kind)}."
        )
    return float(f"{quantity.to(target).magnitude:.15g}")


def write_quantity(
    value: float, kind: str, unit: str, *, digits: int = 4, gallon: Gallon | None = None
) -> str:
    """Write an amount that is in the unit used inside, in the ``unit`` wanted.

    Examples
    --------
    >>> write_quantity(35, "mass rate", "lb/1000 sq ft")
    '7.169 lb/1000 sq ft'
    >>> write_quantity(float("nan"), "mass", "kg")
    'unknown'
    """
    if not math.isfinite(value):
        return "unknown"
    return f"{significant(value / unit_factor(unit, kind, gallon=gallon), digits)} {unit}"


def significant(value: float, digits: int = 4) -> str:
    """Write a number with so many significant digits, never in powers of ten.

    Examples
    --------
    >>> significant(4.9), significant(12345.6), significant(0.00123456)
    ('4.9', '12350', '0.001235')
    """
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    text = f"{rounded:.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _part(text: str, unit: str, kind: str, gallon: Gallon | None) -> Any:
    match = _NUMBER.fullmatch(text)
    number = read_number(match[1], "unit") if match else 1.0
    positive("the number in the unit", number, unit)
    word = _plain_word(match[2] if match else text)
    expression = _WORDS.get(word) or _gallon_sized(word, unit, gallon)
    if expression is None:
        raise LawnscoreError(f"the unit {unit!r} is not known", f"Write it like {_example(kind)}.")
    return number * _registry().parse_expression(expression)


def _plain_word(text: str) -> str:
    word = text.strip().lower().replace("²", "2").replace("³", "3").replace("^", "")
    word = re.sub(r"\bsq\.?\s*", "sq ", word)
    return " ".join(word.replace(".", " ").replace("sq m2", "sq m").split())


def _gallon_sized(word: str, unit: str, gallon: Gallon | None) -> str | None:
    sizes = {"us": "us", "u s": "us", "imp": "imperial", "imperial": "imperial", "uk": "imperial"}
    for mark, size in sizes.items():
        for name in (word.removeprefix(f"{mark} "), word.removesuffix(f" {mark}")):
            if name != word and name in _GALLON_SIZED:
                return _sized(_GALLON_SIZED[name], size)
    if word not in _GALLON_SIZED:
        return None
    if gallon is None:
        raise LawnscoreError(
            f"{word!r} in {unit!r} may be the US or the imperial measure",
            f"Write `US {word}` or `imp {word}`, or set which gallon is meant.",
        )
    return _sized(_GALLON_SIZED[word], gallon)


def _sized(name: str, size: str) -> str:
    # pint's bare gallon, quart, pint and fluid ounce are the US liquid measures.
    return f"imperial_{name}" if size == "imperial" else name


def _example(kind: str) -> str:
    return KINDS[kind][2]
