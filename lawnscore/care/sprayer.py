"""Sprayer: water volume from nozzle, speed and width; tanks; several products in one tank."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from lawnscore.care.units import positive
from lawnscore.contract.errors import LawnscoreError

WORN_NOZZLE_SHARE = 0.10
"""Difference from the middle flow at which a nozzle is cleaned or renewed. Common practice."""

JAR_L = 1.0
"""Size of the jar test, l."""

FORMS = ("wettable powder", "granule", "flowable", "emulsion", "solution", "wetting agent")
"""Forms of product in the usual order of mixing: powders, granules, flowables, emulsions,
solutions, wetting agents. From memory; the labels decide."""

Unit = Literal["l", "kg"]


def water_volume_l_ha(flow_l_min: float, speed_km_h: float, width_m: float) -> float:
    """Return the volume sprayed, l/ha: 600 times flow by speed and width.

    Parameters
    ----------
    flow_l_min
        Flow of all nozzles that cover ``width_m``, l/min.
    speed_km_h
        Speed over the ground, km/h.
    width_m
        Width covered, m.

    Examples
    --------
    >>> round(water_volume_l_ha(0.8, 4, 0.5), 6)
    240.0
    """
    flow = positive("flow", flow_l_min, "l/min")
    speed, width = positive("speed", speed_km_h, "km/h"), positive("width", width_m, "m")
    return 600 * flow / (speed * width)


def speed_for(water_l_ha: float, flow_l_min: float, width_m: float) -> float:
    """Return the speed, km/h, that gives a water volume with a nozzle and width.

    Examples
    --------
    >>> round(speed_for(240, 0.8, 0.5), 6)
    4.0
    """
    return water_volume_l_ha(flow_l_min, positive("water volume", water_l_ha, "l/ha"), width_m)


def walking_speed_km_h(distance_m: float, time_s: float) -> float:
    """Return the speed, km/h, over a paced course.

    Examples
    --------
    >>> walking_speed_km_h(50, 45)
    4.0
    """
    return positive("distance", distance_m, "m") / positive("time", time_s, "s") * 3.6


@dataclass(frozen=True)
class Catch:
    """What a timed catch of the nozzles shows."""

    flow_l_min: float
    mean_nozzle_l_min: float
    nozzles_l_min: tuple[float, ...]
    to_clean: tuple[int, ...]


def nozzle_catch(catch_ml: Sequence[float], time_s: float) -> Catch:
    """Return the flow of the sprayer from what each nozzle gave in a time.

    Parameters
    ----------
    catch_ml
        One volume a nozzle, ml.
    time_s
        Time of the catch, s.

    Returns
    -------
    Catch
        Total flow, mean and each flow in l/min; ``to_clean`` are the numbers (from 1) of the
        nozzles that differ from the middle one (the median) by more than 10 %.

    Examples
    --------
    >>> nozzle_catch([400, 410, 300], 30).to_clean
    (3,)
    """
    if not catch_ml:
        raise LawnscoreError("no nozzle was caught", "Give the volume of each nozzle.")
    seconds = positive("time", time_s, "s")
    flows = tuple(positive("catch", ml, "ml") * 60 / seconds / 1000 for ml in catch_ml)
    mean = math.fsum(flows) / len(flows)
    middle = median(flows)
    off = [i for i, q in enumerate(flows, 1) if abs(q / middle - 1) > WORN_NOZZLE_SHARE + 1e-12]
    return Catch(math.fsum(flows), mean, flows, tuple(off))


@dataclass(frozen=True)
class Dose:
    """A product and its dose: l/ha for a liquid, kg/ha for a solid."""

    product: str
    per_ha: float
    unit: Unit = "l"
    form: str = ""


@dataclass(frozen=True)
class TankProduct:
    """One product in the tanks, amounts in its unit (l or kg)."""

    product: str
    unit: Unit
    form: str
    per_full_tank: float
    in_last_tank: float
    total: float
    in_jar_test: float


@dataclass(frozen=True)
class TankPlan:
    """How an area is sprayed: full tanks, then one part tank."""

    area_m2: float
    water_l_ha: float
    tank_l: float
    area_per_tank_m2: float
    n_full_tanks: int
    last_tank_l: float
    last_area_m2: float
    water_per_full_tank_l: float
    water_in_last_tank_l: float
    products: tuple[TankProduct, ...]
    order_from: Literal["as given", "form"]


def plan_tanks(
    doses: Sequence[Dose], *, area_m2: float, water_l_ha: float, tank_l: float
) -> TankPlan:
    """Return the products and water for each tank.

    The volume sprayed holds the liquid products; a solid is taken to add none. The part tank is
    as small as the ground that is left, so nothing remains to be got rid of.

    Parameters
    ----------
    doses
        Products in the order of their labels. When each has a ``form``, they are put in the
        usual order of mixing (:data:`FORMS`).
    area_m2
        Area to spray, m2.
    water_l_ha
        Volume sprayed, products and water, l/ha.
    tank_l
        What the tank holds, l.

    Examples
    --------
    >>> plan = plan_tanks([Dose("feed", 20)], area_m2=375, water_l_ha=400, tank_l=15)
    >>> plan.n_full_tanks, plan.products[0].per_full_tank, plan.water_per_full_tank_l
    (1, 0.75, 14.25)

    Raises
    ------
    LawnscoreError
        When an amount is not more than 0, a form is not known, or the liquid products alone
        are more than the volume sprayed.
    """
    area, volume = positive("area", area_m2, "m2"), positive("water volume", water_l_ha, "l/ha")
    tank = positive("tank", tank_l, "l")
    if not doses:
        raise LawnscoreError("there is no product for the tank", "Give a product and its dose.")
    ordered, order_from = _in_order(doses)
    per_tank = tank * 10_000 / volume
    n_full = math.floor(area / per_tank + 1e-9)
    last_area = area - n_full * per_tank
    last_area = 0.0 if last_area < 1e-6 * per_tank else last_area
    last_l = last_area * volume / 10_000
    products = tuple(_in_tank(dose, per_tank, last_area, area, volume) for dose in ordered)
    liquid = math.fsum(dose.per_ha for dose in ordered if dose.unit == "l")
    if liquid > volume:
        raise LawnscoreError(
            f"the products alone are {liquid:g} l/ha, the volume sprayed {volume:g} l/ha",
            "Spray more water or check the dose.",
        )
    water = 1 - liquid / volume
    return TankPlan(
        area, volume, tank, per_tank, n_full, last_l, last_area,
        tank * water, last_l * water, products, order_from,
    )  # fmt: skip


def _in_order(doses: Sequence[Dose]) -> tuple[list[Dose], Literal["as given", "form"]]:
    for dose in doses:
        if dose.form and dose.form not in FORMS:
            raise LawnscoreError(f"form {dose.form!r} is not known", f"Use {', '.join(FORMS)}.")
        positive(f"dose of {dose.product}", dose.per_ha, f"{dose.unit}/ha")
    if all(dose.form for dose in doses):
        return sorted(doses, key=lambda dose: FORMS.index(dose.form)), "form"
    return list(doses), "as given"


def _in_tank(
    dose: Dose, per_tank_m2: float, last_m2: float, area_m2: float, volume_l_ha: float
) -> TankProduct:
    per_m2 = dose.per_ha / 10_000
    return TankProduct(
        dose.product,
        dose.unit,
        dose.form,
        per_full_tank=per_m2 * per_tank_m2,
        in_last_tank=per_m2 * last_m2,
        total=per_m2 * area_m2,
        in_jar_test=JAR_L * dose.per_ha / volume_l_ha,
    )
