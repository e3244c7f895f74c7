from __future__ import annotations

from datetime import date, timedelta

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawnscore.care.next_visits import NEXT_COLUMNS, Planning, next_visits
from lawnscore.care.visit_amounts import heavy_rain, season_on
from lawnscore.care.visit_reasons import FLAG_DAYS
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.flags import FLAGS
from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import ATTENTION, LAWNS, RECOVERY, VISIT_SCORES, WEATHER, WORK

TODAY = "2025-05-05"  # a Monday


def lawns_of(*places: tuple[str, str, float]) -> pd.DataFrame:
    return LAWNS.frame([{"lawn": x, "zone": z, "area_m2": a} for x, z, a in places])


def visits_of(*seen: tuple[str, str, str]) -> pd.DataFrame:
    return VISIT_SCORES.frame(
        [{"lawn": x, "zone": z, "date": d, "stage": "check", "photos": 4} for x, z, d in seen]
    )


def flag(lawn: str, word: str, urgency: float, zone: str = "all") -> dict[str, object]:
    return {
        "rank": 1,
        "lawn": lawn,
        "zone": zone,
        "flag": word,
        "since": "2025-05-01",
        "evidence": "12 points less than expected.",
        "next_step": FLAGS[word].advice,
        "urgency": urgency,
    }


def recovery_row(state: str = "recovering", **more: object) -> dict[str, object]:
    return {
        "lawn": "mill",
        "zone": "all",
        "renovation_date": "2025-04-14",
        "task": "scarify",
        "recovered_pct": 40.0,
        "days_to_95": 30.0,
        "days_to_95_low": 24.0,
        "days_to_95_high": 41.0,
        "state": state,
    } | more


ELM = lawns_of(("elm-3", "all", 140))
FEED = {
    "task": "feed",
    "zone": "all",
    "product": "spring feed",
    "rate": 35,
    "rate_unit": "g/m2",
    "area_m2": 140,
    "n_pct": 5,
    "p2o5_pct": 3,
    "k2o_pct": 10,
}


def test_a_flag_brings_a_visit_with_its_evidence_and_next_step() -> None:
    seen = visits_of(("elm-3", "all", "2025-05-02"))
    out = next_visits(
        seen, ATTENTION.frame([flag("elm-3", "casts rising", 3)]), lawns=ELM, today=TODAY
    )
    row = out.iloc[0]
    assert list(out.columns) == list(NEXT_COLUMNS)
    assert row["why"] == "casts rising: 12 points less than expected."
    assert row["jobs"] == FLAGS["casts rising"].next_step
    assert "local law" in row["cautions"]
    assert row["due"] == "2025-05-19"


def test_pressing_flags_come_first_by_urgency() -> None:
    lawns = lawns_of(("a", "all", 100), ("b", "all", 100), ("c", "all", 100))
    seen = visits_of(
        ("a", "all", "2025-03-20"), ("b", "all", "2025-05-01"), ("c", "all", "2025-05-01")
    )
    flags = ATTENTION.frame([flag("b", "cover falling", 5), flag("c", "cover falling", 9)])
    out = next_visits(seen, flags, lawns=lawns, today=TODAY)
    assert out["lawn"].tolist()[:3] == ["c", "b", "a"]
    assert out["order"].tolist()[:3] == [1, 2, 3]


def test_routine_visits_follow_the_lawns_own_gap_else_the_rounds_else_six_weeks() -> None:
    own = visits_of(*(("elm-3", "all", d) for d in ("2025-03-10", "2025-03-31", "2025-04-21")))
    out = next_visits(own, lawns=ELM, today=TODAY)
    assert out["due"].iloc[0] == "2025-05-12"
    assert "its usual gap is 21 days" in out["why"].iloc[0]
    lone = visits_of(("elm-3", "all", "2025-03-31"))
    assert next_visits(lone, lawns=ELM, today=TODAY)["due"].iloc[0] == "2025-05-12"
    both = pd.concat([own.assign(lawn="mill"), lone], ignore_index=True)
    out = next_visits(both, lawns=ELM, today=TODAY)
    assert "the round's usual gap is 21 days" in out[out["lawn"] == "elm-3"]["why"].iloc[0]


def test_a_lawn_is_visited_again_after_its_gap() -> None:
    own = visits_of(*(("elm-3", "all", d) for d in ("2025-04-07", "2025-04-21", "2025-05-05")))
    out = next_visits(own, lawns=ELM, today=TODAY, options=Planning(weeks=6))
    assert out["due"].tolist() == ["2025-05-19", "2025-06-02", "2025-06-16"]


