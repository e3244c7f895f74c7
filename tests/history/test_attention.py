from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.flags import FLAGS
from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import ATTENTION, LAWNS, VISIT_SCORES
from lawnscore.history.attention import attention
from lawnscore.history.disease import disease_spell
from lawnscore.history.season import read_weather
from lawnscore.history.visits import visit_scores
from tests.history.rounds import START, day, regrown, visit, visits, weather, work


def steady_round(loss: dict[str, float] | None = None, lawns: int = 12, n: int = 15) -> list[dict]:
    """Return monthly visits of lawns that stay put; those in `loss` fall in the last two."""
    rng = np.random.default_rng(11)
    rows = []
    for i in range(lawns):
        lawn = f"l{i:02d}"
        for k in range(n):
            fall = (loss or {}).get(lawn, 0.0) if k >= n - 2 else 0.0
            rows.append(visit(lawn, 30 * k + i % 5, 86 + rng.normal(0, 2) - fall))
    return rows


def flags(table: pd.DataFrame) -> dict[tuple[str, str], str]:
    return {(r["lawn"], r["flag"]): r["evidence"] for r in table.to_dict("records")}


def test_an_empty_table_keeps_its_columns() -> None:
    table = attention(VISIT_SCORES.frame([]))
    assert list(table.columns) == ATTENTION.column_names
    assert len(table) == 0


def test_a_steady_round_wants_nothing() -> None:
    assert attention(visits(steady_round())).empty


def test_a_lawn_that_falls_is_flagged_with_its_numbers_and_a_next_step() -> None:
    table = attention(visits(steady_round({"l03": 14.0})))
    assert table["lawn"].tolist() == ["l03"]
    row = table.loc[0]
    assert (row["rank"], row["flag"], row["measure"]) == (1, "cover falling", "green_cover_pct")
    assert row["since"] in {day(30 * 13 + 3), day(30 * 14 + 3)}
    assert "points less than its own past" in row["evidence"]
    assert row["next_step"] == FLAGS["cover falling"].advice


def test_a_change_of_method_is_said_beside_the_trend() -> None:
    rows = [row | {"version": "1"} for row in steady_round({"l03": 14.0})]
    rows[3 * 15 + 14]["version"] = "2"
    evidence = flags(attention(visits(rows)))["l03", "cover falling"]
    assert "way of scoring or the card changed" in evidence


def renovated_round(slow: str | None = None) -> tuple[list[dict], pd.DataFrame]:
    rows = steady_round(lawns=10, n=9)
    for i in range(10):
        lawn = f"l{i:02d}"
        days_to_95 = 220 if lawn == slow else 40
        rows += [visit(lawn, 260, 86, "before"), visit(lawn, 260, 50, "after")]
        rows += [visit(lawn, 260 + t, regrown(86, 50, days_to_95, t)) for t in (14, 28, 45, 60)]
    return rows, work(*((f"l{i:02d}", 260, "scarify") for i in range(10)))


@pytest.mark.parametrize("later", [0, 14, 28, 45, 60])
def test_the_drop_on_purpose_raises_no_flag(later: int) -> None:
    rows, done = renovated_round()
    assert attention(visits(rows), done, today=day(260 + later)).empty


def test_a_slow_recovery_is_flagged_once() -> None:
    rows, done = renovated_round(slow="l04")
    table = attention(visits(rows), done)
    assert list(flags(table)) == [("l04", "recovery slow")]
    assert table.loc[0, "since"] == day(260)
    evidence = table.loc[0, "evidence"]
    assert "60 days after the work (scarify)" in evidence
    assert "To be expected were" in evidence
    assert not re.search(r"\([^)]*\(", evidence), "brackets within brackets"


SUMMER = 30 * 17 + 5
"""A day in May: 2025-05-30."""


def unvisited(rows: list[dict], lawn: str, since: int) -> list[dict]:
    return [row for row in rows if row["lawn"] != lawn or row["date"] < day(since)]


