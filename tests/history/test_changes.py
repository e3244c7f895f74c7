from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import CHANGES, VISIT_SCORES
from lawnscore.history import change_error
from lawnscore.history.change_error import Parts
from lawnscore.history.changes import change_blocks, changes, holm
from lawnscore.history.intervals import wilson
from lawnscore.history.visits import visit_scores
from tests.history.rounds import day, photo, visit, visits, work


def only(table: pd.DataFrame, kind: str, measure: str = "green_cover_pct") -> pd.DataFrame:
    rows = table[(table["kind"] == kind) & (table["measure"] == measure)]
    return rows.reset_index(drop=True)


def test_an_empty_table_keeps_its_columns() -> None:
    table = changes(VISIT_SCORES.frame([]))
    assert list(table.columns) == CHANGES.column_names
    assert len(table) == 0


def test_pairs_of_each_kind() -> None:
    rows = [
        visit("a", 0, 80),
        visit("a", 240, 82, "before"),
        visit("a", 240, 50, "after"),
        visit("a", 270, 70),
        visit("a", 370, 81),
    ]
    table = changes(visits(rows), work=work(("a", 240, "scarify")))
    pairs = only(table, "work")[["change", "verdict"]].to_numpy().tolist()
    assert pairs == [[pytest.approx(-32), "worse"]]
    steps = only(table, "visit")
    assert steps["from_stage"].tolist() == ["check", "after", "check"]
    assert steps["change"].tolist() == pytest.approx([2, 20, 11])
    since = only(table, "since_renovation")
    assert since["from_stage"].tolist() == ["after", "after"]
    assert since["change"].tolist() == pytest.approx([20, 31])
    year = only(table, "year")
    assert year[["from_date", "to_date"]].astype(str).to_numpy().tolist() == [[day(0), day(370)]]


def test_a_renovation_ends_with_the_next() -> None:
    rows = [visit("a", n, 80, s) for n, s in [(0, "after"), (60, "check"), (100, "before")]]
    rows += [visit("a", 100, 50, "after"), visit("a", 130, 70), visit("b", 40, 80)]
    table = changes(visits(rows), work=work(("a", 0, "scarify"), ("a", 100, "overseed")))
    since = only(table, "since_renovation")
    assert since["from_date"].astype(str).tolist() == [day(0), day(0), day(100)]
    assert since["to_date"].astype(str).tolist() == [day(60), day(100), day(130)]


def test_before_the_work_is_held_against_the_last_visit() -> None:
    rows = [visit("a", 200, 60), visit("a", 240, 78, "before"), visit("a", 240, 40, "after")]
    rows += [visit("a", 270, 55), visit("a", 370, 68)]
    told = only(changes(visits(rows), work=work(("a", 240, "scarify"))), "since_before_work")
    assert len(told) == 1
    ends = told.loc[0, ["from_date", "from_stage", "to_date"]].astype(str).tolist()
    assert ends == [day(240), "before", day(370)]
    assert (told.loc[0, "change"], told.loc[0, "verdict"]) == (pytest.approx(-10), "worse")


def test_each_renovation_has_its_own_before() -> None:
    rows = [visit("a", 0, 80), visit("a", 30, 60), visit("a", 60, 75), visit("a", 90, 50)]
    done = work(("a", 20, "scarify"), ("a", 80, "overseed"))
    told = only(changes(visits(rows), work=done), "since_before_work")
    pairs = told[["from_date", "to_date"]].astype(str).to_numpy().tolist()
    assert pairs == [[day(0), day(60)], [day(60), day(90)]]


def test_photos_long_before_the_work_do_not_stand_for_it() -> None:
    rows = [visit("a", 0, 80), visit("a", 130, 60)]
    assert only(changes(visits(rows), work=work(("a", 100, "scarify"))), "since_before_work").empty


def test_work_seen_from_the_photos_alone_has_its_before() -> None:
    rows = [visit("a", 0, 80, "before"), visit("a", 0, 50, "after"), visit("a", 30, 82)]
    assert only(changes(visits(rows)), "since_before_work")["change"].tolist() == [pytest.approx(2)]


