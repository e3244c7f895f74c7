"""Sprayer arithmetic from first principles; the order of mixing is common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.care.sprayer import (
    FORMS,
    Dose,
    nozzle_catch,
    plan_tanks,
    speed_for,
    walking_speed_km_h,
    water_volume_l_ha,
)
from lawnscore.contract.errors import LawnscoreError


def test_water_volume_of_the_usual_formula() -> None:
    # l/ha = 600 q / (v w), common practice, no source: 0.8 l/min, 4 km/h, 0.5 m.
    assert water_volume_l_ha(0.8, 4, 0.5) == pytest.approx(240)


def test_water_volume_from_first_principles() -> None:
    # 0.5 m at 4 km/h covers 2000 m2 an hour; 0.8 l/min is 48 l an hour.
    assert water_volume_l_ha(0.8, 4, 0.5) == pytest.approx(48 / 2000 * 10_000)


@given(st.floats(0.1, 10), st.floats(1, 10), st.floats(0.2, 6))
def test_speed_undoes_water_volume(flow: float, speed: float, width: float) -> None:
    assert speed_for(water_volume_l_ha(flow, speed, width), flow, width) == pytest.approx(speed)


def test_pace() -> None:
    assert walking_speed_km_h(100, 90) == pytest.approx(4)


def test_catch_finds_the_nozzle_that_is_off() -> None:
    catch = nozzle_catch([400, 410, 300], 30)
    assert catch.flow_l_min == pytest.approx(2.22)
    assert catch.to_clean == (3,)
    assert nozzle_catch([400, 420], 30).to_clean == ()


def test_tank_of_the_check_value() -> None:
    plan = plan_tanks([Dose("liquid feed", 20)], area_m2=375, water_l_ha=400, tank_l=15)
    assert plan.area_per_tank_m2 == pytest.approx(375)
    assert plan.products[0].per_full_tank == pytest.approx(0.75)
    assert plan.water_per_full_tank_l == pytest.approx(14.25)
    assert (plan.n_full_tanks, plan.last_tank_l) == (1, 0)


def test_part_tank_holds_the_rest() -> None:
    plan = plan_tanks([Dose("liquid feed", 20)], area_m2=500, water_l_ha=400, tank_l=15)
    assert plan.n_full_tanks == 1
    assert plan.last_area_m2 == pytest.approx(125)
    assert plan.last_tank_l == pytest.approx(5)
    assert plan.products[0].in_last_tank == pytest.approx(0.25)
    assert plan.water_in_last_tank_l == pytest.approx(4.75)


def test_forms_put_products_in_order_else_they_stay_as_given() -> None:
    wetter = Dose("wetter", 2, form="wetting agent")
    powder = Dose("powder", 3, "kg", form="wettable powder")
    plan = plan_tanks([wetter, powder], area_m2=100, water_l_ha=400, tank_l=15)
    assert [p.product for p in plan.products] == ["powder", "wetter"]
    assert plan.order_from == "form"
    plan = plan_tanks([Dose("b", 2), Dose("a", 3)], area_m2=100, water_l_ha=400, tank_l=15)
    assert [p.product for p in plan.products] == ["b", "a"]
    assert plan.order_from == "as given"


def test_jar_test_is_in_the_proportions_of_the_tank() -> None:
    plan = plan_tanks([Dose("a", 20), Dose("b", 4, "kg")], area_m2=99, water_l_ha=400, tank_l=15)
    for product in plan.products:
        assert product.in_jar_test == pytest.approx(product.per_full_tank / 15)


def test_solids_add_no_volume() -> None:
    plan = plan_tanks([Dose("a", 20, "kg")], area_m2=100, water_l_ha=400, tank_l=15)
    assert plan.water_per_full_tank_l == pytest.approx(15)


@given(
    st.floats(1, 5000),
    st.floats(100, 1000),
    st.floats(5, 100),
    st.lists(st.floats(0.1, 20), min_size=1, max_size=4),
)
def test_tanks_add_up_to_the_whole(
    area: float, volume: float, tank: float, per_ha: list[float]
) -> None:
    plan = plan_tanks(
        [Dose(f"p{i}", dose) for i, dose in enumerate(per_ha)],
        area_m2=area,
        water_l_ha=volume,
        tank_l=tank,
    )
    for product, dose in zip(plan.products, per_ha, strict=True):
        assert product.total == pytest.approx(dose * area / 10_000)
        tanks = plan.n_full_tanks * product.per_full_tank + product.in_last_tank
        assert tanks == pytest.approx(product.total, rel=1e-5)
    assert plan.last_tank_l <= tank * (1 + 1e-6)
    full = plan.water_per_full_tank_l + sum(p.per_full_tank for p in plan.products)
    assert full == pytest.approx(tank)


@pytest.mark.parametrize(
    ("doses", "match"),
    [
        ([], "no product"),
        ([Dose("a", 0)], "must be more than 0"),
        ([Dose("a", 500)], "Spray more water"),
        ([Dose("a", 5, form="tablet")], "not known"),
    ],
)
def test_impossible_tanks_are_refused(doses: list[Dose], match: str) -> None:
    with pytest.raises(LawnscoreError, match=match):
        plan_tanks(doses, area_m2=100, water_l_ha=400, tank_l=15)


def test_no_nozzles_and_no_width_are_refused() -> None:
    with pytest.raises(LawnscoreError, match="no nozzle"):
        nozzle_catch([], 30)
    with pytest.raises(LawnscoreError, match="width is 0 m"):
        water_volume_l_ha(0.8, 4, 0)


def test_forms_are_in_the_order_of_mixing() -> None:
    assert FORMS.index("wettable powder") < FORMS.index("emulsion") < FORMS.index("wetting agent")
