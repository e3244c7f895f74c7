"""The programme in the suggested visits: when a step is open, wanted or waits, and its sums."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from lawnscore.care.next_visits import Planning, next_visits
from lawnscore.care.season_steps import season_steps, soil_of
from lawnscore.care.visit_days import Visit, driven
from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import ATTENTION, LAWNS, RECOVERY, VISIT_SCORES, WEATHER, WORK
from lawnscore.register.programme import OnlyIf, Programme, Step, read_programme
from tests.care.test_next_visits import FEED, flag, lawns_of, recovery_row, weather_of

ELM = lawns_of(("elm-3", "all", 140))
PLACE = ("elm-3", "all")
SOUTH = HistorySettings(hemisphere="south")


def seen_on(day: str, **figures: float) -> pd.DataFrame:
    row: dict[str, object] = {"lawn": "elm-3", "zone": "all", "date": day, "stage": "check"}
    for name, value in figures.items():
        row |= {name: value, f"{name}_low": value - 3, f"{name}_high": value + 3}
    return VISIT_SCORES.frame([row | {"photos": 4}])


def one(*steps: Step) -> Programme:
    return Programme(steps)


def is_open(
    step: Step,
    day: str,
    weather: pd.DataFrame | None = None,
    settings: HistorySettings | None = None,
) -> bool:
    on = date.fromisoformat(day)
    asked = season_steps(
        one(step), None, None, weather, today=on, settings=settings or HistorySettings()
    )
    return asked.is_open(step, on)


def test_months_open_and_close_a_step_and_move_by_half_a_year_in_the_south() -> None:
    step = Step("spring feed", "feed", months=(3, 4, 5))
    assert is_open(step, "2025-04-01")
    assert not is_open(step, "2025-06-01")
    assert not is_open(step, "2025-04-01", settings=SOUTH)
    assert is_open(step, "2025-10-01", settings=SOUTH)
    assert is_open(step, "2025-10-01", settings=HistorySettings(latitude_deg=-37.0))


def test_growth_potential_opens_a_step() -> None:
    # Gelernter & Stowell 2005, cool season: 10 C 0.191495, 12 C 0.347201.
    step = Step("feed", "feed", growth_from=0.25)
    assert not is_open(step, "2025-05-05", weather_of(10, "2025-04-01", 35))
    assert is_open(step, "2025-05-05", weather_of(12, "2025-04-01", 35))
    low = Step("late", "other", growth_to=0.25)
    assert is_open(low, "2025-05-05", weather_of(10, "2025-04-01", 35))
    assert not is_open(low, "2025-05-05", weather_of(12, "2025-04-01", 35))


def test_without_weather_the_calendar_stands_in_for_growth() -> None:
    step = Step("feed", "feed", growth_from=0.25, soil_from_c=10)
    assert is_open(step, "2025-05-05")
    assert not is_open(step, "2025-01-15")


def test_soil_is_measured_else_the_air_of_ten_days_else_its_usual() -> None:
    air = weather_of(12, "2025-04-01", 35)
    day = date(2025, 5, 5)
    assert soil_of(air).at(day) == (pytest.approx(12.0), "by the air")
    measured = WEATHER.frame([{"date": "2025-05-03", "mean_c": 12.0, "soil_c": 8.5}])
    both = pd.concat([air[air["date"] != "2025-05-03"], measured])
    assert soil_of(both).at(day) == (8.5, "measured")
    assert soil_of(air).at(date(2025, 8, 1))[1] == "by the usual air"
    assert np.isnan(soil_of(None).at(day)[0])
    step = Step("sow", "overseed", soil_from_c=10)
    assert is_open(step, "2025-05-05", air)
    assert not is_open(step, "2025-05-05", both)


def test_no_feed_or_seed_on_frozen_ground() -> None:
    frost = pd.concat([weather_of(9, "2025-03-01", 20), weather_of(-1, "2025-03-21", 2)])
    assert not is_open(Step("feed", "feed", months=(3,)), "2025-03-22", frost)
    assert is_open(Step("leaves", "clear leaves", months=(3,)), "2025-03-22", frost)


STRAW = Step(
    "scarifying", "scarify", months=(9,), only_if=OnlyIf("straw_cover_pct", above=15),
    every_days=300, makes_visit=True, note="Dry grass.",
)  # fmt: skip


def test_a_step_is_taken_along_only_where_the_lawns_own_figure_calls_for_it() -> None:
    def visits(straw: float) -> pd.DataFrame:
        seen = seen_on("2025-08-05", straw_cover_pct=straw)
        return next_visits(
            seen, lawns=ELM, today="2025-09-08", options=Planning(programme=one(STRAW))
        )

    row = visits(21.0).iloc[0]
    assert "Scarifying: Dry grass." in row["jobs"]
    assert "straw cover 21 % (18 to 24) on 2025-08-05, above 15" in row["why"]
    assert "spark plug" in row["cautions"]
    assert "leaves it open" in visits(16.0).iloc[0]["why"]
    assert "Scarifying" not in visits(14.0).iloc[0]["jobs"]
    old = seen_on("2024-08-05", straw_cover_pct=30)
    out = next_visits(old, lawns=ELM, today="2025-09-08", options=Planning(programme=one(STRAW)))
    assert "Scarifying" not in out.iloc[0]["jobs"]


def test_what_was_done_is_not_asked_for_again() -> None:
    work = WORK.frame([{"lawn": "elm-3", "zone": "all", "date": "2025-03-01", "task": "scarify"}])
    seen = seen_on("2025-08-05", straw_cover_pct=30)
    out = next_visits(
        seen, lawns=ELM, work=work, today="2025-09-08", options=Planning(programme=one(STRAW))
    )
    assert "Scarifying" not in " ".join(out["jobs"])


def test_a_step_that_makes_visits_asks_for_one_before_it_closes() -> None:
    seen = seen_on("2025-09-07", straw_cover_pct=30)
    out = next_visits(
        seen, lawns=ELM, today="2025-09-08", options=Planning(weeks=4, programme=one(STRAW))
    )
    assert out["due"].iloc[0] == "2025-09-24"
    assert "open until 2025-09-30" in out["why"].iloc[0]
    # two weeks ahead it does not close yet, so nothing presses
    assert next_visits(
        seen, lawns=ELM, today="2025-09-08", options=Planning(weeks=2, programme=one(STRAW))
    ).empty
    quiet = Step("leaves", "clear leaves", months=(9,))
    assert next_visits(
        seen, lawns=ELM, today="2025-09-08", options=Planning(programme=one(quiet))
    ).empty


def test_feeding_waits_for_causes_and_for_young_swards() -> None:
    feed = Step("late feed", "feed", months=(5,), rate=3, rate_unit="g N/m2")
    seen = seen_on("2025-04-10", green_cover_pct=70)
    flags = ATTENTION.frame([flag("elm-3", "cover falling", 5)])
    row = next_visits(
        seen, flags, lawns=ELM, today="2025-05-05", options=Planning(programme=one(feed))
    ).iloc[0]
    assert "Late feed: waits, find out first why (cover falling)." in row["jobs"]
    assert row["amounts"] == ""
    young = RECOVERY.frame([recovery_row(lawn="elm-3")])
    row = next_visits(
        seen, recovery=young, lawns=ELM, today="2025-05-05", options=Planning(programme=one(feed))
    ).iloc[0]
    assert "waits, the young sward is to come back first" in row["jobs"]


def test_a_step_is_planned_once_within_its_days() -> None:
    dates = ("2025-04-14", "2025-04-28", "2025-05-12")
    seen = pd.concat([seen_on(d, green_cover_pct=90) for d in dates])
    feed = Step("feed", "feed", months=(5, 6), rate=3, rate_unit="g N/m2", every_days=42)
    mow = Step("mowing", "mow", months=(5, 6), every_days=5)
    out = next_visits(
        seen, lawns=ELM, today="2025-05-13", options=Planning(weeks=5, programme=one(feed, mow))
    )
    assert len(out) >= 2
    assert ["Feed" in jobs for jobs in out["jobs"]] == [True] + [False] * (len(out) - 1)
    assert all("Mowing" in jobs for jobs in out["jobs"])
    assert not out["jobs"].str.contains("Usual care").any()


def amounts(step: Step, work: pd.DataFrame | None = None, lawns: pd.DataFrame = ELM) -> str:
    seen = seen_on("2025-03-10", green_cover_pct=70)
    out = next_visits(
        seen, lawns=lawns, work=work, today="2025-05-05", options=Planning(programme=one(step))
    )
    return str(out["amounts"].iloc[0])


def test_amounts_are_those_of_the_step() -> None:
    # 3 g N/m2 x 140 m2 = 0.42 kg; of a 5 % feed 3 / 0.05 = 60 g/m2 and 8.4 kg
    feed = Step("feed", "feed", rate=3, rate_unit="g N/m2")
    assert "N 3 g/m2 x 140 m2 = 0.42 kg N; divide by the N" in amounts(feed)
    work = WORK.frame([FEED | {"lawn": "elm-3", "date": "2025-01-20"}])
    said = amounts(feed, work)
    assert "of spring feed (5 % N) 60 g/m2, 8.4 kg" in said
    assert "1.75 g/m2 of N on record this year" in said
    seed = Step("sowing", "overseed", rate=25, rate_unit="g/m2")
    assert amounts(seed) == "sowing: 25 g/m2 x 140 m2 = 3.5 kg."
    # 2 mm on 140 m2 is 280 l, at 1.6 t/m3 0.448 t
    dress = Step("dressing", "top-dress", rate=2, rate_unit="mm")
    assert "2 mm x 140 m2 = 280 l, about 0.45 t of dry sand" in amounts(dress)
    unknown = LAWNS.frame([{"lawn": "elm-3", "zone": "all"}])
    assert "area_m2 is missing" in amounts(seed, lawns=unknown)


def test_thin_places_are_not_sown_twice_over() -> None:
    seed = Step("sowing", "overseed", rate=25, rate_unit="g/m2")
    seen, flags = seen_on("2025-03-10", green_cover_pct=70), ATTENTION.frame(
        [flag("elm-3", "bare patches growing", 5)]
    )  # fmt: skip
    out = next_visits(
        seen, flags, lawns=ELM, today="2025-05-05", options=Planning(programme=one(seed))
    )
    assert out["amounts"].iloc[0] == "sowing: 25 g/m2 x 140 m2 = 3.5 kg."
    out = next_visits(
        seen, flags, lawns=ELM, today="2025-05-05", options=Planning(programme=Programme())
    )
    assert "to compute the amount write an overseed" in out["amounts"].iloc[0]


def test_a_year_over_the_published_range_is_told() -> None:
    rich = FEED | {"lawn": "elm-3", "date": "2025-01-20", "rate": 100, "n_pct": 14}
    feed = Step("feed", "feed", rate=3, rate_unit="g N/m2")
    assert "which this would exceed" in amounts(feed, WORK.frame([rich]))


def test_the_programme_that_ships_feeds_in_spring_on_either_half(tmp_path: object) -> None:
    programme = read_programme("nowhere")
    for today, settings in (("2025-05-05", HistorySettings()), ("2025-11-03", SOUTH)):
        lawns = lawns_of(("elm-3", "all", 140))
        out = next_visits(
            None, lawns=lawns, today=today, options=Planning(settings=settings, programme=programme)
        )
        assert "Spring feed" in out["jobs"].iloc[0]
    winter = next_visits(
        seen_on("2025-11-20", green_cover_pct=90), lawns=ELM, today="2025-12-15",
        options=Planning(weeks=6, programme=programme),
    )  # fmt: skip
    assert winter.empty


def test_the_visits_of_a_day_are_in_the_order_of_a_short_way() -> None:
    at = {"a": 0.0, "b": 0.3, "c": 0.1, "d": 0.2}
    lawns = LAWNS.frame(
        [
            {"lawn": k, "zone": "all", "area_m2": 100, "latitude_deg": 52.0, "longitude_deg": x}
            for k, x in at.items()
        ]
        + [{"lawn": "e", "zone": "all", "area_m2": 900}]
    )
    out = next_visits(None, lawns=lawns, today="2025-05-05", options=Planning(base=(52.0, -0.1)))
    assert out["lawn"].tolist() in (["a", "c", "d", "b", "e"], ["b", "d", "c", "a", "e"])
    assert out["km"].isna().tolist() == [False] * 4 + [True]
    free = next_visits(None, lawns=lawns, today="2025-05-05")
    assert free["lawn"].tolist() == ["a", "c", "d", "b", "e"]
    # 0.1 degrees of the parallel of 52 N: 111.195 km * cos 52 deg * 0.1
    assert free["km"].iloc[1] == pytest.approx(111.195 * np.cos(np.radians(52)) * 0.1, rel=1e-3)
    assert free["order"].tolist() == [1, 2, 3, 4, 5]


def test_each_day_has_its_own_way() -> None:
    days = [date(2025, 5, 5)] * 2 + [date(2025, 5, 6)]
    visits = [Visit(k, d, (), d) for k, d in zip("xyz", days, strict=True)]
    places = {"x": (52.0, 0.2), "y": (52.0, 0.1), "z": (52.0, 0.0)}
    out = driven(visits, places, (52.0, 0.0))
    assert [v.day for v in out] == days
    assert out[2].km == pytest.approx(0.0)
