"""Spreader arithmetic against examples and a t interval worked by hand."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.care.bag_check import check_bag_left, check_empty_bag
from lawnscore.care.spreader import (
    SETTING_COLUMNS,
    calibrate,
    learned_settings,
    rate_per_pass,
    setting_for,
)
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import LAWNS, WORK


def test_rate_from_a_test_run() -> None:
    assert calibrate(900, 1.5, 20).rate_g_m2 == 30.0
    assert math.isnan(calibrate(900, 1.5, 20).low_g_m2)


def test_two_directions_take_half_the_rate() -> None:
    assert rate_per_pass(30) == 15.0


def test_interval_of_three_runs_by_hand() -> None:
    # Logs of 27, 30, 33.33...: mean log 30, sd 0.105361; t(0.975, 2 df) = 4.302653 (t table).
    found = calibrate([810, 900, 1000], 1.5, 20)
    assert found.rate_g_m2 == pytest.approx(30)
    half = 4.302653 * 0.1053605 / math.sqrt(3)
    assert found.high_g_m2 == pytest.approx(30 * math.exp(half), rel=1e-5)
    assert found.low_g_m2 == pytest.approx(30 * math.exp(-half), rel=1e-5)
    assert found.spread_pct == pytest.approx(11.11, abs=0.01)


@pytest.mark.parametrize(("mass", "width", "distance"), [(0, 1, 1), (1, 0, 1), (1, 1, -1)])
def test_impossible_runs_are_refused(mass: float, width: float, distance: float) -> None:
    with pytest.raises(LawnscoreError, match="must be more than 0"):
        calibrate(mass, width, distance)


def test_no_run_is_refused() -> None:
    with pytest.raises(LawnscoreError, match="no test run"):
        calibrate([], 1, 1)


def run(setting: str, used: float, area: float | None = 100, **more: object) -> dict[str, object]:
    return {
        "date": "2025-04-02",
        "lawn": "elm-3",
        "zone": "all",
        "task": "feed",
        "machine": "drop spreader",
        "product": "spring feed",
        "setting": setting,
        "product_used_kg": used,
        "area_m2": area,
    } | more


def test_settings_are_learned_from_bag_weights() -> None:
    work = WORK.frame([run("4", 2.7), run("4", 3.0), run("4", 10 / 3), run("5", 4.0)])
    out = learned_settings(work)
    assert list(out.columns) == list(SETTING_COLUMNS)
    four = out[out["setting"] == "4"].iloc[0]
    assert (four["n_runs"], four["rate_g_m2"]) == (3, pytest.approx(30))
    assert four["next_low"] < four["rate_low"] < 30 < four["rate_high"] < four["next_high"]
    assert math.isnan(out[out["setting"] == "5"].iloc[0]["rate_low"])


def test_passes_and_the_area_of_the_register_count() -> None:
    lawns = LAWNS.frame([{"lawn": "elm-3", "zone": "all", "area_m2": 200}])
    work = WORK.frame([run("4", 6.0, None, passes=2)])
    assert learned_settings(work, lawns)["rate_g_m2"].iloc[0] == pytest.approx(15)
    assert learned_settings(work).empty


def test_one_weighing_shared_over_zones_is_one_run() -> None:
    shared = [run("4", 2.1, 70, zone="front"), run("4", 0.9, 30, zone="back")]
    out = learned_settings(WORK.frame([*shared, run("4", 3.2, date="2025-05-01")]))
    assert out["n_runs"].tolist() == [2]
    assert out["area_m2"].tolist() == [200]


def test_runs_without_machine_or_weight_are_left_out() -> None:
    work = WORK.frame([run("4", math.nan), run("4", 3.0, machine=None), run("4", 0.0)])
    assert learned_settings(work).empty


def test_the_setting_lies_between_those_used() -> None:
    learned = learned_settings(WORK.frame([run("4", 3.0), run("6", 4.0), run("8", 6.0)]))
    setting, low, high = setting_for(learned, "drop spreader", "spring feed", 35)
    assert (setting, low, high) == (pytest.approx(5), pytest.approx(30), pytest.approx(40))
    with pytest.raises(LawnscoreError, match="outside what was recorded"):
        setting_for(learned, "drop spreader", "spring feed", 61)
    with pytest.raises(LawnscoreError, match="another: 0"):
        setting_for(learned, "drop spreader", "another", 35)


def test_the_spread_of_runs_is_covered_as_stated() -> None:
    """The next run lies in its 95 % interval about 95 times in 100 (known spread, seeded)."""
    import numpy as np

    rng = np.random.default_rng(11)
    rates = 30 * np.exp(rng.normal(0, 0.08, (400, 6)))
    rows = [run(f"{k:03d}", rate / 10) for k, few in enumerate(rates[:, :5]) for rate in few]
    learned = learned_settings(WORK.frame(rows)).sort_values("setting")
    inside = (learned["next_low"] <= rates[:, 5]) & (rates[:, 5] <= learned["next_high"])
    assert 0.91 <= inside.mean() <= 0.985


def test_a_bag_that_empties_too_soon_is_told() -> None:
    check = check_empty_bag(20, 35, 480)
    assert check.expected == pytest.approx(571.4, abs=0.1)
    assert check.rate_g_m2 == pytest.approx(41.67, abs=0.01)
    assert "empty after 480 m2" in check.warnings[0]
    assert check_empty_bag(20, 35, 560).warnings == ()
    assert "lasted for" in check_empty_bag(20, 35, 700).warnings[0]


def test_a_known_spread_sets_what_is_let_pass() -> None:
    assert check_empty_bag(20, 35, 480, spread_pct=10).warnings == ()
    assert check_empty_bag(20, 35, 540, spread_pct=2).warnings


def test_what_is_left_in_the_bag() -> None:
    check = check_bag_left(20, [(35, 140), (35, 200)], 8.0)
    assert (check.expected, check.warnings) == (pytest.approx(8.1), ())
    assert "8.1 kg should be" in check_bag_left(20, [(35, 140), (35, 200)], 6.0).warnings[0]
    assert "bag held 10 kg" in check_bag_left(10, [(35, 340)], 0).warnings[0]


def test_impossible_bags_are_refused() -> None:
    with pytest.raises(LawnscoreError, match="more than there was"):
        check_bag_left(20, [(35, 100)], 21)
    with pytest.raises(LawnscoreError, match="nothing was fed"):
        check_bag_left(20, [], 5)


@given(st.floats(1, 100), st.floats(1, 100), st.floats(1, 1000))
def test_a_bag_spread_as_meant_gives_no_warning(bag: float, rate: float, area: float) -> None:
    assert check_empty_bag(bag, rate, bag * 1000 / rate).warnings == ()
    laid = rate * area / 1000
    check = check_bag_left(laid + bag, [(rate, area)], bag)
    assert check.expected == pytest.approx(bag)
    assert check.warnings == ()


def test_the_intervals_are_unknown_not_nought() -> None:
    assert pd.isna(learned_settings(WORK.frame([run("4", 3.0)])).iloc[0]["spread_pct"])