def test_a_lawn_not_visited() -> None:
    rows = unvisited(steady_round(n=18), "l05", 30 * 9)
    lawns = LAWNS.frame([{"lawn": "new", "zone": "all"}, {"lawn": "l00", "zone": "all"}])
    found = flags(attention(visits(rows), lawns=lawns))
    assert "days ago" in found["l05", "not visited"]
    assert "while grass grew; more than the 70 that are let pass." in found["l05", "not visited"]
    assert "no photos of it yet" in found["new", "not visited"]
    assert len(found) == 2


@pytest.mark.parametrize("latitude", [None, 52.0])
def test_no_lawn_is_overdue_in_winter_nor_outranks_a_fall(latitude: float | None) -> None:
    # the round rests from November; one lawn had fallen by its last visits, in October
    rows = steady_round({"l03": 14.0}, n=11)
    assert rows[-1]["date"] < "2024-11-05"
    table = attention(
        visits(rows), today="2025-01-20", settings=HistorySettings(latitude_deg=latitude)
    )
    assert [(r["lawn"], r["flag"]) for r in table.to_dict("records")] == [("l03", "cover falling")]


def test_latitude_says_where_winter_is() -> None:
    rows = steady_round(n=6)  # to the end of May
    north, south = (
        attention(visits(rows), today="2024-08-25", settings=HistorySettings(latitude_deg=degrees))
        for degrees in (52.0, -45.0)
    )
    assert set(north["flag"]) == {"not visited"}
    assert south.empty


def test_a_fall_comes_before_every_lawn_that_only_waits_for_a_visit() -> None:
    rows = steady_round({"l03": 9.0}, n=18)
    rows = unvisited(unvisited(rows, "l05", 200), "l06", 200)
    lawns = LAWNS.frame(
        [{"lawn": f"l{i:02d}", "zone": "all", "area_m2": 10 if i == 3 else 2000} for i in range(12)]
    )
    table = attention(visits(rows), lawns=lawns)
    assert table["flag"].tolist()[0] == "cover falling"
    assert set(table["flag"].tolist()[1:]) == {"not visited"}


def test_a_round_of_rare_visits_has_its_own_rhythm() -> None:
    # three visits a summer, 100 days apart: 70 days without one are nothing out of the way
    seen = (95, 195, 295, 460, 560)
    rows = [visit(f"l{i}", n, 86) for i in range(6) for n in seen]
    assert attention(visits(rows), today=day(560 + 105)).empty
    late = attention(visits(rows), today=day(560 + 315))
    assert set(late["flag"]) == {"not visited"}


def test_lawns_whose_photos_were_all_refused_are_named() -> None:
    rows = steady_round(n=18)
    rows += [visit("all-refused", 30 * 9, np.nan) | {"photos": 0, "refused": 3}]
    found = flags(attention(visits(rows)))
    assert list(found) == [("all-refused", "not visited")]


@pytest.mark.parametrize(("left", "named"), [("2025-05-01", False), ("2025-12-01", True)])
def test_a_lawn_that_left_gets_no_flags(left: str, named: bool) -> None:
    rows = steady_round({"l03": 14.0}, n=18)
    lawns = LAWNS.frame([{"lawn": "l03", "zone": "all", "left": left}])
    table = attention(visits(rows), lawns=lawns, today=day(SUMMER))
    assert ("l03" in set(table["lawn"])) is named


def test_since_stays_where_it_was_as_visits_are_added() -> None:
    rng = np.random.default_rng(5)
    rows = []
    for i in range(12):
        for k in range(20):
            lost = 3.0 * max(k - 13, 0) if i == 3 else 0.0
            rows.append(visit(f"l{i:02d}", 30 * k + i % 5, 88 + rng.normal(0, 1.5) - lost))
    told = []
    for n in range(15, 20):
        table = attention(visits(rows), today=day(30 * n + 6))
        told += table.loc[table["flag"] == "cover falling", "since"].tolist()
    assert len(told) >= 3
    assert len(set(told)) == 1


