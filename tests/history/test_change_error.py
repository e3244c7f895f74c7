"""The one model of a change's error: what two visits share is in no change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.measures import MEASURES
from lawnscore.history import change_error as module
from lawnscore.history.change_error import (
    PARTS,
    ChangeError,
    Parts,
    alike_sd,
    change_error,
    error_parts,
    made_otherwise,
    renewed_between,
)
from lawnscore.history.series import Occasions, occasions, renovations, work_at_places
from tests.history.rounds import visit, visits, work

FIRST, SECOND = np.array([0]), np.array([1])
STATED = 30.0
GREEN = "green_cover_pct"


STORED = error_parts()
MADE = Parts(day=1.5, phone=1.0, print_nominal=2.0, print_known=1.2, grass=0.8, point=0.3,
             typical=30.0, power=0.0)  # fmt: skip


@pytest.fixture(autouse=True)
def made_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take parts that no study moves."""
    monkeypatch.setattr(module, "error_parts", lambda: dict.fromkeys(MEASURES, MADE))


def pair(second: float = 80.0, **changed: object) -> Occasions:
    """Return two visits, the second with another cover and what else is said to have changed."""
    how = {"version": "1", "settings_id": "a", "card": "c", "colour_reference": "nominal"}
    how |= {"camera": "phone", f"{GREEN}_shared_se": STATED, "colour_index_shared_se": 3.0}
    rows = [visit("a", 0, 80.0, se=STATED, **how)]
    rows.append(visit("a", 30, second, se=STATED, **(how | changed)))
    return occasions(visits(rows))


def error(series: Occasions, **options: object) -> ChangeError:
    return change_error(series, FIRST, SECOND, **options)


def variance(series: Occasions, measure: str = GREEN, **options: object) -> float:
    return float(error(series, **options).variance(measure)[0])


def test_every_measure_has_its_parts() -> None:
    assert set(STORED) == set(MEASURES)
    for parts in STORED.values():
        assert all(getattr(parts, name) >= 0 for name in PARTS)
        assert parts.day > 0
        assert parts.phone > 0


def test_the_same_card_and_phone_leave_the_day_alone() -> None:
    assert variance(pair()) == pytest.approx(2 * MADE.day**2)


def test_another_phone_another_card_and_other_grass_each_add_theirs() -> None:
    parts, alone = MADE, variance(pair())
    assert variance(pair(camera="other")) - alone == pytest.approx(2 * parts.phone**2)
    assert variance(pair(card="d")) - alone == pytest.approx(2 * parts.print_nominal**2)
    renewed = variance(pair(), renewed=np.array([True]))
    assert renewed - alone == pytest.approx(2 * parts.grass**2)
    measured = pair(card="d").table.assign(colour_reference="measured")
    assert variance(occasions(measured)) - alone == pytest.approx(2 * parts.print_known**2)


def test_ground_that_is_doubted_is_read_more_differently(monkeypatch: pytest.MonkeyPatch) -> None:
    doubted = replace(MADE, typical=STATED / 1.4, power=1.0)
    monkeypatch.setattr(module, "error_parts", lambda: {GREEN: doubted})
    assert variance(pair()) == pytest.approx(2 * 1.4**2 * MADE.day**2)
    surer = pair(**{f"{GREEN}_shared_se": STATED / 1.4})
    assert variance(surer) == pytest.approx((1.4**2 + 1) * MADE.day**2)


