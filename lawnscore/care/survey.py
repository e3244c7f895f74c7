"""What it would take to put a lawn right: passes, material, seed, dressing, feed, hours, price.

What is proposed follows the round's programme: a step's measure and value, and its rate. Hours and
prices are the user's own (`[rates]` in round.toml); what is not given there is not known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import pandas as pd

from lawnscore.care.season_steps import Figure
from lawnscore.care.seed import SAND_T_M3, seed_kg, top_dressing
from lawnscore.care.visit_amounts import FedRecord
from lawnscore.care.visit_reasons import records
from lawnscore.contract.rows import Row
from lawnscore.contract.settings import RatesSettings
from lawnscore.register.programme import Programme, Step

PROPOSED = ("scarify", "hollow-tine", "overseed", "top-dress", "feed")
"""Tasks that a survey proposes, in the order of the work."""
TWO_PASSES_FROM_PCT = 20.0
"""Straw cover from which scarifying takes two crossing passes: common practice, no source."""
MIN_JOBS = 3
"""Own jobs from which their spread is told; our choice."""

Sure = Literal["calls", "open", "with", "no", "unknown"]
"""Whether a figure calls for a step, leaves it open, it goes with another job, the figure does not
call for it, or is not known."""


@dataclass(frozen=True)
class Material:
    """What scarifying brought up in the round's own jobs, per m2 and pass, in one unit."""

    unit: str
    per_m2: float
    low: float
    high: float
    n: int


@dataclass(frozen=True)
class Job:
    """One job on one zone. What is not known is NaN, 0 is none.

    Parameters
    ----------
    zone, task
        Where and what; the task ``cart off`` takes away what scarifying brings up.
    sure
        Whether the figure calls for it or leaves it open.
    measure
        Measure that asks for it; empty when it goes with another job.
    passes
        Passes of the scarifier; 0 for other tasks.
    amount, unit, low, high
        How much of what: ``kg`` seed, ``l``, ``boxes`` or ``kg`` of material, ``t`` of dressing,
        ``kg N``. ``low`` and ``high`` are the spread of own jobs, NaN where there is none.
    litres, product_kg, product
        Volume of a dressing; feed by the last label on record.
    hours, price
        By the user's rates.
    no_material_price
        Whether the price is of the hours alone, since the material's is not given.
    """

    zone: str
    task: str
    sure: Sure
    measure: str = ""
    passes: int = 0
    amount: float = math.nan
    unit: str = ""
    low: float = math.nan
    high: float = math.nan
    litres: float = math.nan
    product_kg: float = math.nan
    product: str = ""
    hours: float = math.nan
    price: float = math.nan
    no_material_price: bool = False


@dataclass(frozen=True)
class Survey:
    """All jobs of a lawn, and their sums; a sum with an unknown part is not known (NaN)."""

    jobs: tuple[Job, ...]
    visit_h: float
    hours: float
    price: float


def survey(
    zones: Mapping[str, tuple[float, Mapping[str, Figure]]],
    programme: Programme,
    rates: RatesSettings,
    *,
    material: Material | None = None,
    fed: FedRecord | None = None,
    sowing: tuple[str, float] | None = None,
) -> Survey:
    """Return what it would take to put a lawn right.

    Parameters
    ----------
    zones
        Area in m2 (NaN when not known) and figures by measure, of each zone.
    programme
        Says which measure asks for what, and at which rate.
    rates
        The user's own hours and prices.
    material
        What scarifying brought up in own jobs (:func:`material_of`).
    fed
        What was fed on the round: its last label turns N into product.
    sowing
        Seed and rate of the round's last oversowing, in place of the programme's rate.

    Notes
    -----
    Work is proposed whatever the month: the months of a step say when. A zone that is scarified
    is sown too (common practice, no source), where the programme has a step for it.
    """
    known = _Known(rates, material, fed, sowing)
    jobs = []
    for zone, (area, figures) in zones.items():
        jobs += _jobs(_Zone(zone, area, figures), programme, known)
    visit = _or_nan(rates.visit_h)
    hours = math.fsum([visit, *(job.hours for job in jobs)]) if jobs else math.nan
    price = math.nan
    if rates.hour_price is not None and jobs:
        price = math.fsum([visit * rates.hour_price, *(job.price for job in jobs)])
    return Survey(tuple(jobs), visit, hours, price)


