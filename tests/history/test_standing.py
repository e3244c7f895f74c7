"""The one rule by which places stand flagged, and that `since` stays, on simulated rounds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from benchmarks.studies.attention import (
    FIRST_DAY,
    Kept,
    Tally,
    review_days,
    tally,
    watch_round,
)
from benchmarks.studies.attention_rounds import START, make_round
from lawnscore.history.attention import attention
from lawnscore.history.drift import Visits
from lawnscore.history.standing import (
    FALSE_A_YEAR,
    Past,
    clear_from,
    looks_of_last_year,
    standing,
)
from lawnscore.history.steps import no_drift
from lawnscore.history.watch import WATCHES, as_in_that_season, look, watched_visits

LAWNS = 16


@pytest.fixture(scope="module")
def simulated() -> tuple:
    made, visits, work, photos = make_round(7, LAWNS)
    state = look(visits, work, photo_scores=photos)
    pasts = [Past(watched_visits(state, watch), watch, LAWNS) for watch in WATCHES]
    return made, visits, work, photos, pasts


def seen(n: int) -> Visits:
    day = np.linspace(0, 364, n).astype(np.int64)
    return Visits(np.zeros(n, np.int64), day, np.zeros(n), np.ones(n))


@pytest.mark.parametrize("n", [4, 12, 26])
def test_the_limit_follows_from_the_rate_and_the_looks(n: int) -> None:
    limit = clear_from(looks_of_last_year(seen(n), 1))[0]
    # Bonferroni: so many looks at four measures share the rate
    assert stats.norm.sf(limit) * n * 4 == pytest.approx(FALSE_A_YEAR)


def test_a_lawn_seen_less_often_need_not_be_as_clear_off() -> None:
    rare, often = (
        clear_from(looks_of_last_year(seen(4), 1))[0],
        clear_from(looks_of_last_year(seen(26), 1))[0],
    )
    assert often - rare > 0.4
    assert clear_from(looks_of_last_year(seen(1), 1))[0] == pytest.approx(rare)


def test_since_stays_as_visits_are_added_on_simulated_rounds(simulated: tuple) -> None:
    made, *_, pasts = simulated
    kept = Kept()
    watch_round(pasts, [lawn.name for lawn in made], FALSE_A_YEAR, kept)
    assert kept.asked > 100
    assert kept.same == kept.asked


def test_the_public_table_says_the_same_since_at_every_look(simulated: tuple) -> None:
    """In two rounds: what visits err by is estimated anew as they come, so one in 100 may move."""
    flags = [w.flag for w in WATCHES]
    pairs = []
    for _, visits, work, photos in (simulated[:4], make_round(9, LAWNS)):
        named: dict[tuple[str, str], dict[int, str]] = {}
        for n, day in enumerate(review_days()[::3]):
            table = attention(visits, work, photo_scores=photos, today=str(START + day))
            for row in table[table["flag"].isin(flags)].to_dict("records"):
                named.setdefault((row["lawn"], row["flag"]), {})[n] = row["since"]
        pairs += [(told[n], told[n + 1]) for told in named.values() for n in told if n + 1 in told]
    assert len(pairs) > 50
    assert sum(a == b for a, b in pairs) >= 0.98 * len(pairs)


def test_a_flag_that_flickers_at_the_edge_is_one_flag(simulated: tuple) -> None:
    *_, pasts = simulated
    past = pasts[0]
    off = held = 0
    for day in review_days():
        _, flagged, _ = standing(past, FIRST_DAY + int(day))
        now = past.look(FIRST_DAY + int(day))
        held += int((flagged & now.held & ~now.off).sum())
        off += int((flagged & now.off).sum())
        assert not (flagged & ~now.held).any()
    assert off > 0
    assert held > 0


def test_false_flags_of_simulated_rounds_are_few() -> None:
    counts = Tally()
    for seed in (11, 12):
        made, visits, work, photos = make_round(seed, 40)
        state = look(visits, work, photo_scores=photos)
        pasts = [Past(watched_visits(state, watch), watch, 40) for watch in WATCHES]
        names = state.series.places["lawn"].tolist()
        tally(made, watch_round(pasts, names, FALSE_A_YEAR, None), counts)
    # 0.05 is aimed at; 160 lawn-years of chance leave it under 0.11 in 99 of 100
    assert counts.a_year() <= 0.11
    assert np.mean([x for xs in counts.caught.values() for x in xs]) > 0.4


def test_other_grass_after_a_renovation_is_no_fading() -> None:
    """Readings of colour move when other grass has grown: that is no step of this lawn."""
    rng = np.random.default_rng(3)
    rows = []
    for i in range(12):
        for month in range(18):
            value = 0.5 + rng.normal(0, 0.008) - (0.07 if i == 3 and month >= 13 else 0.0)
            rows.append(
                {"lawn": f"l{i:02d}", "zone": "all", "date": str(START + 30 * month + i % 5),
                 "stage": "check", "photos": 4, "refused": 0, "green_cover_pct": 86.0,
                 "green_cover_pct_low": 82.0, "green_cover_pct_high": 90.0,
                 "colour_index": value, "colour_index_low": value - 0.02,
                 "colour_index_high": value + 0.02, "camera": "phone 1"}
            )  # fmt: skip
    table = pd.DataFrame(rows)
    done = pd.DataFrame(
        [{"lawn": "l03", "zone": "all", "date": str(START + 30 * 10), "task": "overseed"}]
    )
    told = attention(table)
    assert set(zip(told["lawn"], told["flag"], strict=True)) == {("l03", "colour fading")}
    assert "colour fading" not in set(attention(table, done)["flag"])


@pytest.mark.parametrize(("year_before", "season"), [(6.0, True), (2.0, False)])
def test_what_stood_so_a_year_before_is_the_lawns_season(year_before: float, season: bool) -> None:
    day = np.array([0, 200, 365], np.int64)
    values = np.array([year_before, 2.0, 6.0])
    visits = Visits(np.zeros(3, np.int64), day, values, np.ones(3))
    moved = no_drift(1)
    moved.z[0], moved.step[0], moved.since[0], moved.last_day[0] = 5.0, 4.0, 365, 365
    assert as_in_that_season(visits, moved, WATCHES[2]).tolist() == [season]


def test_what_is_the_lawns_season_is_not_flagged(
    simulated: tuple, monkeypatch: pytest.MonkeyPatch
) -> None:
    past = simulated[-1][2]
    day = FIRST_DAY + int(review_days()[-1])
    assert past.judged_by(0.5).look(day).held.any()
    everywhere = np.ones(LAWNS, bool)
    monkeypatch.setattr("lawnscore.history.standing.as_in_that_season", lambda *_: everywhere)
    afresh = Past(past.visits, past.watch, LAWNS, 0.5)
    assert not afresh.look(day).held.any()
