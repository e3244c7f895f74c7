"""What a step of the programme takes: feed, seed and top-dressing for a zone."""

from __future__ import annotations

import math
from datetime import date

import pandas as pd

from lawnscore.care.feed import ANNUAL_N_G_M2, dose_warnings
from lawnscore.care.seed import seed_kg, top_dressing
from lawnscore.care.units import significant
from lawnscore.care.visit_amounts import Amount, Fed, FedRecord, last_fed
from lawnscore.care.visit_reasons import Place
from lawnscore.register.programme import Step

HOME = ANNUAL_N_G_M2["home lawn, low wear"]


def step_amount(
    step: Step, place: Place, area_m2: float, fed: FedRecord, day: date
) -> Amount | None:
    """Return the amount of a step on a zone; ``None`` where the step has no rate.

    Parameters
    ----------
    area_m2
        Area of the zone; NaN when it is not known, and the amount is then by the m2 alone.
    fed
        What was fed: its last label turns N into product, and its year is added to.
    """
    if step.rate is None:
        return None
    over = f" x {significant(area_m2, 4)} m2 = " if area_m2 > 0 else ""
    unknown = "" if over else " (area_m2 is missing in lawns.csv)"
    rate = significant(step.rate, 3)
    if step.rate_unit == "mm":
        text = f"{rate} mm{unknown}"
        if over:
            dressing = top_dressing(area_m2, step.rate)
            text = f"{rate} mm{over}{significant(dressing.litres, 3)} l, about "
            text += f"{significant(dressing.tonnes, 2)} t of dry sand"
            text = "; ".join([text, *(w.rstrip(".") for w in dressing.warnings)])
        return Amount(f"{step.name}: {text}.", (step.task,))
    if step.rate_unit == "g/m2":
        kg = f"{over}{significant(seed_kg(step.rate, area_m2), 3)} kg" if over else unknown
        tasks = ("seed",) if step.task == "overseed" else (step.task,)
        return Amount(f"{step.name}: {rate} g/m2{kg}.", tasks)
    return _feed(step, place, area_m2, fed, day)


def _feed(step: Step, place: Place, area_m2: float, fed: FedRecord, day: date) -> Amount:
    rate = step.rate or 0.0
    own = fed.by_place.get(place)
    text = f"{step.name}: N {significant(rate, 3)} g/m2"
    if area_m2 > 0:
        text += f" x {significant(area_m2, 4)} m2 = {significant(rate * area_m2 / 1000, 3)} kg N"
    else:
        text += " (area_m2 is missing in lawns.csv)"
    label = _last_whole(own, fed)
    tasks: tuple[str, ...] = ("feed",)
    if label is None:
        text += "; divide by the N of your product's label for its amount"
    else:
        share = label.n_g_m2 / label.product_g_m2
        product = rate / share
        name = label.product or "the product used before"
        text += f"; of {name} ({significant(100 * share, 3)} % N) {significant(product, 3)} g/m2"
        text += f", {significant(product * area_m2 / 1000, 3)} kg" if area_m2 > 0 else ""
        tasks = ("feed", "iron") if label.fe_g_m2 > 0 else tasks
    so_far = 0.0
    if own is not None:
        so_far = float(own.loc[own["date"].str[:4] == str(day.year), "n_g_m2"].sum())
    text += f"; {significant(so_far, 3)} g/m2 of N on record this year"
    text += f" (published for a year: {HOME.low:g} to {HOME.high:g})"
    text += ", which this would exceed" if so_far + rate > HOME.high else ""
    text = "; ".join([text, *(warning.rstrip(".") for warning in dose_warnings(rate))])
    return Amount(f"{text}.", tasks)


def _last_whole(own: pd.DataFrame | None, fed: FedRecord) -> Fed | None:
    """Return the last feed of the zone, else of the round, whose product and N are on record."""
    row = fed.last_whole
    if own is not None:
        whole = own[own["product_g_m2"].notna() & (own["n_g_m2"] > 0)]
        row = last_fed(whole) or row
    usable = row is not None and not math.isnan(row.product_g_m2) and row.n_g_m2 > 0
    return row if usable else None