def casting(lawns: int = 8, years: int = 2) -> list[dict]:
    """Return a round in which one lawn casts every October, one photo a visit, and others not."""
    rows = []
    for i in range(lawns):
        for k in range(12 * years - 2):
            month = k % 12
            n = 18.3 if i == 0 and month in (9, 10) else 0.4
            row = visit(f"l{i}", int(30.4 * k) + 3, 88, photos=1)
            rows.append(row | {"casts_per_m2": n, "casts_per_m2_low": max(n - 9, 0),
                               "casts_per_m2_high": n + 9})  # fmt: skip
    return rows


def test_casts_that_come_back_every_year_are_no_rise() -> None:
    rows = casting()
    rows[21]["casts_per_m2"] = 21.0  # "16.7 more", and 18.3 a year before
    assert attention(visits(rows), today=day(670)).empty


def test_casts_that_were_not_there_the_year_before_are_a_rise() -> None:
    rows = casting()
    for row in rows[9:11]:
        row |= {"casts_per_m2": 0.4, "casts_per_m2_low": 0.0, "casts_per_m2_high": 3.0}
    for row in rows[20:22]:
        row |= {"casts_per_m2": 60.0, "casts_per_m2_low": 45.0, "casts_per_m2_high": 75.0}
    assert ("l0", "casts rising") in flags(attention(visits(rows), today=day(670)))


def worn(grow: bool) -> pd.DataFrame:
    """Return photos of a round of one summer, two spots a visit, where one lawn wears bare."""
    share = {"2025-04-15": (0.9, 0.7), "2025-06-10": (4.0, 1.5), "2025-08-05": (7.2, 4.4)}
    return pd.DataFrame(
        {
            "lawn": lawn, "zone": "all", "spot": spot, "date": date, "stage": "check",
            "status": "scored", "area_m2": 1.2, "green_cover_pct": 88.0,
            "green_cover_pct_se": 1.0, "bare_patch_pct_se": 0.1,
            "bare_patch_pct": share[date if grow else "2025-04-15"][k] if lawn == "worn" else 0.0,
        }
        for lawn in ("worn", *"abcdefgh")
        for date in share
        for k, spot in enumerate("AB")
    )  # fmt: skip


@pytest.mark.parametrize("grow", [True, False])
def test_bare_patches_that_wear_in_over_a_summer(grow: bool) -> None:
    photos = worn(grow)
    found = flags(attention(visit_scores(photos), photo_scores=photos, today="2025-08-06"))
    assert (("worn", "bare patches growing") in found) is grow


def test_photos_too_poor_name_the_reasons() -> None:
    rows = steady_round()
    rows[-1] |= {"photos": 0, "refused": 3, "green_cover_pct": np.nan}
    photos = pd.DataFrame(
        [
            {"lawn": "l11", "zone": "all", "date": rows[-1]["date"], "reason": word}
            for word in ("blurred", "cardless", "blurred")
        ]
    )
    evidence = flags(attention(visits(rows), photo_scores=photos))["l11", "photos too poor"]
    assert evidence == "all 3 photos of the last visit were refused (blurred, cardless)."


def test_a_wide_interval_is_too_poor_to_tell() -> None:
    rows = steady_round()
    rows[-1] |= {"green_cover_pct_low": 50.0, "green_cover_pct_high": 99.0}
    assert ("l11", "photos too poor") in flags(attention(visits(rows)))


def test_an_interval_that_no_retake_would_narrow_is_not_too_poor() -> None:
    """What the method errs by alike in all photos is no fault of them."""
    rows = steady_round()
    rows[-1] |= {"green_cover_pct_low": 50.0, "green_cover_pct_high": 99.0}
    rows[-1]["green_cover_pct_shared_se"] = 12.0  # of 12.5 in all
    assert ("l11", "photos too poor") not in flags(attention(visits(rows)))


def test_a_zone_away_from_the_others() -> None:
    rows = steady_round()
    rows += [visit("l00", 30 * k, 70) | {"zone": "shaded side"} for k in range(15)]
    table = attention(visits(rows))
    assert table["zone"].tolist() == ["shaded side"]
    assert table["flag"].tolist() == ["uneven"]
    assert "70 % here" in table.loc[0, "evidence"]


