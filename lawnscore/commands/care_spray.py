"""`lawnscore care spray` and `mix`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from lawnscore.commands.care_output import GALLON, JSON, gallon_of, show
from lawnscore.contract.errors import LawnscoreError

if TYPE_CHECKING:
    from lawnscore.care.sprayer import Dose, TankPlan
    from lawnscore.care.units import Gallon


def register(care: typer.Typer) -> None:
    """Add the commands about spraying."""
    care.command("spray")(care_spray)
    care.command("mix")(care_mix)


def care_spray(
    width: str = typer.Option(..., "--width", help="Width covered, such as '0.5 m'."),
    flow: str | None = typer.Option(None, "--flow", help="Flow of all nozzles: '0.8 l/min'."),
    catch: list[str] | None = typer.Option(None, "--catch", help="One nozzle: '400 ml'; repeat."),
    time: str | None = typer.Option(None, "--time", help="Time of the catch: '30 s'."),
    speed: str | None = typer.Option(None, "--speed", help="Speed, such as '4 km/h'."),
    course: str | None = typer.Option(None, "--course", help="Paced course, such as '50 m'."),
    course_time: str | None = typer.Option(None, "--course-time", help="Time for it: '45 s'."),
    water: str | None = typer.Option(None, "--water", help="Volume wanted: '400 l/ha'."),
    gallon: str | None = GALLON,
    as_json: bool = JSON,
) -> None:
    """Volume sprayed from flow (or a timed catch), speed (or a paced course) and width."""
    from lawnscore.care.sprayer import speed_for, water_volume_l_ha
    from lawnscore.care.units import read_quantity, significant

    which = gallon_of(gallon)
    width_m = read_quantity(width, "length", what="width")
    l_min, steps, warnings = _flow(flow, catch, time, which)
    km_h, more = _speed(speed, course, course_time)
    steps += more
    volume = water_volume_l_ha(l_min, km_h, width_m)
    how = (
        f"600 x {significant(l_min)} l/min / ({significant(km_h)} km/h x {significant(width_m)} m)"
    )
    steps.append(("volume sprayed", how, f"{significant(volume)} l/ha"))
    steps.append(("", "10 000 m2 a hectare", f"{significant(volume / 100)} l/100 m2"))
    result: dict[str, Any] = {
        "water_l_ha": volume,
        "flow_l_min": l_min,
        "speed_km_h": km_h,
        "width_m": width_m,
    }
    if water is not None:
        wanted = read_quantity(water, "volume rate", what="water", gallon=which) * 10_000
        result["speed_for_wanted_km_h"] = speed_for(wanted, l_min, width_m)
        how = f"for {significant(wanted)} l/ha with this flow"
        steps.append(("speed", how, f"{significant(result['speed_for_wanted_km_h'], 3)} km/h"))
    show(result, steps, title="Sprayer", as_json=as_json, warnings=warnings, jobs=["spray"])


def care_mix(
    products: list[str] = typer.Argument(
        help="NAME=DOSE in label order: 'feed=20 l/ha'; with a form: 'feed=20 l/ha:solution'."
    ),
    area: str = typer.Option(..., "--area", help="Area to spray, such as '500 m2'."),
    water: str = typer.Option(..., "--water", help="Volume sprayed, such as '400 l/ha'."),
    tank: str = typer.Option(..., "--tank", help="What the tank holds, such as '15 l'."),
    gallon: str | None = GALLON,
    as_json: bool = JSON,
) -> None:
    """Products and water for each tank and the part tank, in the order they go in."""
    from lawnscore.care.sprayer import plan_tanks
    from lawnscore.care.units import read_quantity

    which = gallon_of(gallon)
    plan = plan_tanks(
        [_dose(text, which) for text in products],
        area_m2=read_quantity(area, "area", assumed="m2"),
        water_l_ha=read_quantity(water, "volume rate", what="water", gallon=which) * 10_000,
        tank_l=read_quantity(tank, "volume", what="tank", gallon=which),
    )
    jobs = ["spray", "mix"] if len(plan.products) > 1 else ["spray"]
    notes = []
    if len(plan.products) > 1 and plan.order_from == "as given":
        notes.append("The products stand in the order you gave: check it against their labels.")
    result = {**vars(plan), "products": [vars(product) for product in plan.products]}
    show(result, _mix_steps(plan), title="Tank", as_json=as_json, warnings=notes, jobs=jobs)


def _flow(
    flow: str | None, catch: list[str] | None, time: str | None, gallon: Gallon | None
) -> tuple[float, list[tuple[str, str, str]], list[str]]:
    from lawnscore.care.sprayer import nozzle_catch
    from lawnscore.care.units import read_quantity, significant

    if (flow is None) == (not catch):
        raise LawnscoreError("the flow is missing", "Give either --flow or --catch with --time.")
    if flow is not None:
        return read_quantity(flow, "flow", gallon=gallon), [], []
    if time is None:
        raise LawnscoreError("the time of the catch is missing", "Give --time, such as '30 s'.")
    seconds = read_quantity(time, "time")
    caught_ml = [
        read_quantity(c, "volume", what="catch", gallon=gallon) * 1000 for c in catch or ()
    ]
    found = nozzle_catch(caught_ml, seconds)
    how = f"({' + '.join(significant(ml) for ml in caught_ml)}) ml in {significant(seconds)} s"
    warnings = [
        f"Nozzle {number} differs from the others by more than 10 %: clean or renew it."
        for number in found.to_clean
    ]
    return found.flow_l_min, [("flow", how, f"{significant(found.flow_l_min)} l/min")], warnings


def _speed(
    speed: str | None, course: str | None, course_time: str | None
) -> tuple[float, list[tuple[str, str, str]]]:
    from lawnscore.care.sprayer import walking_speed_km_h
    from lawnscore.care.units import read_quantity, significant

    if speed is not None:
        return read_quantity(speed, "speed"), []
    if course is None or course_time is None:
        raise LawnscoreError(
            "the speed is missing", "Give --speed, or --course with --course-time."
        )
    metres = read_quantity(course, "length", what="course")
    seconds = read_quantity(course_time, "time", what="course-time")
    found = walking_speed_km_h(metres, seconds)
    how = f"{significant(metres)} m in {significant(seconds)} s"
    return found, [("speed", how, f"{significant(found)} km/h")]


def _dose(text: str, gallon: Gallon | None) -> Dose:
    from lawnscore.care.sprayer import Dose
    from lawnscore.care.units import read_quantity

    name, separator, rest = text.partition("=")
    if not separator or not name.strip():
        raise LawnscoreError(f"{text!r} is no product and dose", "Write NAME=DOSE: 'feed=20 l/ha'.")
    amount, _, form = rest.partition(":")
    name, what = name.strip(), f"dose of {name.strip()}"
    try:
        litres = read_quantity(amount, "volume rate", what=what, gallon=gallon)
    except LawnscoreError as volume_error:
        if "is no unit of" not in volume_error.what:
            raise
        kg_ha = read_quantity(amount, "mass rate", what=what) * 10
        return Dose(name, kg_ha, "kg", form.strip())
    return Dose(name, litres * 10_000, "l", form.strip())


def _mix_steps(plan: TankPlan) -> list[tuple[str, str, str]]:
    from lawnscore.care.units import significant

    def amount(value: float, unit: str) -> str:
        small = {"l": "ml", "kg": "g"}[unit]
        return (
            f"{significant(value)} {unit}" if value >= 1 else f"{significant(value * 1000)} {small}"
        )

    steps = [
        ("a tank covers", f"{plan.tank_l:g} l / {significant(plan.water_l_ha)} l/ha",
         f"{significant(plan.area_per_tank_m2)} m2"),
        ("tanks", f"{significant(plan.area_m2)} m2 to spray",
         f"{plan.n_full_tanks} full"
         + (f" + {significant(plan.last_tank_l)} l for the last {significant(plan.last_area_m2)} m2"
            if plan.last_tank_l else "")),
        ("1. water", "half of it first", f"{significant(plan.water_per_full_tank_l)} l a full tank"
         + (f", {significant(plan.water_in_last_tank_l)} l in the last"
            if plan.last_tank_l else "")),
    ]  # fmt: skip
    for place, product in enumerate(plan.products, 2):
        parts = [f"{amount(product.per_full_tank, product.unit)} a full tank"]
        if plan.last_tank_l:
            parts.append(f"{amount(product.in_last_tank, product.unit)} in the last")
        how = product.form or "rest of the water after the last"
        if len(plan.products) > 1:
            how = f"jar test: {amount(product.in_jar_test, product.unit)} in 1 l"
            how += f" ({product.form})" if product.form else ""
        steps.append((f"{place}. {product.product}", how, ", ".join(parts)))
    return steps
