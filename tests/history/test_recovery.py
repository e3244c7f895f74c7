from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import RECOVERY, VISIT_SCORES
from lawnscore.history import change_error
from lawnscore.history.change_error import Parts
from lawnscore.history.recovery import LONGEST_DAYS, pooled_log_rate, recovery
from tests.history.rounds import regrown, visit, visits, weather, work

AFTER_DAYS = (14, 28, 42, 56, 84)


def renovated(
    lawn: str,
    days_to_95: float,
    *,
    at: int = 240,
    left: float = 50.0,
    after: tuple[int, ...] = AFTER_DAYS,
    se: float = 1.0,
) -> list[dict]:
    rows = [visit(lawn, at, 90, "before", se=se), visit(lawn, at, left, "after", se=se)]
    return rows + [visit(lawn, at + t, regrown(90, left, days_to_95, t), se=se) for t in after]


def test_an_empty_table_keeps_its_columns() -> None:
    table = recovery(VISIT_SCORES.frame([]))
    assert list(table.columns) == RECOVERY.column_names
    assert len(table) == 0


def test_a_recovery_to_plan() -> None:
    row = recovery(visits(renovated("a", 40)), work(("a", 240, "scarify"))).loc[0]
    assert row["cover_before"] == 90
    assert row["cover_after"] == 50
    assert row["days_since"] == 84
    assert row["state"] == "recovered"
    assert row["days_to_95"] == pytest.approx(40, abs=4)
    assert row["days_to_95_low"] < 40
    assert np.isnan(row["days_to_95_high"]) or row["days_to_95_high"] > 40
    assert row["recovered_pct"] == pytest.approx(100, abs=5)
    assert row["clock"] == "days"


def test_what_lasts_of_the_errors_does_not_widen_the_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Parts that no study moves: other grass leaves something in common, another card less.
    parts = Parts(day=1.0, phone=1.0, print_nominal=4.0, print_known=4.0, grass=1.0, point=0.0,
                  typical=8.0, power=0.0)  # fmt: skip
    monkeypatch.setattr(change_error, "error_parts", lambda: dict.fromkeys(MEASURES, parts))
    done = work(("a", 240, "scarify"))
    rows = renovated("a", 40, se=8.0)
    alone = recovery(visits(rows), done).loc[0]
    stated = [row | {"green_cover_pct_shared_se": 8.0} for row in rows]
    tied = recovery(visits(stated), done).loc[0]
    assert tied["days_to_95"] == pytest.approx(alone["days_to_95"], rel=0.1)
    assert tied["days_to_95_low"] > alone["days_to_95_low"]
    # photos of another card share nothing with those before
    cards = [row | {"card": "old" if row["stage"] == "before" else "new"} for row in stated]
    swapped = recovery(visits(cards), done).loc[0]
    assert swapped["days_to_95_low"] < tied["days_to_95_low"]


def test_the_default_is_marked_as_such_until_the_round_tells() -> None:
    few = recovery(visits(renovated("a", 40)), work(("a", 240, "scarify"))).loc[0]
    assert few["expected_days_to_95"] == pytest.approx(42)
    assert few["expected_from"].startswith("default of 42 days")
    own = HistorySettings(recovery_default_days=30)
    table = recovery(visits(renovated("a", 40)), work(("a", 240, "scarify")), settings=own)
    assert table.loc[0, "expected_days_to_95"] == pytest.approx(30)


def test_the_round_tells_what_to_expect() -> None:
    lawns = "abcdefgh"
    rows = [row for i, lawn in enumerate(lawns) for row in renovated(lawn, 58 + i)]
    table = recovery(visits(rows), work(*((lawn, 240, "scarify") for lawn in lawns)))
    assert (table["expected_from"] == "8 recoveries of this round").all()
    assert table["expected_days_to_95"].to_numpy() == pytest.approx(np.full(8, 61), abs=6)


def test_a_slow_recovery_is_slow_and_never_before_its_fifth_week() -> None:
    lawns = "abcdefgh"
    rows = [row for lawn in lawns for row in renovated(lawn, 40)] + renovated("z", 200)
    done = work(*((lawn, 240, "scarify") for lawn in (*lawns, "z")))
    table = recovery(visits(rows), done).set_index("lawn")
    assert table.loc["z", "state"] == "slow"
    assert (table.drop("z")["state"] == "recovered").all()
    early = recovery(visits(rows), done, today="2024-09-24").set_index("lawn")
    assert early.loc["z", "days_since"] == 14
    assert early.loc["z", "state"] == "recovering"


def test_not_reached_is_an_answer() -> None:
    rows = [visit("a", 0, 90, "before", se=1), visit("a", 0, 50, "after", se=1)]
    rows += [visit("a", t, 70, se=1) for t in (30, 60, 90, 120, 150, 180)]
    row = recovery(visits(rows), work(("a", 0, "scarify"))).loc[0]
    assert np.isnan(row["days_to_95"])
    assert "not reached: levels off at 7" in row["note"]
    assert row["state"] == "slow"


@pytest.mark.parametrize(
    ("rows", "note"),
    [
        ([visit("a", 0, 90, "before")], "no photos since the work"),
        ([visit("a", 0, 90, "before"), visit("a", 0, 50, "after")], "one set of photos"),
        ([visit("a", 5, 50), visit("a", 30, 70)], "no photos from the 75 days before"),
        ([visit("a", -100, 90), visit("a", 5, 50), visit("a", 30, 70)], "no photos from the 75"),
    ],
)
def test_too_few_visits_are_said_plainly(rows: list[dict], note: str) -> None:
    row = recovery(visits(rows), work(("a", 0, "scarify"))).loc[0]
    assert row["state"] == "too few visits"
    assert note in row["note"]
    assert np.isnan(row["days_to_95"])


