from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.flags import FLAGS
from lawnscore.contract.tables import ATTENTION, LAWNS, VISIT_SCORES
from lawnscore.history.attention import attention, disease_spell
from lawnscore.history.season import read_weather
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


def test_a_lawn_not_visited() -> None:
    rows = [row for row in steady_round() if row["lawn"] != "l05" or row["date"] < day(300)]
    lawns = LAWNS.frame([{"lawn": "new", "zone": "all"}, {"lawn": "l00", "zone": "all"}])
    found = flags(attention(visits(rows), lawns=lawns))
    assert "days ago; 70 are allowed" in found["l05", "not visited"]
    assert "no photos of it yet" in found["new", "not visited"]
    assert len(found) == 2


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
    early = attention(visits(rows), today=day(30 * 12 + 10))
    assert ("l03", "cover falling") not in flags(early)


def test_every_flag_has_words_for_people() -> None:
    for word, flag in FLAGS.items():
        assert word == flag.word
        assert flag.meaning
        assert flag.advice.endswith(".")
    assert np.datetime64(day(0)) == START