def test_square_and_add_of_wilson_intervals_is_newcombe() -> None:
    # Newcombe 1998, Stat. Med. 17:873-890, method 10: 56/70 and 48/80 give 0.0524 to 0.3339
    low, high = wilson([48, 56], [80, 70])
    rows = [visit("a", 0, 60.0), visit("a", 30, 80.0)]
    for row, a, b in zip(rows, low, high, strict=True):
        row |= {"green_cover_pct_low": 100 * a, "green_cover_pct_high": 100 * b}
    found = only(changes(visits(rows)), "visit").loc[0]
    assert (found["low"], found["high"]) == pytest.approx((5.24, 33.39), abs=0.006)
    other = confint_proportions_2indep(56, 70, 48, 80, method="newcomb", compare="diff")
    assert (found["low"] / 100, found["high"] / 100) == pytest.approx(other, abs=1e-9)


def test_holm_agrees_with_statsmodels() -> None:
    p = np.array([0.01, 0.04, 0.03, 0.005, 0.2])
    assert np.allclose(holm(p), multipletests(p, method="holm")[1])
    with_gap = np.array([0.01, np.nan, 0.03])
    assert np.allclose(holm(with_gap), [0.02, np.nan, 0.03], equal_nan=True)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_never_lowers_a_p_value(p: list[float]) -> None:
    adjusted = holm(np.array(p))
    assert np.all(adjusted >= np.array(p) - 1e-12)
    assert np.all(adjusted <= 1)


def test_verdict_follows_the_better_direction() -> None:
    rows = [visit("a", 0, 80), visit("a", 30, 80)]
    for row, soil in zip(rows, (2.0, 20.0), strict=True):
        row |= {"bare_soil_pct": soil, "bare_soil_pct_low": soil - 1}
        row |= {"bare_soil_pct_high": soil + 1, "leaf_L": soil}
        row |= {"leaf_L_low": soil - 1, "leaf_L_high": soil + 1}
    table = changes(visits(rows))
    assert only(table, "visit", "bare_soil_pct").loc[0, "verdict"] == "worse"
    assert only(table, "visit").loc[0, "verdict"] == "no clear change"
    # neither way is better for the leaf's lightness
    assert pd.isna(only(table, "visit", "leaf_L").loc[0, "verdict"])


def test_verdict_needs_an_interval_without_zero() -> None:
    rng = np.random.default_rng(3)
    rows = [visit("a", 30 * i, float(rng.normal(80, 6))) for i in range(60)]
    table = only(changes(visits(rows)), "visit")
    clear = table["verdict"] != "no clear change"
    assert clear.any()
    assert not ((table["low"] < 0) & (table["high"] > 0))[clear].any()
    unsure = ~clear & (table["low"] < 0) & (table["high"] > 0)
    assert (table["change"].abs() < table["smallest_detectable"])[unsure].all()


def test_the_same_spots_are_paired() -> None:
    rng = np.random.default_rng(1)
    spots = rng.normal(75, 10, 6)
    rows = [
        photo("a", number, green_cover_pct=y + move + rng.normal(0, 1), spot=f"s{i}")
        for number, move in ((0, 0.0), (30, -5.0))
        for i, y in enumerate(spots)
    ]
    photos = pd.DataFrame(rows)
    table = visit_scores(photos)
    paired = only(changes(table, photo_scores=photos), "visit").loc[0]
    apart = only(changes(table), "visit").loc[0]
    assert (paired["n_paired_spots"], apart["n_paired_spots"]) == (6, 0)
    assert paired["verdict"] == "worse"
    assert apart["verdict"] == "no clear change"
    differences = photos["green_cover_pct"].to_numpy().reshape(2, 6)
    assert paired["change"] == pytest.approx((differences[1] - differences[0]).mean())
    # Student's interval of the differences: nothing can be borrowed from one pair of visits
    d = differences[1] - differences[0]
    half = 2.570582 * d.std(ddof=1) / np.sqrt(6)
    assert paired["high"] - paired["low"] == pytest.approx(2 * half, rel=1e-3)


@pytest.fixture
def made_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take parts of a change's error that no study moves."""
    made = Parts(1.5, 1.0, 2.0, 1.2, 0.8, 0.1, 5.0, 0.0)
    monkeypatch.setattr(change_error, "error_parts", lambda: dict.fromkeys(MEASURES, made))


