"""Units against their exact definitions (yard 0.9144 m, pound 0.45359237 kg, 1959 agreement)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.care.units import (
    KINDS,
    positive,
    read_number,
    read_quantity,
    significant,
    unit_factor,
    write_quantity,
)
from lawnscore.contract.errors import LawnscoreError

POUND_G = 453.59237
FOOT_M = 0.3048
ACRE_M2 = 4840 * 0.9144**2
US_GALLON_L = 231 * 0.0254**3 * 1000  # 231 cubic inches
IMPERIAL_GALLON_L = 4.54609  # Units of Measurement Regulations 1995


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("35 g/m2", "mass rate", 35),
        ("35 g per sq m", "mass rate", 35),
        ("1 lb/1000 sq ft", "mass rate", POUND_G / (1000 * FOOT_M**2)),
        ("1 lb per 1,000 ft²", "mass rate", POUND_G / (1000 * FOOT_M**2)),
        ("0.5 oz/sq yd", "mass rate", 0.5 * POUND_G / 16 / 0.9144**2),
        ("0,5 oz / sq. yd.", "mass rate", 0.5 * POUND_G / 16 / 0.9144**2),
        ("50 kg/ha", "mass rate", 5),
        ("1 lb/acre", "mass rate", POUND_G / ACRE_M2),
        ("20 l/ha", "volume rate", 0.002),
        ("3 US gal/acre", "volume rate", 3 * US_GALLON_L / ACRE_M2),
        ("3 imp gal/acre", "volume rate", 3 * IMPERIAL_GALLON_L / ACRE_M2),
        ("3 US fl oz/1000 sq ft", "volume rate", 3 * US_GALLON_L / 128 / (1000 * FOOT_M**2)),
        ("2 UK pints", "volume", IMPERIAL_GALLON_L / 4),
        ("2 quarts US", "volume", US_GALLON_L / 2),
        ("1500 sq ft", "area", 1500 * FOOT_M**2),
        ("1 acre", "area", ACRE_M2),
        ("900 g", "mass", 0.9),
        ("3 mph", "speed", 3 * 1.609344),
        ("400 ml/30 s", "flow", 0.8),
        ("1.6 t/m3", "density", 1.6),
        ("1 min", "time", 60),
    ],
)
def test_amounts_are_read_exactly(text: str, kind: str, expected: float) -> None:
    assert read_quantity(text, kind) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "kind", "expected", "tolerance"),
    [
        ("lb/1000 sq ft", "mass rate", 4.882428, 1e-5),
        ("oz/sq yd", "mass rate", 33.905747, 1e-5),
        ("lb/acre", "mass rate", 1.1208 / 10, 1e-5),  # International Fertilizer Association table
    ],
)
def test_factors_agree_with_printed_tables(
    unit: str, kind: str, expected: float, tolerance: float
) -> None:
    assert unit_factor(unit, kind) == pytest.approx(expected, abs=tolerance)


def test_a_bare_gallon_must_be_told_apart() -> None:
    with pytest.raises(LawnscoreError, match="US or the imperial"):
        read_quantity("3 gal/acre", "volume rate")
    us = read_quantity("3 gal/acre", "volume rate", gallon="us")
    imperial = read_quantity("3 gal/acre", "volume rate", gallon="imperial")
    assert imperial / us == pytest.approx(IMPERIAL_GALLON_L / US_GALLON_L)


@pytest.mark.parametrize(
    ("text", "kind", "match"),
    [
        ("-3 g", "mass", "must be more than 0"),
        ("0 g/m2", "mass rate", "must be more than 0"),
        ("3 kg", "area", "no unit of the area"),
        ("3 kg/m", "mass rate", "no unit of the mass rate"),
        ("g", "mass", "has no number"),
        ("3", "mass rate", "has no unit"),
        ("3 furlongs", "length", "not known"),
        ("3 g/m2/year", "mass rate", "not known"),
        ("3 g/0 m2", "mass rate", "must be more than 0"),
        ("1,250 g", "mass", "two ways"),
        ("1..2 g", "mass", "not a number"),
    ],
)
def test_what_cannot_be_read_says_so_in_one_line(text: str, kind: str, match: str) -> None:
    with pytest.raises(LawnscoreError, match=match) as caught:
        read_quantity(text, kind)
    assert "\n" not in caught.value.line()


def test_a_number_alone_is_in_the_assumed_unit() -> None:
    assert read_quantity("140", "area", assumed="m2") == 140


WRITTEN = st.sampled_from(
    [
        ("mass rate", "lb/1000 sq ft"),
        ("mass rate", "oz/sq yd"),
        ("mass rate", "kg/ha"),
        ("volume rate", "l/ha"),
        ("volume rate", "US gal/acre"),
        ("volume rate", "imp gal/acre"),
        ("area", "sq ft"),
        ("mass", "lb"),
        ("speed", "mph"),
    ]
)


@given(st.floats(1e-3, 1e5), WRITTEN)
def test_what_is_written_is_read_back(value: float, written: tuple[str, str]) -> None:
    kind, unit = written
    text = write_quantity(value, kind, unit, digits=12)
    assert read_quantity(text, kind) == pytest.approx(value, rel=1e-10)


@given(st.floats(1e-9, 1e9), st.integers(1, 10))
def test_significant_digits_are_close_and_plain(value: float, digits: int) -> None:
    text = significant(value, digits)
    assert "e" not in text
    assert float(text) == pytest.approx(value, rel=0.5 * 10 ** (1 - digits) * 1.0001)


@given(st.floats(0.001, 999, allow_nan=False))
def test_a_decimal_comma_is_a_decimal_point(value: float) -> None:
    text = f"{value:.2f}"
    assert read_number(text.replace(".", ",")) == read_number(text)


def test_unknown_is_written_as_unknown() -> None:
    assert write_quantity(math.nan, "mass", "kg") == "unknown"


@pytest.mark.parametrize("value", [math.nan, math.inf, -1.0, 0.0])
def test_only_finite_numbers_above_zero_are_positive(value: float) -> None:
    with pytest.raises(LawnscoreError, match="must be more than 0"):
        positive("width", value, "m")


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_example_in_the_messages_can_be_read(kind: str) -> None:
    for example in KINDS[kind][2].split(", "):
        assert read_quantity(example, kind) > 0