def asked_for(step: Step, figures: Mapping[str, Figure]) -> Sure:
    """Return whether a zone's figure calls for a step; one without a condition always is."""
    wanted = step.only_if
    if wanted is None:
        return "calls"
    figure = figures.get(wanted.measure)
    if figure is None:
        return "unknown"
    low = figure.value if figure.low is None else figure.low
    high = figure.value if figure.high is None else figure.high
    limits = [(wanted.above, 1), (wanted.below, -1)]
    beyond = [_side(figure.value, low, high, at, way) for at, way in limits if at is not None]
    if "no" in beyond:
        return "no"
    # one photo tells no interval: its figure calls, and nothing says how surely
    return "open" if "open" in beyond or figure.low is None else "calls"


def _side(value: float, low: float, high: float, limit: float, way: int) -> Sure:
    """Return on which side of a limit a figure lies, and whether its interval leaves that open."""
    if way * value <= way * limit:
        return "no"
    return "open" if low <= limit <= high else "calls"


def material_of(work: pd.DataFrame, lawns: pd.DataFrame) -> Material | None:
    """Return what one pass of scarifying brought up per m2, from work.csv; ``None`` if unknown.

    Of several units the one with most jobs is taken; the middle is their median.
    """
    areas = {(r["lawn"], r["zone"]): r["area_m2"] for r in records(lawns)}
    found: dict[str, list[float]] = {}
    for row in records(work):
        area = row["area_m2"] or areas.get((row["lawn"], row["zone"]))
        off, unit = row["material_off"], row["material_unit"]
        if row["task"] == "scarify" and off is not None and unit is not None and area:
            found.setdefault(unit, []).append(float(off) / float(area) / (row["passes"] or 1))
    if not found:
        return None
    unit, each = max(found.items(), key=lambda item: len(item[1]))
    return Material(unit, median(each), min(each), max(each), len(each))


@dataclass(frozen=True, eq=False)
class _Zone:
    name: str
    area_m2: float
    figures: Mapping[str, Figure]


@dataclass(frozen=True, eq=False)
class _Known:
    """What the user set, and what the round's record tells."""

    rates: RatesSettings
    material: Material | None
    fed: FedRecord | None
    sowing: tuple[str, float] | None


def _jobs(zone: _Zone, programme: Programme, known: _Known) -> list[Job]:
    jobs: list[Job] = []
    for task in PROPOSED:
        steps = [step for step in programme.steps if step.task == task]
        told = [(asked_for(step, zone.figures), step) for step in steps]
        told = [(sure, step) for sure, step in told if sure in ("calls", "open")]
        opened = any(job.task in ("scarify", "hollow-tine") for job in jobs)
        if not told and task == "overseed" and opened and steps:
            told = [("with", steps[0])]
        if not told:
            continue
        sure, step = min(told, key=lambda one: one[0] == "open")
        measure = step.only_if.measure if step.only_if is not None else ""
        jobs += _WORK[task](Job(zone.name, task, sure, measure), step, zone, known)
    return jobs


def _scarified(job: Job, step: Step, zone: _Zone, known: _Known) -> list[Job]:
    straw = zone.figures.get("straw_cover_pct")
    passes = 2 if straw is not None and straw.value >= TWO_PASSES_FROM_PCT else 1
    hours = _or_nan(known.rates.scarify_h_100_m2) * zone.area_m2 / 100 * passes
    work = _priced(replace(job, passes=passes, hours=hours), known.rates, 0.0)
    off = replace(job, task="cart off")
    return [work, _carted(off, zone.area_m2 * passes, known.rates, known.material)]


def _tined(job: Job, step: Step, zone: _Zone, known: _Known) -> list[Job]:
    return [_priced(replace(job, passes=1), known.rates, 0.0)]


def _sown(job: Job, step: Step, zone: _Zone, known: _Known) -> list[Job]:
    product, rate = known.sowing if known.sowing is not None else ("", step.rate or math.nan)
    area = zone.area_m2
    kg = seed_kg(rate, area) if area > 0 and rate > 0 else math.nan
    hours = _or_nan(known.rates.seed_h_100_m2) * area / 100
    done = replace(job, amount=kg, unit="kg", hours=hours, product=product)
    return [_priced(done, known.rates, kg * _or_nan(known.rates.seed_price_kg))]