@pytest.mark.parametrize(
    ("typical", "part"), [(STATED / 2.5, 0.0), (STATED / 3, 0.5), (STATED / 3.5, 1.0)]
)
def test_ground_that_is_doubted_much_shares_nothing(
    typical: float, part: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubted = replace(MADE, typical=typical)
    monkeypatch.setattr(module, "error_parts", lambda: {GREEN: doubted, "evenness": doubted})
    wanted = (1 - part) * 2 * MADE.day**2 + part * 2 * STATED**2
    assert variance(pair()) == pytest.approx(wanted)
    assert alike_sd(GREEN, stated=STATED) ** 2 == pytest.approx(wanted)
    # shares alone are doubted for the ground's sake
    evenness = occasions(pair().table.assign(evenness_shared_se=STATED))
    assert variance(evenness, "evenness") == pytest.approx(2 * MADE.day**2)


def test_several_lights_and_phones_of_a_visit_err_apart() -> None:
    assert variance(pair(lights=4.0)) == pytest.approx((1 + 1 / 4) * MADE.day**2)
    two = variance(pair(camera="other", phones=2.0)) - 2 * MADE.day**2
    assert two == pytest.approx((1 + 1 / 2) * MADE.phone**2)
    # a count below one is no count
    assert variance(pair(lights=0.0)) == pytest.approx(2 * MADE.day**2)
    mixed = error(pair(lights=4.0, camera="other", phones=2.0)).mixed(GREEN)[0]
    assert mixed == pytest.approx(0.75 * MADE.day**2 + 0.5 * MADE.phone**2)
    assert error(pair(lights=4.0, phones=2.0)).mixed(GREEN)[0] == pytest.approx(0.75 * 1.5**2)
    assert error(pair()).mixed("no such measure")[0] == 0


def test_leaf_of_another_colour_is_read_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "error_parts", lambda: {GREEN: replace(MADE, leaf=0.5)})
    leaf = {"leaf_L": 40.0, "leaf_a": -15.0, "leaf_b": 25.0}
    first = pair(leaf_L=43.0, leaf_a=-11.0, leaf_b=25.0)
    series = occasions(first.table.assign(**{k: first.table[k].fillna(v) for k, v in leaf.items()}))
    assert variance(series) == pytest.approx(2 * MADE.day**2 + (0.5 * 5.0) ** 2)


def test_a_card_fades_with_the_days_between(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "error_parts", lambda: {GREEN: replace(MADE, faded=2.0)})
    # the visits are 30 days apart
    assert variance(pair()) == pytest.approx(2 * MADE.day**2 + (2.0 * 30 / 180) ** 2)
    assert variance(pair(card="d")) == pytest.approx(2 * MADE.day**2 + 2 * MADE.print_nominal**2)


def test_a_phone_that_is_not_said_counts_as_another() -> None:
    unsaid = occasions(pair().table.drop(columns="camera"))
    assert variance(unsaid) == pytest.approx(variance(pair(camera="other")))
    same = change_error(unsaid, FIRST, FIRST)
    assert same.variance(GREEN)[0] == pytest.approx(variance(pair()))


def test_a_scarified_lawn_is_another_lawn() -> None:
    parts = MADE
    # only green is said here, so its change is that of the ground
    for lost in (20.0, 60.0):
        wanted = 2 * parts.day**2 + parts.point**2 * lost**2 / (1 + lost / 20)
        assert variance(pair(80.0 - lost)) == pytest.approx(wanted)


def test_the_own_change_of_a_share_brings_no_error_where_it_has_not_changed() -> None:
    found = error(pair(40.0))
    assert found.variance(GREEN, unchanged=True)[0] == pytest.approx(2 * MADE.day**2)
    assert found.variance("colour_index", unchanged=True) == found.variance("colour_index")


def test_what_else_covers_the_ground_may_have_changed_all_the_same() -> None:
    """Straw 20 to 0, soil 0 to 10, green 80 to 90: of what is not green, 10 points are another."""
    parts = MADE
    rows = []
    for n, (green, straw, soil) in ((0, (80.0, 20.0, 0.0)), (30, (90.0, 0.0, 10.0))):
        shares = {"straw_cover_pct": straw, "bare_soil_pct": soil, "litter_pct": 0.0}
        rows.append(visit("a", n, green, cast_cover_pct=0.0, **shares, version="1", camera="p",
                          **{f"{GREEN}_shared_se": STATED}))  # fmt: skip
    found = error(occasions(visits(rows)))
    wanted = 2 * parts.day**2 + parts.point**2 * 10**2 / (1 + 10 / 20)
    assert found.variance(GREEN, unchanged=True)[0] == pytest.approx(wanted)
    wanted = 2 * parts.day**2 + parts.point**2 * 20**2 / (1 + 20 / 20)
    assert found.variance(GREEN)[0] == pytest.approx(wanted)


