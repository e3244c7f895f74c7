"""Feed against a printed conversion table, atomic weights and arithmetic by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.care.feed import (
    ANNUAL_N_G_M2,
    SINGLE_DOSE_N_G_M2,
    Label,
    bags,
    dose_warnings,
    feed,
    oxide_share,
    product_g_m2_of_liquid,
    rate_for,
    read_label,
    to_element,
)
from lawnscore.care.units import read_quantity, unit_factor
from lawnscore.contract.errors import LawnscoreError


@pytest.mark.parametrize(
    ("oxide", "factor", "inverse"),
    [("P2O5", 0.4364, 2.2914), ("K2O", 0.8302, 1.2046)],
    # International Fertilizer Association, "Fertilizer converter" (conversion table, no year given)
)
def test_oxides_agree_with_the_printed_table(oxide: str, factor: float, inverse: float) -> None:
    assert oxide_share(oxide) == pytest.approx(factor, abs=5.5e-5)
    assert 1 / to_element(oxide, 1) == pytest.approx(inverse, abs=5e-4)


# Prohaska et al. 2022, "Standard atomic weights of the elements 2021 (IUPAC Technical Report)",
# Pure Appl. Chem. 94:573-600; abridged values, from memory.
OXYGEN = 15.999


@pytest.mark.parametrize(
    ("oxide", "factor"),
    [
        ("SO3", 32.06 / (32.06 + 3 * OXYGEN)),
        ("MgO", 24.305 / (24.305 + OXYGEN)),
        ("CaO", 40.078 / (40.078 + OXYGEN)),
        ("Fe2O3", 2 * 55.845 / (2 * 55.845 + 3 * OXYGEN)),
    ],
)
def test_other_oxides_agree_with_the_atomic_weights(oxide: str, factor: float) -> None:
    assert oxide_share(oxide) == pytest.approx(factor, abs=1e-4)


def test_a_label_as_elements() -> None:
    # 18-51-20 is often given as 18 % N, 22 % P, 16 % K (16.6, cut off): from memory, no source.
    pct = read_label("18-51-20").nutrients_pct
    assert pct["P"] == pytest.approx(22.26, abs=0.01)
    assert (pct["N"], pct["K"]) == (18, pytest.approx(16.6, abs=0.01))
    assert int(pct["K"]) == 16


def test_worked_example_4_2_8_at_30_g_m2_over_140_m2() -> None:
    # Arithmetic: kg = g/m2 x m2 / 1000; a nutrient is its share of the product.
    done = feed(read_label("4-2-8"), 30, 140)
    assert done.product_kg == pytest.approx(4.2)
    assert done.nutrients_g_m2["N"] == pytest.approx(1.2)
    assert done.nutrients_g_m2["P2O5"] == pytest.approx(0.6)
    assert done.nutrients_g_m2["K2O"] == pytest.approx(2.4)
    assert done.nutrients_g_m2["P"] == pytest.approx(0.6 * 0.4364, abs=1e-4)
    assert done.nutrients_g_m2["K"] == pytest.approx(2.4 * 0.8302, abs=1e-3)
    assert done.nutrients_kg["N"] == pytest.approx(0.168)


def test_rate_from_target() -> None:
    label = read_label("14-4-8")
    assert rate_for(label, 3.5) == pytest.approx(25)
    assert feed(label, 25, 180).product_kg == pytest.approx(4.5)
    assert feed(label, 25, 1).nutrients_g_m2["K"] == pytest.approx(1.6604, abs=1e-3)


def test_rate_in_pounds_for_a_target() -> None:
    # Arithmetic: 2 lb K2O per 1000 sq ft from 22 % takes 2 / 0.22 = 9.09 lb of product.
    target = read_quantity("2 lb/1000 sq ft", "mass rate")
    rate = rate_for(Label(k2o_pct=22), target, "K2O")
    assert rate / unit_factor("lb/1000 sq ft", "mass rate") == pytest.approx(9.09, abs=0.01)


def test_label_with_oxides_named_after_the_plus() -> None:
    label = read_label("4-0-8 + 3 MgO + 4% Fe")
    assert label.mg_pct == pytest.approx(3 * 0.6030, abs=1e-3)
    assert label.fe_pct == 4
    assert math.isnan(label.ca_pct)
    assert math.isnan(feed(label, 30, 140).nutrients_g_m2["Ca"])


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("5-3", "cannot be read"),
        ("four-2-8", "not a number"),
        ("4-2-8 + 2 XY", "cannot be read"),
        ("60-30-20", "adds up to 110 %"),
        ("101-0-0", "100 % is the most"),
    ],
)
def test_impossible_labels_are_refused(text: str, match: str) -> None:
    with pytest.raises(LawnscoreError, match=match):
        read_label(text)


def test_negative_label_is_refused() -> None:
    with pytest.raises(LawnscoreError, match="0 or more"):
        Label(n_pct=-1)


def test_a_nutrient_that_is_not_there_gives_no_rate() -> None:
    with pytest.raises(LawnscoreError, match="no P2O5 on the label"):
        rate_for(read_label("5-0-10"), 1, "P2O5")
    with pytest.raises(LawnscoreError, match="not known"):
        rate_for(read_label("5-0-10"), 1, "Zn")


@pytest.mark.parametrize(("rate", "area"), [(0, 140), (35, 0), (-1, 140), (35, -1)])
def test_impossible_amounts_are_refused(rate: float, area: float) -> None:
    with pytest.raises(LawnscoreError, match="must be more than 0"):
        feed(read_label("4-2-8"), rate, area)


labels = st.builds(
    Label, n_pct=st.floats(0.1, 30), p2o5_pct=st.floats(0.1, 30), k2o_pct=st.floats(0.1, 30)
)
amounts = st.floats(0.01, 1e4)


@given(labels, st.floats(0.01, 50), st.sampled_from(["N", "P2O5", "K2O", "P", "K"]))
def test_the_rate_for_a_target_lays_the_target_down(
    label: Label, target: float, nutrient: str
) -> None:
    rate = rate_for(label, target, nutrient)
    assert feed(label, rate, 1).nutrients_g_m2[nutrient] == pytest.approx(target)


@given(labels, amounts, amounts, amounts)
def test_nutrients_add_up_over_areas_and_applications(
    label: Label, rate: float, area: float, more: float
) -> None:
    parts = feed(label, rate, area).nutrients_kg["N"] + feed(label, rate, more).nutrients_kg["N"]
    assert feed(label, rate, area + more).nutrients_kg["N"] == pytest.approx(parts)


@given(st.lists(st.floats(0.1, 100), min_size=1, max_size=8), st.floats(1, 50), st.floats(0, 30))
def test_whole_bags_are_enough_and_one_less_is_not(
    amounts_kg: list[float], bag_kg: float, in_hand: float
) -> None:
    need = bags(amounts_kg, bag_kg, in_hand_kg=in_hand)
    assert need.n_bags * bag_kg + in_hand >= sum(amounts_kg) - 1e-6
    assert need.n_bags == 0 or (need.n_bags - 1) * bag_kg + in_hand < sum(amounts_kg) + 1e-6


def test_an_exact_number_of_bags_is_not_rounded_up() -> None:
    assert bags([0.1] * 200, 20).n_bags == 1


def test_dose_warnings_by_release() -> None:
    assert dose_warnings(3.9) == []
    assert "near" in dose_warnings(5, "fast")[0]
    assert "over the ceiling of 4 to 6" in dose_warnings(6.5)[0]
    assert dose_warnings(6.5, "slow") == []
    assert "over" in dose_warnings(10.5, "slow")[0]


def test_ceilings_and_ranges_are_the_ones_stated() -> None:
    # From secondary copies without author or year: feed.py says of which tables.
    assert SINGLE_DOSE_N_G_M2 == {"fast": (4, 6), "mixed": (6, 8), "slow": (8, 10)}
    pound = unit_factor("lb/1000 sq ft", "mass rate")
    us = ANNUAL_N_G_M2["cool-season lawn"]
    assert (us.low, us.high) == (
        pytest.approx(2 * pound, abs=0.05),
        pytest.approx(3.5 * pound, abs=0.05),
    )
    assert all(r.low < r.high and r.source for r in ANNUAL_N_G_M2.values())


def test_liquid_by_weight() -> None:
    assert product_g_m2_of_liquid(read_quantity("20 l/ha", "volume rate"), 1.25) == pytest.approx(
        2.5
    )