def test_a_recovering_lawn_is_looked_at_when_it_should_be_back() -> None:
    mill = lawns_of(("mill", "all", 200))
    seen = visits_of(("mill", "all", "2025-05-02"))
    out = next_visits(seen, recovery=RECOVERY.frame([recovery_row()]), lawns=mill, today=TODAY)
    assert out["due"].iloc[0] == "2025-05-14"
    assert "40 % of the lost cover is back" in out["why"].iloc[0]
    assert "2025-05-14 (2025-05-08 to 2025-05-25)" in out["why"].iloc[0]


def test_recovered_and_long_past_renovations_bring_no_visit() -> None:
    mill = lawns_of(("mill", "all", 200))
    seen = visits_of(("mill", "all", "2025-05-02"))
    for row in (
        recovery_row("recovered"),
        recovery_row("too few visits", renovation_date="2023-04-14"),
        recovery_row(renovation_date="2025-06-14"),
    ):
        out = next_visits(seen, recovery=RECOVERY.frame([row]), lawns=mill, today=TODAY)
        assert out.empty


def test_reasons_close_together_are_one_visit_to_the_lawn() -> None:
    lawns = lawns_of(("elm-3", "front", 140), ("elm-3", "back", 60))
    seen = visits_of(("elm-3", "front", "2025-03-26"), ("elm-3", "back", "2025-03-26"))
    flags = ATTENTION.frame([flag("elm-3", "cover falling", 5, "front")])
    out = next_visits(seen, flags, lawns=lawns, today=TODAY)
    assert len(out) == 1
    assert out["zone"].iloc[0] == "all"
    assert out["short"].iloc[0] == "front: cover falling since 2025-05-01; back: routine"
    assert out["area_m2"].iloc[0] == 200


def test_a_visit_made_anyway_takes_every_flag_of_the_lawn_along() -> None:
    seen = visits_of(("elm-3", "all", "2025-03-20"))
    out = next_visits(seen, ATTENTION.frame([flag("elm-3", "uneven", 2)]), lawns=ELM, today=TODAY)
    assert out["short"].iloc[0].startswith("uneven")
    assert out["date"].iloc[0] == TODAY


def test_more_visits_than_fit_on_a_friday_go_to_monday() -> None:
    lawns = lawns_of(("a", "all", 100), ("b", "all", 100))
    out = next_visits(None, lawns=lawns, today="2025-05-09", options=Planning(a_day=1))
    assert out["date"].tolist() == ["2025-05-09", "2025-05-12"]


def test_the_day_holds_no_more_visits_than_fit_and_no_weekend_is_used() -> None:
    places = [(f"lawn-{k:02d}", "all", 100.0 + k) for k in range(13)]
    out = next_visits(None, lawns=lawns_of(*places), today="2025-05-08", options=Planning(a_day=3))
    per_day = out["date"].value_counts()
    assert per_day.max() == 3
    assert all(date.fromisoformat(d).weekday() < 5 for d in out["date"])
    assert len(out) == 13
    assert out["lawn"].iloc[0] == "lawn-12"  # the larger lawn first when all else is alike


def test_feed_amounts_come_from_the_record() -> None:
    work = WORK.frame([FEED | {"lawn": "elm-3", "date": "2025-03-20"}])
    row = next_visits(None, lawns=ELM, work=work, today=TODAY).iloc[0]
    assert "spring feed at 35 g/m2 x 140 m2 = 4.9 kg, N 1.75 g/m2" in row["amounts"]
    assert "1.75 g/m2 so far this year" in row["amounts"]
    assert "label and its safety data sheet" in row["cautions"]


def test_feed_without_a_record_says_what_is_needed() -> None:
    work = WORK.frame([{"lawn": "elm-3", "zone": "all", "task": "feed", "date": "2025-03-20"}])
    row = next_visits(None, lawns=ELM, work=work, today=TODAY).iloc[0]
    assert "to compute the amount write the label" in row["amounts"]


@pytest.mark.parametrize(
    ("fed_on", "word", "today"),
    [
        ("2025-04-28", None, TODAY),  # fed a week ago
        ("2025-03-20", "cover falling", TODAY),  # the cause is looked for first
        ("2025-03-20", None, "2025-12-08"),  # grass rests
    ],
)
def test_no_feed_when_it_should_wait(fed_on: str, word: str | None, today: str) -> None:
    work = WORK.frame([FEED | {"lawn": "elm-3", "date": fed_on}])
    flags = ATTENTION.frame([flag("elm-3", word, 5)] if word else [flag("elm-3", "uneven", 1)])
    out = next_visits(None, flags, lawns=ELM, work=work, today=today)
    assert not out["amounts"].iloc[0].startswith("feed")