def twelve_points_down(spots: list[str | None], **second: str) -> pd.DataFrame:
    """Return two visits, green cover 12 points lower, a stated error of 6 shared by the photos."""
    how = {"version": "1", "card": "c", "colour_reference": "measured", "green_cover_pct_se": 6.0}
    rows = [
        photo("a", number, green_cover_pct=y + move, spot=spot, **(how | more))
        for number, move, more in ((0, 0.0, {}), (30, -12.0, second))
        for spot, y in zip(spots, (84.6, 85.2, 85.4, 84.8), strict=True)
    ]
    return pd.DataFrame(rows)


@pytest.mark.usefixtures("made_parts")
@pytest.mark.parametrize("spots", [["s1", "s2", "s3", "s4"], [None] * 4])
def test_an_error_that_stays_on_the_lawn_does_not_hide_a_change(spots: list[str | None]) -> None:
    photos = twelve_points_down(spots)
    found = only(changes(visit_scores(photos), photo_scores=photos), "visit").loc[0]
    assert found["verdict"] == "worse"
    # 1.96 * sqrt(2) * 6 = 16.6 points are asked for where errors count as independent
    assert found["high"] - found["low"] < 2 * 11
    photos = twelve_points_down(spots, version="2")
    apart = only(changes(visit_scores(photos), photo_scores=photos), "visit").loc[0]
    assert apart["verdict"] == "no clear change"
    assert apart["method_changed"]
    assert apart["differs"] == "version"


@pytest.mark.parametrize("spots", [["s1", "s2", "s3", "s4"], [None] * 4])
def test_a_fall_is_a_fall_though_how_far_is_not_known(
    spots: list[str | None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each point of change errs by itself here: that makes the size unsure, not the fall."""
    made = Parts(1.0, 1.0, 2.0, 1.2, 0.8, 0.9, 5.0, 0.0)
    monkeypatch.setattr(change_error, "error_parts", lambda: dict.fromkeys(MEASURES, made))
    photos = twelve_points_down(spots)
    found = only(changes(visit_scores(photos), photo_scores=photos), "visit").loc[0]
    assert found["verdict"] == "worse"
    assert found["low"] < -20
    assert found["high"] == 0.0  # never above: which way it went is known
    assert found["smallest_detectable"] < 8


@pytest.mark.usefixtures("made_parts")
@pytest.mark.parametrize("spots", [["s1", "s2", "s3", "s4"], [None] * 4])
def test_another_phone_widens_a_change_and_is_said(spots: list[str | None]) -> None:
    width = {}
    for camera in ("one", "other"):
        photos = twelve_points_down(spots, camera=camera)
        photos.loc[:3, "camera"] = "one"
        found = only(changes(visit_scores(photos), photo_scores=photos), "visit").loc[0]
        width[camera] = found["high"] - found["low"]
        assert not found["method_changed"]
    assert width["other"] > 1.05 * width["one"]
    assert found["differs"] == "phone"


def test_a_change_of_method_is_marked() -> None:
    rows = [visit("a", 0, 80, version="1"), visit("a", 30, 81, version="2")]
    rows.append(visit("a", 60, 81))
    marked = only(changes(visits(rows)), "visit")["method_changed"].tolist()
    assert marked == [True, False]


def test_without_interval_there_is_no_verdict() -> None:
    rows = [visit("a", 0, 80, se=np.nan), visit("a", 30, 60)]
    row = only(changes(visits(rows)), "visit").loc[0]
    assert row["change"] == -20
    assert pd.isna(row["verdict"])
    assert np.isnan(row["low"])


def test_rows_that_come_in_blocks_are_those_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    table = visits([visit(lawn, 30 * k, 80 - k) for lawn in "ab" for k in range(14)])
    done = work(("a", 100, "scarify"))
    whole = changes(table, work=done)
    monkeypatch.setattr("lawnscore.history.changes._BLOCK_PAIRS", 7)
    blocks = list(change_blocks(table, work=done))
    assert len(blocks) > 2
    assert max(map(len, blocks)) < len(whole) / 2
    together = pd.concat([CHANGES.frame(block) for block in blocks], ignore_index=True)
    pd.testing.assert_frame_equal(together, CHANGES.frame(whole))


def test_no_visits_give_one_empty_block() -> None:
    (block,) = change_blocks(VISIT_SCORES.frame([]))
    assert list(block.columns) == list(CHANGES.column_names)
    assert block.empty
