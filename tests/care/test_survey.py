"""What it would take, worked by hand: passes, material, seed, dressing, feed, hours and price."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest

from lawnscore.care.season_steps import Figure
from lawnscore.care.survey import (
    Job,
    Material,
    Survey,
    asked_for,
    expected_of,
    material_of,
    survey,
)
from lawnscore.care.visit_amounts import fed_record
from lawnscore.contract.settings import RatesSettings
from lawnscore.contract.tables import LAWNS, WORK
from lawnscore.register.programme import OnlyIf, Programme, Step, read_programme

DAY = date(2025, 4, 15)
PROGRAMME = Programme(
    (
        Step("scarifying", "scarify", only_if=OnlyIf("straw_cover_pct", above=10)),
        Step("sowing", "overseed", only_if=OnlyIf("green_cover_pct", below=85), rate=25,
             rate_unit="g/m2"),
        Step("dressing", "top-dress", only_if=OnlyIf("bare_patch_pct", above=3), rate=2,
             rate_unit="mm"),
        Step("feed", "feed", rate=3, rate_unit="g N/m2"),
        Step("mowing", "mow"),
    )
)  # fmt: skip


def figures(**values: float) -> dict[str, Figure]:
    return {name: Figure(value, value - 2, value + 2, DAY) for name, value in values.items()}


TIRED = figures(straw_cover_pct=24, green_cover_pct=66, bare_patch_pct=8)
RATES = RatesSettings(
    visit_h=1, scarify_h_100_m2=0.5, seed_h_100_m2=0.2, top_dress_h_100_m2=1, feed_h_100_m2=0.1,
    cart_off_l_m2=2, cart_off_h_m3=1.5, hour_price=50, cart_off_price_m3=20, seed_price_kg=10,
    top_dressing_price_t=60, feed_price_kg=2,
)  # fmt: skip
FED = fed_record(
    WORK.frame(
        [{"date": "2025-04-01", "lawn": "x", "zone": "all", "task": "feed", "product": "may feed",
          "rate": 30, "rate_unit": "g/m2", "n_pct": 12, "p2o5_pct": 3, "k2o_pct": 6}]
    )
)  # fmt: skip


def plan(
    figs: dict[str, Figure] = TIRED, area: float = 200, rates: RatesSettings = RATES
) -> Survey:
    return survey({"all": (area, figs)}, PROGRAMME, rates, fed=FED)


def jobs(made: Survey) -> dict[str, Job]:
    return {job.task: job for job in made.jobs}


def test_a_tired_lawn_worked_by_hand() -> None:
    done = jobs(plan())
    assert list(done) == ["scarify", "cart off", "overseed", "top-dress", "feed"]
    # 24 % of straw: two passes of 0.5 h a 100 m2 over 200 m2 = 2 h, 100 at 50 an hour
    assert (done["scarify"].passes, done["scarify"].hours, done["scarify"].price) == (2, 2, 100)
    # 2 l/m2 and pass: 800 l; 0.8 m3 x 1.5 h = 1.2 h = 60, and 0.8 x 20 = 16
    off = done["cart off"]
    assert (off.amount, off.unit, off.hours) == (800, "l", pytest.approx(1.2))
    assert off.price == pytest.approx(76)
    # 25 g/m2 x 200 m2 = 5 kg = 50; 0.4 h = 20
    seed = done["overseed"]
    assert (seed.amount, seed.price) == (5, pytest.approx(70))
    # 2 mm x 200 m2 = 400 l, 0.64 t at 1.6 t/m3 = 38.4; 2 h = 100
    dress = done["top-dress"]
    assert (dress.litres, dress.amount) == (400, pytest.approx(0.64))
    assert dress.price == pytest.approx(138.4)
    # 3 g N x 200 = 0.6 kg; at 12 % 5 kg = 10; 0.2 h = 10
    feed = done["feed"]
    assert (feed.amount, feed.product, feed.product_kg) == (
        pytest.approx(0.6), "may feed", pytest.approx(5.0))  # fmt: skip
    assert feed.price == pytest.approx(20)
    # 1 + 2 + 1.2 + 0.4 + 2 + 0.2 h; 50 + 100 + 76 + 70 + 138.4 + 20
    assert plan().hours == pytest.approx(6.8)
    assert plan().price == pytest.approx(454.4)


def test_without_the_users_rates_there_is_no_price_and_no_hour() -> None:
    made = plan(rates=RatesSettings())
    assert all(math.isnan(job.hours) and math.isnan(job.price) for job in made.jobs)
    assert math.isnan(made.hours)
    assert math.isnan(made.price)
    hours = RatesSettings(visit_h=1, scarify_h_100_m2=0.5)
    assert math.isnan(plan(rates=hours).hours)  # a sum with an unknown part is not known
    assert math.isnan(plan(rates=hours).price)


def test_a_material_without_a_price_is_said() -> None:
    rates = RatesSettings(visit_h=1, seed_h_100_m2=0.2, hour_price=50)
    seed = jobs(plan(rates=rates))["overseed"]
    assert seed.no_material_price
    assert seed.price == pytest.approx(20)
    assert not jobs(plan())["overseed"].no_material_price


def test_only_what_the_figures_call_for() -> None:
    good = figures(straw_cover_pct=4, green_cover_pct=95, bare_patch_pct=0)
    assert list(jobs(plan(good))) == ["feed"]
    straw = figures(straw_cover_pct=14, green_cover_pct=95, bare_patch_pct=0)
    done = jobs(plan(straw))
    assert list(done) == ["scarify", "cart off", "overseed", "feed"]
    assert done["scarify"].passes == 1
    assert done["overseed"].sure == "with"
    assert list(jobs(plan({}))) == ["feed"]
    bare = survey({"all": (200, TIRED)}, Programme(), RATES)
    assert bare.jobs == ()


@pytest.mark.parametrize(
    ("figure", "sure"),
    [
        (Figure(14, 12, 16, DAY), "calls"),
        (Figure(14, 8, 20, DAY), "open"),
        (Figure(9, 2, 16, DAY), "no"),
        (Figure(10, 8, 12, DAY), "no"),
        (Figure(14, None, None, DAY), "open"),  # one photo tells no interval
    ],
)
def test_the_interval_says_whether_a_figure_calls(figure: Figure, sure: str) -> None:
    step = PROGRAMME.steps[0]
    assert asked_for(step, {"straw_cover_pct": figure}) == sure
    assert asked_for(step, {}) == "unknown"


def test_an_area_that_is_not_known_leaves_amounts_unknown() -> None:
    done = jobs(plan(area=math.nan))
    for task in ("cart off", "overseed", "top-dress", "feed"):
        assert math.isnan(done[task].amount), task
    assert done["scarify"].passes == 2


def test_material_comes_from_own_jobs() -> None:
    lawns = LAWNS.frame([{"lawn": "a", "zone": "all", "area_m2": 100}])
    row = {"lawn": "a", "zone": "all", "task": "scarify", "material_unit": "boxes", "passes": 2}
    rows = [row | {"date": f"2025-09-0{k}", "material_off": n} for k, n in ((1, 4), (2, 6), (3, 9))]
    other = row | {"date": "2025-09-04", "material_off": 900, "material_unit": "l"}
    mow = row | {"date": "2025-09-05", "task": "mow", "material_off": 50}
    known = material_of(WORK.frame([*rows, other, mow]), lawns)
    # boxes a m2 and pass: 4, 6 and 9 over 100 m2 x 2 passes
    assert known == Material("boxes", 0.03, 0.02, 0.045, 3)
    made = survey({"all": (200, TIRED)}, PROGRAMME, RATES, material=known)
    off = jobs(made)["cart off"]
    assert (off.amount, off.low, off.high) == (
        pytest.approx(12), pytest.approx(8), pytest.approx(18))  # fmt: skip
    assert math.isnan(off.hours)  # boxes tell no volume
    boxes = replace(RATES, box_l=50)
    off = jobs(survey({"all": (200, TIRED)}, PROGRAMME, boxes, material=known))["cart off"]
    assert off.hours == pytest.approx(12 * 0.05 * 1.5)
    assert material_of(WORK.frame([]), lawns) is None


def test_expected_are_the_middles_of_own_recoveries() -> None:
    rows = [
        {"cover_before": 80.0, "cover_after": 40.0, "days_to_95": 50.0},
        {"cover_before": 70.0, "cover_after": 30.0, "days_to_95": None},
        {"cover_before": None, "cover_after": 20.0, "days_to_95": 70.0},
    ]
    own = expected_of(rows)
    assert (own.n, own.before, own.after, own.after_low, own.after_high) == (2, 75, 35, 30, 40)
    assert (own.n_days, own.days, own.days_low, own.days_high) == (2, 60, 50, 70)
    assert expected_of([]).n == 0


def test_the_programme_that_ships_proposes_what_a_tired_lawn_wants() -> None:
    made = survey({"all": (200, TIRED)}, read_programme("nowhere"), RatesSettings())
    assert {"scarify", "overseed", "top-dress", "feed"} <= set(jobs(made))
    assert "spray" not in jobs(made)
