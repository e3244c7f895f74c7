from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES
from lawnscore.history import change_error
from lawnscore.history.change_error import Parts
from lawnscore.history.trial import TRIAL_COLUMNS, trial
from lawnscore.history.visits import visit_scores
from tests.history.rounds import day, photo, visit, visits


def pair_rows(i: int, gain: float) -> list[dict]:
    return [
        visit(f"t{i}", 0, 70, se=1),
        visit(f"t{i}", 60, 75 + gain, se=1),
        visit(f"c{i}", 0, 72, se=1),
        visit(f"c{i}", 60, 77, se=1),
    ]


def cover(result):  # type: ignore[no-untyped-def]
    return result.table.set_index("measure").loc["green_cover_pct"]


def test_difference_of_changes_of_one_pair() -> None:
    result = trial(visits(pair_rows(0, 10)), [("t0", None)], [("c0", "all")], day(5))
    row = cover(result)
    assert list(result.table.columns) == list(TRIAL_COLUMNS)
    assert (row["treated_change"], row["control_change"]) == (15, 5)
    assert row["difference"] == 10
    # four visits with a standard error of 1 each: 1.96 * 2
    assert (row["low"], row["high"]) == pytest.approx((10 - 3.92, 10 + 3.92), abs=0.01)
    assert row["verdict"] == "better"
    assert row["smallest_detectable"] > 3.92
    assert "One pair is not proof" in result.notes[0]


def test_no_difference_is_said_with_what_would_have_shown() -> None:
    row = cover(trial(visits(pair_rows(0, 1)), [("t0", None)], [("c0", None)], day(5)))
    assert row["verdict"] == "no clear change"
    assert row["smallest_detectable"] > 0


@pytest.fixture
def each_point_errs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take parts of a change's error of which the changed points are the greatest."""
    made = Parts(1.0, 1.0, 2.0, 1.2, 0.8, 0.9, 5.0, 0.0)
    monkeypatch.setattr(change_error, "error_parts", lambda: dict.fromkeys(MEASURES, made))


def two_lawns(treated: float, untreated: float) -> dict[str, object]:
    """Green cover of two lawns that changed by so much; photos share a stated error of 6."""
    how = {"version": "1", "card": "c", "colour_reference": "measured", "green_cover_pct_se": 6.0}
    rows = [
        photo(lawn, number, green_cover_pct=40 + noise + change * (number > 0), **how)
        for lawn, change in (("t", treated), ("c", untreated))
        for number in (0, 60)
        for noise in (-0.4, 0.2, 0.4, -0.2)
    ]
    table = visit_scores(pd.DataFrame(rows))
    return dict(cover(trial(table, [("t", None)], [("c", None)], day(5))))


@pytest.mark.usefixtures("each_point_errs")
def test_a_large_difference_is_not_the_doubt_whether_there_is_one() -> None:
    """Each point of change adds to the error of its size; no such points had nothing been done."""
    large, small = two_lawns(35, 0), two_lawns(2, 0)
    assert (large["verdict"], small["verdict"]) == ("better", "no clear change")
    width = [row["high"] - row["low"] for row in (large, small)]  # type: ignore[operator]
    assert width[0] > 1.5 * width[1]
    assert two_lawns(12, 0)["low"] == 0  # never below: which way it went is known
    # what would have shown does not hang on what the treatment did
    assert large["smallest_detectable"] == pytest.approx(small["smallest_detectable"], rel=0.1)


@pytest.mark.usefixtures("each_point_errs")
def test_both_changing_much_widens_what_a_difference_must_pass() -> None:
    still, both = two_lawns(0, 0), two_lawns(30, 30)
    assert both["verdict"] == "no clear change"
    assert both["smallest_detectable"] > 1.3 * still["smallest_detectable"]  # type: ignore[operator]


def test_several_pairs_are_students_t_over_pairs() -> None:
    gains = np.array([2.0, 12.0, 7.0, 15.0, 4.0])
    rows = [row for i, gain in enumerate(gains) for row in pair_rows(i, gain)]
    treated = [(f"t{i}", None) for i in range(5)]
    control = [(f"c{i}", None) for i in range(5)]
    row = cover(trial(visits(rows), treated, control, day(5)))
    expected = stats.ttest_1samp(gains, 0).confidence_interval(0.95)
    assert (row["low"], row["high"]) == pytest.approx((expected.low, expected.high), rel=1e-3)


def test_one_control_for_all_is_remarked_on() -> None:
    rows = pair_rows(0, 5) + pair_rows(1, 6)
    result = trial(visits(rows), [("t0", None), ("t1", None)], [("c0", None)], day(5))
    assert any("share one untreated place" in note for note in result.notes)


@pytest.mark.parametrize(
    ("treated", "control", "start", "message"),
    [
        ([("x", None)], [("c0", None)], 5, "no visits of `x`"),
        ([("t0", None)], [("t0", None)], 5, "both treated and untreated"),
        ([("t0", None)], [("c0", None)], -9, "not photographed before"),
        ([("t0", None)], [("c0", None)], 90, "not photographed after"),
        ([("t0", None)], [("c0", None), ("t1", None)], 5, "1 treated places stand against 2"),
        ([], [("c0", None)], 5, "needs treated and untreated"),
        ([("two", None)], [("c0", None)], 5, "has zones back, front"),
    ],
)
def test_what_cannot_be_compared_is_said(
    treated: list, control: list, start: int, message: str
) -> None:
    rows = pair_rows(0, 5) + pair_rows(1, 5)
    rows += [visit("two", 0, 70) | {"zone": zone} for zone in ("front", "back")]
    with pytest.raises(LawnscoreError, match=message):
        trial(visits(rows), treated, control, day(start))