def _dressed(job: Job, step: Step, zone: _Zone, known: _Known) -> list[Job]:
    rates, area = known.rates, zone.area_m2
    done = replace(job, unit="t", hours=_or_nan(rates.top_dress_h_100_m2) * area / 100)
    if area > 0 and step.rate is not None and step.rate_unit == "mm":
        dressing = top_dressing(area, step.rate, bulk_density_t_m3=SAND_T_M3)
        done = replace(done, amount=dressing.tonnes, litres=dressing.litres)
    return [_priced(done, rates, done.amount * _or_nan(rates.top_dressing_price_t))]


def _fed(job: Job, step: Step, zone: _Zone, known: _Known) -> list[Job]:
    rates, area = known.rates, zone.area_m2
    n_kg = (step.rate or math.nan) * area / 1000 if step.rate_unit == "g N/m2" else math.nan
    product, share = _label(known.fed)
    done = replace(job, amount=n_kg, unit="kg N", product=product, product_kg=n_kg / share)
    done = replace(done, hours=_or_nan(rates.feed_h_100_m2) * area / 100)
    return [_priced(done, rates, done.product_kg * _or_nan(rates.feed_price_kg))]


_WORK = {
    "scarify": _scarified,
    "hollow-tine": _tined,
    "overseed": _sown,
    "top-dress": _dressed,
    "feed": _fed,
}


def _carted(job: Job, m2_passes: float, rates: RatesSettings, material: Material | None) -> Job:
    """Return the job of taking the material away: by own jobs, else by the rate of round.toml."""
    if material is not None:
        job = replace(job, amount=material.per_m2 * m2_passes, unit=material.unit)
        if material.n >= MIN_JOBS:
            job = replace(job, low=material.low * m2_passes, high=material.high * m2_passes)
    elif rates.cart_off_l_m2 is not None:
        job = replace(job, amount=rates.cart_off_l_m2 * m2_passes, unit="l")
    litres = {"l": 1.0, "boxes": _or_nan(rates.box_l)}.get(job.unit, math.nan)
    m3 = job.amount * litres / 1000
    job = replace(job, hours=m3 * _or_nan(rates.cart_off_h_m3))
    return _priced(job, rates, m3 * _or_nan(rates.cart_off_price_m3))


def _priced(job: Job, rates: RatesSettings, material_price: float) -> Job:
    if rates.hour_price is None:
        return job
    labour = job.hours * rates.hour_price
    if math.isnan(material_price):
        return replace(job, price=labour, no_material_price=True)
    return replace(job, price=labour + material_price)


def _label(fed: FedRecord | None) -> tuple[str, float]:
    """Return name and share of N of the round's last feed on record; NaN where there is none."""
    last = None if fed is None else fed.last_whole
    if last is None or not last.n_g_m2 > 0:
        return "", math.nan
    return last.product, last.n_g_m2 / last.product_g_m2


def _or_nan(rate: float | None) -> float:
    return math.nan if rate is None else rate


@dataclass(frozen=True)
class Expected:
    """What the round's own renovations did; ``n`` of them, NaN where there are none.

    ``before`` and ``after`` are the median green cover in % before and just after the work,
    ``after_low`` and ``after_high`` its spread, ``days`` the median days to 95 % of the cover
    before and their spread.
    """

    n: int
    before: float
    after: float
    after_low: float
    after_high: float
    n_days: int
    days: float
    days_low: float
    days_high: float


def expected_of(recoveries: Sequence[Row]) -> Expected:
    """Return what the rows of recovery.csv let one expect."""
    done = [r for r in recoveries if None not in (r["cover_before"], r["cover_after"])]
    after = [float(r["cover_after"]) for r in done]
    days = [float(r["days_to_95"]) for r in recoveries if r["days_to_95"] is not None]
    nan = math.nan
    return Expected(
        len(done),
        median(float(r["cover_before"]) for r in done) if done else nan,
        median(after) if after else nan,
        min(after, default=nan),
        max(after, default=nan),
        len(days),
        median(days) if days else nan,
        min(days, default=nan),
        max(days, default=nan),
    )