def cool_wet(days: int, wet_h: float, mean_c: float = 6.0) -> pd.DataFrame:
    table = weather(440)
    table["mean_c"], table["leaf_wetness_h"] = 18.0, 2.0
    table.loc[len(table) - days :, ["mean_c", "leaf_wetness_h"]] = mean_c, wet_h
    return table


@pytest.mark.parametrize(
    ("days", "wet_h", "mean_c", "risk"),
    [(4, 12, 6, True), (2, 12, 6, False), (4, 9, 6, False), (4, 12, 21, False)],
)
def test_disease_weather(days: int, wet_h: float, mean_c: float, risk: bool) -> None:
    # Microdochium: cool leaf, wet for most of the day, for days; common practice, no source
    record = read_weather(cool_wet(days, wet_h, mean_c))
    assert record is not None
    assert (disease_spell(record, record.last_day) is not None) is risk


def test_disease_weather_spares_open_drained_lawns() -> None:
    lawns = LAWNS.frame(
        [
            {"lawn": "l00", "zone": "all", "shade": "none", "drainage": "good"},
            {"lawn": "l01", "zone": "all", "shade": "full"},
        ]
    )
    table = attention(
        visits(steady_round(lawns=2)), weather=cool_wet(5, 14), lawns=lawns, today=day(439)
    )
    assert table["lawn"].tolist() == ["l01"]
    assert "not a diagnosis" in table.loc[0, "evidence"]


def test_a_large_lawn_comes_before_a_small_one() -> None:
    rows = steady_round({"l03": 14.0, "l07": 14.0})
    lawns = LAWNS.frame(
        [{"lawn": f"l{i:02d}", "zone": "all", "area_m2": 900 if i == 7 else 100} for i in range(12)]
    )
    table = attention(visits(rows), lawns=lawns)
    assert table["lawn"].tolist() == ["l07", "l03"]
    assert table["rank"].tolist() == [1, 2]
    assert table["urgency"].is_monotonic_decreasing


def test_only_what_was_known_is_used() -> None:
    rows = steady_round({"l03": 14.0})
    seen = [row for row in rows if row["date"] <= day(30 * 12 + 10)]
    early = attention(visits(rows), today=day(30 * 12 + 10))
    pd.testing.assert_frame_equal(early, attention(visits(seen), today=day(30 * 12 + 10)))
    # and the fall is there once its visits are
    late = attention(visits(rows), today=day(30 * 14 + 10))
    assert ("l03", "cover falling") in flags(late)


def test_every_flag_has_words_for_people() -> None:
    for word, flag in FLAGS.items():
        assert word == flag.word
        assert flag.meaning
        assert flag.advice.endswith(".")
    assert np.datetime64(day(0)) == START


def test_a_lone_lawn_is_not_held_against_others() -> None:
    """There are no other lawns, so none is named."""
    rows = [row for row in steady_round({"l03": 30.0}) if row["lawn"] == "l03"]
    alone = flags(attention(visits(rows)))["l03", "cover falling"]
    assert "than its own past and the season lead one to expect" in alone
    assert "other lawns" not in alone
    assert (
        "the other lawns"
        in flags(attention(visits(steady_round({"l03": 14.0}))))["l03", "cover falling"]
    )


def test_a_change_of_method_long_ago_is_not_said_to_lie_in_between() -> None:
    rows = [row | {"version": "2"} for row in steady_round({"l03": 14.0}, n=24)]
    rows[3 * 24]["version"] = "1"  # of two years before
    assert "way of scoring" not in flags(attention(visits(rows)))["l03", "cover falling"]


def test_refused_photos_are_said_to_be_of_the_last_visit() -> None:
    rows = steady_round()
    rows[-1] |= {"photos": 1, "refused": 3}
    evidence = flags(attention(visits(rows)))["l11", "photos too poor"]
    assert evidence == "3 of 4 photos of the last visit were refused."