def test_cool_days_count_less_on_the_growth_clock() -> None:
    rows = renovated("a", 60, at=290, after=(20, 40, 60))
    plain = recovery(visits(rows), work(("a", 290, "scarify"))).loc[0]
    grown = recovery(visits(rows), work(("a", 290, "scarify")), weather(900)).loc[0]
    assert (plain["clock"], grown["clock"]) == ("days", "growth")
    # from mid October on the default's 21 units of growth take until spring
    assert grown["expected_days_to_95"] > 100 > plain["expected_days_to_95"]


def test_tasks_of_one_renovation_are_one_row() -> None:
    done = work(("a", 240, "scarify"), ("a", 241, "overseed"), ("a", 242, "mow"))
    table = recovery(visits(renovated("a", 40)), done)
    assert table["task"].tolist() == ["scarify + overseed"]


def test_work_on_the_whole_lawn_counts_for_each_zone() -> None:
    rows = [row | {"zone": zone} for zone in ("front", "back") for row in renovated("a", 40)]
    table = recovery(visits(rows), work(("a", 240, "scarify")))
    assert table["zone"].tolist() == ["back", "front"]


def test_unrecorded_work_is_seen_and_said() -> None:
    row = recovery(visits(renovated("a", 40))).loc[0]
    assert row["task"] == "unrecorded"
    assert "not in work.csv" in row["note"]


def test_each_renovation_ends_with_the_next() -> None:
    rows = renovated("a", 40, at=0) + renovated("a", 40, at=365)
    table = recovery(visits(rows), work(("a", 0, "scarify"), ("a", 365, "scarify")))
    assert len(table) == 2
    assert table["days_since"].tolist() == [365, 84]
    assert table["days_to_95"].to_numpy() == pytest.approx([40, 40], abs=5)


def test_one_failure_does_not_set_what_is_expected() -> None:
    rates = np.log(np.array([0.06, 0.065, 0.058, 0.062, 0.061, 0.005]))
    centre, _ = pooled_log_rate(rates, np.full(6, 0.01))
    assert np.exp(centre) == pytest.approx(0.06, rel=0.06)


def test_days_to_95_interval_holds_the_truth() -> None:
    # 120 recoveries whose plateau is the cover before, seen with an error of 2 points
    rng = np.random.default_rng(5)
    rows: list[dict] = []
    done, truth = [], {}
    for i in range(120):
        lawn, t95 = f"l{i:03d}", 40 * np.exp(rng.normal(0, 0.2))
        truth[lawn] = t95
        for row in renovated(lawn, t95, se=2.0):
            y = row["green_cover_pct"] + rng.normal(0, 2.0)
            rows.append(visit(lawn, 0, y, row["stage"], se=2.0) | {"date": row["date"]})
        done.append((lawn, 240, "scarify"))
    table = recovery(visits(rows), work(*done))
    t = table["lawn"].map(truth)
    high = table["days_to_95_high"].fillna(np.inf)
    held = (table["days_to_95_low"] <= t) & (t <= high)
    # the binomial error of 120 is 2 points; wide intervals are no failure here, narrow ones are
    assert held.mean() >= 0.9
    assert table["days_to_95"].notna().mean() > 0.9


def test_a_missing_register_column_is_no_crash() -> None:
    bare = pd.DataFrame({"date": ["2024-08-28"], "lawn": ["a"], "task": ["scarify"]})
    assert len(recovery(visits(renovated("a", 40)), bare)) == 1


def test_a_fall_of_the_whole_round_is_not_held_against_a_recovery() -> None:
    # ten lawns without work lose 12 points in autumn; the renovated one does so, too
    def season(number: int) -> float:
        return -12.0 * min(max((number - 250) / 40, 0.0), 1.0)

    others = [
        visit(f"o{i}", n, 88 + season(n), se=1.0) for i in range(10) for n in range(0, 331, 30)
    ]
    own = [visit("a", 240, 90, "before", se=1.0), visit("a", 240, 50, "after", se=1.0)]
    own += [visit("a", 240 + t, regrown(90, 50, 40, t) + season(240 + t), se=1.0)
            for t in AFTER_DAYS]  # fmt: skip
    done = work(("a", 240, "scarify"))
    alone = recovery(visits(own), done).loc[0]
    among = recovery(visits(own + others), done).loc[0]
    assert np.isnan(alone["days_to_95"])
    assert among["days_to_95"] == pytest.approx(40, abs=8)
    assert among["state"] == "recovered"


def test_a_renovation_without_a_scored_photo_keeps_its_row() -> None:
    rows = [visit("a", n, np.nan, stage, photos=0, refused=2) for n, stage in
            ((0, "check"), (40, "before"), (40, "after"))]  # fmt: skip
    found = recovery(visits(rows), work(("a", 40, "scarify"))).loc[0]
    assert found["state"] == "too few visits"
    assert found[["cover_before", "cover_after", "cover_now", "days_to_95"]].isna().all()


def test_a_time_of_many_years_is_not_told() -> None:
    # a round whose lawns hardly come back: a curve drawn on would get there in years
    names = [f"l{i}" for i in range(8)]
    rows = [row for name in names for row in renovated(name, 1500, se=0.3)]
    table = recovery(visits(rows), work(*((name, 240, "scarify") for name in names)))
    for name in ("days_to_95", "days_to_95_low", "days_to_95_high"):
        assert not (table[name] > LONGEST_DAYS).any()
    assert table["days_to_95"].isna().all()
    assert table["note"].str.contains("not reached").all()