def test_a_year_over_the_published_range_is_told() -> None:
    rows = [
        FEED | {"lawn": "elm-3", "date": f"2025-0{m}-01", "rate": 100, "n_pct": 14} for m in (1, 2)
    ]
    row = next_visits(None, lawns=ELM, work=WORK.frame(rows), today=TODAY).iloc[0]
    assert "which this would exceed" in row["amounts"]
    assert "over the ceiling" in row["amounts"]


def test_thin_places_are_sown_by_the_recorded_rate_in_season_only() -> None:
    flags = ATTENTION.frame([flag("elm-3", "bare patches growing", 5)])
    sown = {"lawn": "mill", "zone": "all", "task": "overseed", "date": "2024-09-10"}
    work = WORK.frame([sown | {"product": "rye mix", "rate": 25, "rate_unit": "g/m2"}])
    row = next_visits(None, flags, lawns=ELM, work=work, today=TODAY).iloc[0]
    assert "rye mix at 25 g/m2 on the thin places; 3.5 kg would sow all 140 m2" in row["amounts"]
    bare = next_visits(None, flags, lawns=ELM, today=TODAY).iloc[0]
    assert "to compute the amount write an overseed" in bare["amounts"]
    winter = next_visits(None, flags, lawns=ELM, work=work, today="2025-12-08").iloc[0]
    assert "seed: not now" in winter["amounts"]


def weather_of(mean_c: float, start: str, n: int, rain: float = 0.0) -> pd.DataFrame:
    first = date.fromisoformat(start)
    return WEATHER.frame(
        [
            {"date": (first + timedelta(days=k)).isoformat(), "mean_c": mean_c, "rain_mm": rain}
            for k in range(n)
        ]
    )


def test_season_is_the_growth_potential_of_the_two_weeks_before() -> None:
    # Growth potential of cool-season grass: 10 C 0.191495, 15 C 0.661515 (Gelernter & Stowell).
    warm = season_on(date(2025, 5, 5), weather_of(15, "2025-04-01", 35))
    assert warm.growth == pytest.approx(0.661515, abs=1e-6)
    assert (warm.growing, warm.resting) == (True, False)
    cool = season_on(date(2025, 5, 5), weather_of(10, "2025-04-01", 35))
    assert cool.growth == pytest.approx(0.191495, abs=1e-6)
    assert (cool.growing, cool.resting) == (False, False)
    assert season_on(date(2025, 1, 20), weather_of(-2, "2025-01-01", 20)).frozen


def test_the_calendar_stands_in_for_weather_on_either_half_of_the_earth() -> None:
    july = date(2025, 7, 1)
    assert season_on(july, None).growing
    assert not season_on(july, None, HistorySettings(hemisphere="south")).growing
    assert season_on(date(2025, 1, 5), None, HistorySettings(hemisphere="south")).growing


def test_a_mild_november_is_no_time_to_feed_or_sow() -> None:
    mild = season_on(date(2025, 11, 10), weather_of(13, "2025-10-01", 41))
    assert mild.growth > 0.25
    assert not mild.growing
    southern = HistorySettings(hemisphere="south")
    assert season_on(date(2025, 11, 10), weather_of(13, "2025-10-01", 41), southern).growing


def test_old_weather_gives_the_usual_temperature() -> None:
    season = season_on(date(2026, 7, 1), weather_of(15, "2025-01-01", 365))
    assert "usual temperature" in season.words
    assert season.growth == pytest.approx(0.661515, abs=1e-3)


def test_heavy_rain_in_the_forecast_is_told_with_the_feed() -> None:
    weather = pd.concat(
        [weather_of(15, "2025-04-01", 34), weather_of(15, "2025-05-05", 3, rain=18.0)]
    )
    work = WORK.frame([FEED | {"lawn": "elm-3", "date": "2025-03-20"}])
    row = next_visits(None, lawns=ELM, work=work, weather=weather, today=TODAY).iloc[0]
    assert "18 mm of rain" in row["warnings"]
    assert heavy_rain(weather, date(2025, 4, 20)) == ""


