from __future__ import annotations

import math

import pandas as pd
import pytest

from lawnscore.care.feed_record import (
    APPLICATION_COLUMNS,
    YEAR_COLUMNS,
    applications,
    nutrients_by_year,
)
from lawnscore.contract.tables import LAWNS, WORK


def work_of(*rows: dict[str, object]) -> pd.DataFrame:
    default = {"lawn": "elm-3", "zone": "front", "task": "feed"}
    return WORK.frame([default | row for row in rows])


LAWNS_2 = LAWNS.frame(
    [
        {"lawn": "elm-3", "zone": "front", "area_m2": 140},
        {"lawn": "elm-3", "zone": "back", "area_m2": 60},
    ]
)
LABEL = {"n_pct": 5, "p2o5_pct": 3, "k2o_pct": 10}


def test_one_application_has_the_worked_example_in_it() -> None:
    work = work_of({"date": "2025-04-02", "rate": 35, "rate_unit": "g/m2", **LABEL})
    row = applications(work, LAWNS_2).iloc[0]
    assert row["product_kg"] == pytest.approx(4.9)
    assert row["n_g_m2"] == pytest.approx(1.75)
    assert row["k2o_g_m2"] == pytest.approx(3.5)
    assert row["note"] == ""


def test_a_row_for_the_whole_lawn_feeds_every_zone() -> None:
    work = work_of({"date": "2025-04-02", "zone": "all", "rate": 35, "rate_unit": "g/m2", **LABEL})
    out = applications(work, LAWNS_2)
    assert dict(zip(out["zone"], out["product_kg"], strict=True)) == pytest.approx(
        {"front": 4.9, "back": 2.1}
    )


def test_weight_out_of_the_bag_gives_the_rate_over_all_zones() -> None:
    work = work_of({"date": "2025-04-02", "zone": "all", "product_used_kg": 7.0, **LABEL})
    out = applications(work, LAWNS_2)
    assert out["product_g_m2"].tolist() == pytest.approx([35, 35])
    assert out["product_kg"].sum() == pytest.approx(7.0)
    assert set(out["note"]) == {"rate from the weight used"}


def test_a_year_adds_up_and_a_part_counts_by_its_share() -> None:
    work = work_of(
        {"date": "2025-04-02", "rate": 35, "rate_unit": "g/m2", **LABEL},
        {"date": "2025-06-02", "rate": 350, "rate_unit": "kg/ha", "area_m2": 70, **LABEL},
        {"date": "2026-04-02", "rate": 35, "rate_unit": "g/m2", **LABEL},
    )
    out = nutrients_by_year(work, LAWNS_2)
    assert out["year"].tolist() == [2025, 2026]
    assert out["n_g_m2"].tolist() == pytest.approx([1.75 * 1.5, 1.75])
    assert out["largest_n_g_m2"].iloc[0] == pytest.approx(1.75)


@pytest.mark.parametrize(
    ("row", "note"),
    [
        ({"rate": 35, "rate_unit": "g/m2"}, "no analysis"),
        ({"rate": 35, **LABEL}, "rate has no unit"),
        (LABEL, "no rate"),
        ({"rate": 35, "rate_unit": "buckets", **LABEL}, "not known"),
        ({"rate": -1, "rate_unit": "g/m2", **LABEL}, "rate is -1"),
        ({"rate": 20, "rate_unit": "l/ha", **LABEL}, "needs the density"),
        ({"rate": 35, "rate_unit": "g/m2", "n_pct": 120}, "over|120 %"),
    ],
)
def test_what_cannot_be_told_is_unknown_and_says_why(row: dict[str, object], note: str) -> None:
    work = work_of({"date": "2025-04-02", **row})
    single = applications(work, LAWNS_2).iloc[0]
    assert math.isnan(single["n_g_m2"])
    year = nutrients_by_year(work, LAWNS_2).iloc[0]
    assert year["not_counted"] == 1
    assert math.isnan(year["n_g_m2"])
    assert pd.Series([year["note"]]).str.contains(note).all()


def test_what_no_label_states_is_unknown_not_nought() -> None:
    work = work_of({"date": "2025-04-02", "rate": 35, "rate_unit": "g/m2", "n_pct": 5})
    year = nutrients_by_year(work, LAWNS_2).iloc[0]
    assert year["n_g_m2"] == pytest.approx(1.75)
    assert math.isnan(year["k2o_g_m2"])


def test_a_sum_with_an_unknown_part_says_so() -> None:
    work = work_of(
        {"date": "2025-04-02", "rate": 35, "rate_unit": "g/m2", **LABEL},
        {"date": "2025-05-02", "rate": 35, "rate_unit": "g/m2"},
    )
    year = nutrients_by_year(work, LAWNS_2).iloc[0]
    assert (year["applications"], year["not_counted"]) == (2, 1)
    assert year["n_g_m2"] == pytest.approx(1.75)


def test_liquid_rates_with_a_density() -> None:
    work = work_of({"date": "2025-04-02", "rate": 20, "rate_unit": "l/ha", **LABEL})
    out = applications(work, LAWNS_2, density_kg_l=1.25)
    assert out["n_g_m2"].iloc[0] == pytest.approx(0.125)


def test_empty_tables_have_the_right_columns() -> None:
    empty = WORK.frame([])
    assert list(applications(empty).columns) == list(APPLICATION_COLUMNS)
    assert list(nutrients_by_year(empty).columns) == list(YEAR_COLUMNS)


def test_spraying_without_a_label_is_no_feed() -> None:
    assert applications(work_of({"date": "2025-04-02", "task": "spray", "rate": 1})).empty
