"""Look-ups of occasions, against a plain search row by row."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawnscore.history.series import FAR_DAY, STAGE_ORDER, Occasions, next_begun, occasions
from tests.history.rounds import START, visit, visits

STAGES = list(STAGE_ORDER)
seen = st.lists(
    st.tuples(st.sampled_from("ab"), st.integers(0, 40), st.sampled_from(STAGES)),
    min_size=1,
    max_size=12,
    unique=True,
)


def made(rows: list[tuple[str, int, str]]) -> Occasions:
    return occasions(visits([visit(lawn, n, 80.0, stage) for lawn, n, stage in rows]))


def offsets(series: Occasions) -> list[tuple[int, int, int]]:
    first = int(np.datetime64(START, "D").astype(np.int64))
    return list(
        zip(
            series.place.tolist(), (series.day - first).tolist(), series.stage.tolist(), strict=True
        )
    )


def asked(series: Occasions, number: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = np.arange(len(series.day))
    place = np.arange(len(series.places))
    day = np.full(len(place), int(np.datetime64(START, "D").astype(np.int64)) + number)
    return rows, place, day


@settings(max_examples=60, deadline=None)
@given(seen, st.integers(0, 40))
def test_look_ups_agree_with_a_search_row_by_row(rows: list, number: int) -> None:
    series = made(rows)
    known, (every, place, day) = offsets(series), asked(series, number)
    for p in place:
        earlier = [i for i, (q, d, s) in enumerate(known) if q == p and (d, s) < (number, 1)]
        later = [i for i, (q, d, s) in enumerate(known) if q == p and (d, s) >= (number, 2)]
        assert series.last_before(every, place, day)[p] == max(earlier, default=-1)
        assert series.first_after(every, place, day)[p] == min(later, default=-1)
        near = series.nearest(every, place, day)[p]
        away = [abs(d - number) for q, d, _ in known if q == p]
        assert abs(known[near][1] - number) == min(away)
        begin, end = series.within(every, place, day, day + 7)
        inside = [i for i, (q, d, _) in enumerate(known) if q == p and number < d <= number + 7]
        assert list(range(begin[p], end[p])) == inside


def test_photos_of_the_day_itself_stand_on_the_side_their_stage_says() -> None:
    series = made([("a", 5, "before"), ("a", 5, "check"), ("a", 5, "after")])
    every, place, day = asked(series, 5)
    assert series.last_before(every, place, day).tolist() == [0]
    assert series.first_after(every, place, day).tolist() == [2]


def test_no_rows_and_no_such_place_are_minus_one() -> None:
    series = made([("a", 5, "check")])
    none = np.zeros(0, np.int64)
    _, place, day = asked(series, 5)
    assert series.last_before(none, place, day).tolist() == [-1]
    assert series.nearest(np.arange(1), place + 1, day).tolist() == [-1]


def test_a_renovation_lasts_until_the_next_at_its_place() -> None:
    done = pd.DataFrame({"place": [0, 0, 1], "day": [10, 90, 40]})
    assert next_begun(done).tolist() == [90, FAR_DAY, FAR_DAY]


@pytest.mark.parametrize("stage", STAGES)
def test_moments_keep_the_order_of_the_table(stage: str) -> None:
    series = made([("b", 1, stage), ("a", 9, stage), ("a", 2, "after"), ("a", 2, "before")])
    assert np.all(np.diff(series.moments()) > 0)