def test_there_is_no_usual_care_while_growth_rests() -> None:
    seen = visits_of(("elm-3", "all", "2024-12-02"))
    cold = weather_of(3, "2024-11-01", 80)
    assert next_visits(
        seen, lawns=ELM, weather=cold, today="2025-01-06", options=Planning(weeks=8)
    ).empty
    mild = pd.concat([cold, weather_of(14, "2025-01-20", 40)])
    out = next_visits(seen, lawns=ELM, weather=mild, today="2025-01-06", options=Planning(weeks=8))
    # Growth potential over 0.10 (8 C): the fortnight's mean passes it a week after the warmth.
    assert "2025-01-20" < out["due"].iloc[0] < "2025-02-03"
    assert f"growth rests until about {out['due'].iloc[0]}" in out["why"].iloc[0]


def test_by_the_calendar_too_there_is_no_usual_care_in_winter_on_either_half() -> None:
    seen = visits_of(("elm-3", "all", "2025-11-01"))
    south = HistorySettings(hemisphere="south")
    assert next_visits(seen, lawns=ELM, today="2025-12-15", options=Planning(weeks=6)).empty
    assert (
        len(
            next_visits(
                seen, lawns=ELM, today="2025-12-15", options=Planning(weeks=1, settings=south)
            )
        )
        == 1
    )


def test_a_flag_in_winter_brings_its_own_visit_and_no_usual_care() -> None:
    flags = ATTENTION.frame([flag("elm-3", "disease weather", 2)])
    seen = visits_of(("elm-3", "all", "2025-10-01"))
    out = next_visits(seen, flags, lawns=ELM, today="2025-12-15")
    assert out["jobs"].tolist() == [FLAGS["disease weather"].next_step]


def test_usual_care_that_is_near_is_not_drawn_into_a_visit_while_growth_rests() -> None:
    weather = pd.concat([weather_of(3, "2024-11-01", 80), weather_of(14, "2025-01-20", 40)])
    lawns = lawns_of(("elm-3", "front", 140), ("elm-3", "back", 60))
    seen = visits_of(("elm-3", "front", "2024-12-02"), ("elm-3", "back", "2024-12-02"))
    flags = ATTENTION.frame([flag("elm-3", "disease weather", 2, "front")])
    out = next_visits(seen, flags, lawns=lawns, weather=weather, today="2025-01-20")
    assert out["date"].iloc[0] == "2025-01-20"
    assert "Usual care" not in out["jobs"].iloc[0]


def test_every_flag_has_its_days() -> None:
    assert set(FLAG_DAYS) == set(FLAGS)


def test_empty_rounds_give_an_empty_table_with_the_right_columns() -> None:
    for out in (
        next_visits(None, today=TODAY),
        next_visits(VISIT_SCORES.frame([]), ATTENTION.frame([]), today=TODAY),
    ):
        assert list(out.columns) == list(NEXT_COLUMNS)
        assert out.empty


@pytest.mark.parametrize(
    ("kwargs", "match"),
    [
        ({"today": "5 May"}, "is no date"),
        ({"today": TODAY, "options": Planning(weeks=0)}, "more than 0"),
        ({"today": TODAY, "options": Planning(a_day=0)}, "more than 0"),
    ],
)
def test_impossible_questions_are_refused(kwargs: dict[str, object], match: str) -> None:
    with pytest.raises(LawnscoreError, match=match):
        next_visits(None, lawns=ELM, **kwargs)  # type: ignore[arg-type]


@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 5), st.integers(1, 200)), min_size=1, max_size=10),
    st.integers(1, 8),
    st.integers(1, 4),
)
def test_every_visit_lies_ahead_in_order_and_on_a_working_day(
    seen: list[tuple[int, int]], weeks: int, a_day: int
) -> None:
    start = date.fromisoformat(TODAY)
    dates = [(f"lawn-{k}", "all", (start - timedelta(days=d)).isoformat()) for k, d in seen]
    lawns = lawns_of(*{(lawn, "all", 100.0) for lawn, _, _ in dates})
    out = next_visits(
        visits_of(*dates), lawns=lawns, today=TODAY, options=Planning(weeks=weeks, a_day=a_day)
    )
    days = [date.fromisoformat(d) for d in out["date"]]
    assert days == sorted(days)
    assert all(day >= start and day.weekday() < 5 for day in days)
    assert out["date"].value_counts().max() <= a_day if len(out) else True
    assert not out[["why", "jobs"]].isna().any().any()


def test_a_gap_longer_than_is_let_pass_is_told_as_it_is() -> None:
    days = ["2024-03-04", "2024-06-12", "2024-09-20", "2024-12-29", "2025-04-08"]
    seen = visits_of(*(("elm-3", "all", day) for day in days))
    out = next_visits(seen, lawns=ELM, today="2025-06-09", options=Planning(weeks=4))
    assert "its usual gap is 100 days, and 70 the most that is let pass" in out["why"].iloc[0]