@pytest.mark.parametrize(("measure", "narrower"), [("colour_index", True), (GREEN, False)])
def test_leaf_of_the_same_colour_is_read_alike(
    measure: str, narrower: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    parts = replace(MADE, leaf=0.5)
    monkeypatch.setattr(module, "error_parts", lambda: dict.fromkeys(MEASURES, parts))
    rows = [visit("a", n, 80.0, leaf_L=level, leaf_a=-10.0, leaf_b=20.0, version="1",
                  **{f"{name}_shared_se": STATED for name in (GREEN, "colour_index")})
            for n, level in ((0, 40.0), (30, 46.0))]  # fmt: skip
    found = error(occasions(visits(rows)))
    told, null = (float(found.variance(measure, unchanged=u)[0]) for u in (False, True))
    assert told - null == pytest.approx((0.5 * 6) ** 2 if narrower else 0.0)


def test_points_that_went_from_green_to_straw_count_once() -> None:
    shares = {"straw_cover_pct": 15.0, "bare_soil_pct": 5.0, "litter_pct": 0.0}
    rows = [visit("a", 0, 80, cast_cover_pct=0.0, **shares)]
    rows.append(visit("a", 30, 74, cast_cover_pct=0.0, **(shares | {"straw_cover_pct": 21.0})))
    assert error(occasions(visits(rows))).points[0] == pytest.approx(6)


@pytest.mark.parametrize("column", ["version", "settings_id", "colour_reference"])
def test_nothing_is_shared_across_a_change_of_method(column: str) -> None:
    assert variance(pair(**{column: "learned"})) == pytest.approx(2 * STATED**2)


def test_nothing_is_shared_where_points_by_eye_corrected() -> None:
    assert variance(pair(checked_points=100)) == pytest.approx(2 * STATED**2)


def test_a_change_is_never_less_sure_than_two_levels() -> None:
    small = 0.1 * MADE.day  # far below the typical error, which doubts nothing
    rows = [visit("a", n, 80.0, se=2 * small, **{f"{GREEN}_shared_se": small}) for n in (0, 30)]
    series = occasions(visits(rows))
    assert variance(series) == pytest.approx(2 * small**2)
    change, low, high = error(series).interval(GREEN)
    assert high[0] - low[0] <= np.sqrt(2) * 2 * 1.96 * 2 * small * 1.0001
    assert change[0] == 0


def test_the_interval_adds_chance_and_what_the_visits_do_not_share() -> None:
    _, low, high = error(pair()).interval(GREEN)
    # both levels are all shared error here, so that the day alone is left
    wanted = 1.96 * np.sqrt(2) * MADE.day
    assert (high - low)[0] / 2 == pytest.approx(wanted, rel=0.01)
    chance = occasions(pair().table.assign(**{f"{GREEN}_shared_se": 0.6 * STATED}))
    _, low, high = error(chance).interval(GREEN)
    wanted = 2 * (0.8 * STATED) ** 2 + 2 * MADE.day**2
    assert (high - low)[0] / 2 == pytest.approx(1.96 * np.sqrt(wanted), rel=0.01)


def test_what_differs_is_said_in_words() -> None:
    assert made_otherwise(pair(), FIRST, SECOND).tolist() == [None]
    assert made_otherwise(pair(card="d", camera="e"), FIRST, SECOND).tolist() == ["card, phone"]
    assert made_otherwise(pair(version="2"), FIRST, SECOND).tolist() == ["version"]


def test_the_least_error_of_a_change_is_that_of_one_card_and_phone() -> None:
    assert alike_sd(GREEN) == pytest.approx(np.sqrt(variance(pair())))
    assert alike_sd(GREEN, 20.0) == pytest.approx(np.sqrt(variance(pair(60.0))))
    assert alike_sd(GREEN, same_phone=False) > alike_sd(GREEN)
    assert np.isnan(alike_sd("no such measure"))


@pytest.mark.parametrize(
    ("first", "second", "between"),
    [
        ((0, "check"), (90, "check"), True),
        ((0, "check"), (60, "before"), False),
        ((60, "before"), (60, "after"), False),
        ((60, "before"), (80, "check"), False),
        ((60, "before"), (81, "check"), True),
        ((60, "after"), (90, "check"), True),
        ((81, "check"), (90, "check"), False),
    ],
)
def test_other_grass_has_grown_three_weeks_after_a_renovation(
    first: tuple, second: tuple, between: bool
) -> None:
    rows = [visit("a", number, 80, stage) for number, stage in (first, second)]
    rows.append(visit("b", 0, 80))
    series = occasions(visits(rows))
    done = renovations(work_at_places(work(("a", 60, "overseed")), series.places))
    assert renewed_between(series, FIRST, SECOND, done).tolist() == [between]
    nothing = renovations(work_at_places(None, series.places))
    assert not renewed_between(series, FIRST, SECOND, nothing).any()


def test_tables_from_anywhere_need_no_shares() -> None:
    table = pd.DataFrame(
        {"lawn": ["a", "a"], "zone": "all", "date": ["2024-01-01", "2024-02-01"], "stage": "check"}
    )
    assert variance(occasions(table)) == 0
