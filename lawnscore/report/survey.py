"""The survey of a new customer's lawn: its state, what it would take, what to expect, what not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from babel.lists import format_list

from lawnscore.care.cautions import cautions_for
from lawnscore.care.season_steps import Figure
from lawnscore.care.seed import SAND_T_M3
from lawnscore.care.survey import MIN_JOBS, TWO_PASSES_FROM_PCT, Expected, Job, Material, Survey
from lawnscore.contract.rows import Row
from lawnscore.contract.settings import RatesSettings
from lawnscore.register.programme import Programme
from lawnscore.report.compared import SPLIT, SPLIT_FROM, split_confidence
from lawnscore.report.figures import MEASURED, interval_of
from lawnscore.report.language import Words
from lawnscore.report.leaflet import (
    Block,
    Bullets,
    Cell,
    Grid,
    Heading,
    Leaflet,
    Sentence,
    Shot,
    Shots,
    Style,
)
from lawnscore.report.load import LawnRows
from lawnscore.report.pictures import Pair
from lawnscore.report.story import place, task_words

_CAUTIONED = {"overseed": "seed"}
_OPENING = ("scarify", "hollow-tine")
OWN_FROM = 5
"""Own recoveries from which they are told in place of what is usual; as in the history."""


@dataclass(frozen=True, eq=False)
class Surveyed:
    """All that a survey speaks of.

    Parameters
    ----------
    lawn
        The lawn.
    first
        The first measured visit of each zone; a zone without one is not in it.
    plan
        What it would take.
    expected
        What the round's own renovations did.
    material
        What own scarifying brought up; ``None`` where work.csv does not tell.
    programme, rates
        The round's.
    south
        Whether it lies on the southern half.
    """

    lawn: LawnRows
    first: Mapping[str, Row]
    plan: Survey
    expected: Expected
    material: Material | None
    programme: Programme
    rates: RatesSettings
    south: bool


def first_visits(lawn: LawnRows) -> dict[str, Row]:
    """Return the first measured occasion of each zone."""
    first: dict[str, Row] = {}
    for row in lawn.visits:
        if row["photos"]:
            first.setdefault(row["zone"], row)
    return {zone: first[zone] for zone in lawn.zones if zone in first}


def figures_of_visit(visit: Row) -> dict[str, Figure]:
    """Return the known figures of a visit."""
    return {
        name: Figure(visit[name], visit[f"{name}_low"], visit[f"{name}_high"],
                     date.fromisoformat(visit["date"]))
        for name in (*MEASURED, "litter_pct")
        if visit[name] is not None
    }  # fmt: skip


def is_split(lawn: LawnRows, visit: Row) -> bool:
    """Tell whether straw and bare soil of a visit are told apart surely enough to be told."""
    sure = split_confidence(lawn, visit["zone"], [(visit["date"], visit["stage"])])
    return sure is None or sure >= SPLIT_FROM


def survey_leaflet(
    surveyed: Surveyed, words: Words, *, pictures: Mapping[str, Pair] | None = None
) -> Leaflet:
    """Return the page for a new customer."""
    lawn, first = surveyed.lawn, surveyed.first
    blocks: list[Block] = []
    for zone in lawn.zones:
        style: Style = "body" if blocks else "lead"
        blocks.append(Sentence(_state(lawn, zone, first.get(zone), words), style))
    blocks += _shots(lawn, pictures or {}, words)
    blocks += _measured(lawn, first, words)
    blocks += _take(surveyed, words)
    blocks += [Heading(words.text("survey.expect")), Bullets(_expect(surveyed, words))]
    blocks += [Heading(words.text("survey.not_cure")), Bullets(_not_cured(surveyed, words))]
    blocks += _cautions(surveyed.plan.jobs, words)
    dates = sorted({row["date"] for row in first.values()})
    dated = words.text("survey.dated", date=words.date(dates[0])) if dates else ""
    return Leaflet(
        title=words.text("survey.title", name=lawn.name),
        kicker=words.text("survey.kicker"),
        name=lawn.name,
        dated=dated,
        blocks=blocks,
        closing=[words.text("survey.closing"), words.text("headline.nineteen"),
                 words.text("customer.made")],
    )  # fmt: skip


def _state(lawn: LawnRows, zone: str, visit: Row | None, words: Words) -> str:
    name, where = "green_cover_pct", place(lawn, zone, words)
    if visit is None or visit[name] is None:
        return words.text("survey.state_unknown", place=where)
    value = words.value(name, visit[name])
    low, high = visit[f"{name}_low"], visit[f"{name}_high"]
    if low is None or high is None:
        return words.text("survey.state_plain", place=where, value=value)
    ends = {"low": words.value(name, low), "high": words.value(name, high)}
    return words.text("survey.state", place=where, value=value, **ends)


def _shots(lawn: LawnRows, pictures: Mapping[str, Pair], words: Words) -> list[Block]:
    shots = []
    for zone, pair in pictures.items():
        day = words.date(pair.after["date"])
        label = (
            words.text("survey.picture_zone", zone=zone, date=day)
            if len(lawn.zones) > 1
            else words.text("survey.picture", date=day)
        )
        alt = words.text("survey.picture_alt", date=day)
        shots.append(Shot(pair.after_jpeg, pair.width_px, pair.height_px, label, alt))
    return [Shots(shots, words.text("survey.pictures"))] if shots else []


def _measured(lawn: LawnRows, first: Mapping[str, Row], words: Words) -> list[Block]:
    if not first:
        return []
    told = {zone: is_split(lawn, visit) for zone, visit in first.items()}
    alone = len(first) == 1
    heads = [words.text("survey.figure"), *([words.text("survey.value")] if alone else first)]
    heads += [words.text("survey.meaning")] if alone else []
    rows = []
    for name in MEASURED:
        if name in SPLIT and not any(told.values()):
            continue
        cells = [Cell(words.text(f"measure.{name}"))]
        for zone, visit in first.items():
            known = visit[name] is not None and (name not in SPLIT or told[zone])
            value = words.value(name, visit[name] if known else None)
            sure = interval_of(visit, name, words) if known else ""
            cells.append(Cell(value, sure or (words.text("customer.no_range") if known else "")))
        if alone:
            meaning = f"meaning.{name}"
            cells.append(Cell("", words.text(meaning)))
        rows.append(cells)
    widths = [34.0, 44.0, 0.0] if alone else [34.0, *[0.0] * len(first)]
    return [Heading(words.text("survey.measured")), Grid(heads, rows, widths, int(alone))]


def _take(surveyed: Surveyed, words: Words) -> list[Block]:
    plan, rates = surveyed.plan, surveyed.rates
    blocks: list[Block] = [Heading(words.text("survey.take"))]
    if not plan.jobs:
        return [*blocks, Sentence(words.text("survey.take_nothing"))]
    blocks.append(Sentence(words.text("survey.take_intro"), "small"))
    with_hours = any(not math.isnan(job.hours) for job in plan.jobs)
    with_price = rates.hour_price is not None
    heads = [words.text("survey.work"), words.text("survey.amount")]
    heads += [words.text("survey.hours")] if with_hours else []
    heads += [words.text("survey.price", currency=rates.currency)] if with_price else []
    rows = [_job_row(job, surveyed, words, with_hours, with_price) for job in plan.jobs]
    if not math.isnan(plan.visit_h) and with_hours:
        price = plan.visit_h * rates.hour_price if rates.hour_price is not None else math.nan
        rows.append(_sum_row("visit", plan.visit_h, price, words, with_price))
    if with_hours:
        without = dict.fromkeys(_name(job, words) for job in plan.jobs if _labour_only(job))
        said = str(format_list(list(without), locale=words.locale))
        small = words.text("survey.total_without", tasks=said) if without else ""
        rows.append(_sum_row("total", plan.hours, plan.price, words, with_price, small))
    blocks.append(
        Grid(
            heads,
            rows,
            [66.0 if with_hours else 88.0, 0.0, *[18.0] * with_hours, *[32.0] * with_price],
        )
    )
    notes = _notes(plan.jobs, words)
    if any(row["area_m2"] is None for row in surveyed.lawn.register):
        notes.append(words.text("survey.no_area"))
    if not with_hours and not with_price:
        notes.append(words.text("survey.no_hours"))
    elif not with_price:
        notes += [words.text("survey.hours_by"), words.text("survey.no_price")]
    else:
        notes.append(words.text("survey.hours_by"))
    return [*blocks, Sentence(" ".join(notes), "small")]


def _notes(jobs: Sequence[Job], words: Words) -> list[str]:
    """Return where the amounts of these jobs come from."""
    notes, tasks = [], {job.task for job in jobs}
    if "scarify" in tasks:
        notes.append(words.text("survey.passes_by", straw=words.number(TWO_PASSES_FROM_PCT)))
    if "top-dress" in tasks:
        notes.append(words.text("survey.sand_by", sand=words.number(SAND_T_M3, 1)))
    return notes


def _job_row(
    job: Job, surveyed: Surveyed, words: Words, with_hours: bool, with_price: bool
) -> list[Cell]:
    name = _name(job, words)
    name = name[:1].upper() + name[1:]
    if len(surveyed.lawn.zones) > 1:
        name += f", “{job.zone}”" if words.language != "de" else f", „{job.zone}“"
    cells = [Cell(name, _because(job, surveyed, words)), Cell("", _amount(job, surveyed, words))]
    cells += [Cell("", _hours(job.hours, words))] if with_hours else []
    if with_price:
        small = words.text("survey.labour_only") if _labour_only(job) else ""
        cells.append(Cell("", f"{_money(job.price, words)} {small}".strip()))
    return cells


def _name(job: Job, words: Words) -> str:
    return words.text("survey.cart_off") if job.task == "cart off" else task_words(job.task, words)


def _labour_only(job: Job) -> bool:
    return job.no_material_price and not math.isnan(job.price)


def _because(job: Job, surveyed: Surveyed, words: Words) -> str:
    if job.task == "cart off":
        return ""
    visit = surveyed.first[job.zone]
    if not job.measure:
        return words.text("survey.general")
    if job.task == "overseed" and job.sure == "with":
        return words.text("survey.with")
    fields = {
        "name": words.text(f"measure.{job.measure}"),
        "value": words.value(job.measure, visit[job.measure]),
    }
    if job.measure in SPLIT and not is_split(surveyed.lawn, visit):
        return words.text("survey.unsure", name=fields["name"])
    return words.text("survey.open" if job.sure == "open" else "survey.because", **fields)


def _amount(job: Job, surveyed: Surveyed, words: Words) -> str:
    if job.task == "scarify":
        return words.counted("survey.passes", job.passes)
    if job.task == "hollow-tine":
        return words.text("survey.core")
    if math.isnan(job.amount):
        return words.text("unit.unknown")
    if job.task == "cart off":
        return _material(job, surveyed.material, words)
    if job.task == "overseed":
        return words.text("survey.seed", kg=words.number(job.amount, 1))
    if job.task == "top-dress":
        fields = {"litres": words.number(job.litres), "tonnes": words.number(job.amount, 2)}
        return words.text("survey.dressing", **fields)
    kg = words.number(job.amount, 2)
    if math.isnan(job.product_kg) or not job.product:
        return words.text("survey.feed_n", kg=kg)
    product_kg = words.number(job.product_kg, 1)
    return words.text("survey.feed_product", kg=kg, product_kg=product_kg, product=job.product)


def _material(job: Job, material: Material | None, words: Words) -> str:
    unit = words.text(f"survey.unit_{job.unit}")
    fields = {"amount": words.number(job.amount), "unit": unit}
    if material is None or material.n < MIN_JOBS:
        return words.text("survey.material", **fields)
    fields |= {"low": words.number(job.low), "high": words.number(job.high)}
    return words.text("survey.material_spread", n=words.number(material.n), **fields)


def _sum_row(
    key: str, hours: float, price: float, words: Words, with_price: bool, small: str = ""
) -> list[Cell]:
    cells = [Cell(words.text(f"survey.{key}"), small), Cell(""), Cell("", _hours(hours, words))]
    return [*cells, Cell("", _money(price, words))] if with_price else cells


def _hours(hours: float, words: Words) -> str:
    if math.isnan(hours):
        return words.text("unit.unknown")
    return words.text("survey.hours_value", value=words.number(hours, 1))


def _money(price: float, words: Words) -> str:
    return words.text("unit.unknown") if math.isnan(price) else words.number(price, 2)


def _expect(surveyed: Surveyed, words: Words) -> list[str]:
    tasks = [job.task for job in surveyed.plan.jobs]
    expected, lines = surveyed.expected, []
    if any(task in _OPENING for task in tasks):
        lines.append(words.text("survey.worst"))
        if expected.n:
            fields = {
                "before": words.number(expected.before),
                "after": words.number(expected.after),
                "low": words.number(expected.after_low),
                "high": words.number(expected.after_high),
                "n": words.number(expected.n),
            }
            lines.append(words.text("survey.own_dip", **fields))
        lines.append(_coming_back(expected, words))
    elif tasks:
        lines.append(words.text("survey.no_opening"))
    if "overseed" in tasks:
        lines.append(words.text("survey.seedlings"))
    lines += _when(surveyed, words)
    return [*lines, words.text("survey.watch")]


def _coming_back(expected: Expected, words: Words) -> str:
    if expected.n_days < OWN_FROM:
        return words.text("survey.usual_days")
    fields = {
        "days": words.number(expected.days),
        "low": words.number(expected.days_low),
        "high": words.number(expected.days_high),
        "n": words.number(expected.n_days),
    }
    return words.text("survey.own_days", **fields)


def _when(surveyed: Surveyed, words: Words) -> list[str]:
    """Return the months of the programme for each task that is proposed."""
    by_months: dict[tuple[int, ...], list[str]] = {}
    for task in dict.fromkeys(job.task for job in surveyed.plan.jobs):
        steps = [step for step in surveyed.programme.steps if step.task == task]
        months = {m for s in steps for m in surveyed.programme.months(s, south=surveyed.south)}
        if months and task != "feed":
            by_months.setdefault(_in_season(months), []).append(task)
    lines = []
    for months_told, tasks in by_months.items():
        names = [words.date_pattern(f"2025-{month:02d}-01", "LLLL") for month in months_told]
        said = str(format_list(names, locale=words.locale))
        lines.append(words.text("survey.when", task=task_words(", ".join(tasks), words),
                                months=said))  # fmt: skip
    return lines


def _in_season(months: set[int]) -> tuple[int, ...]:
    """Return months in the order in which they follow each other, over the turn of the year."""
    starts = [m for m in sorted(months) if (m - 2) % 12 + 1 not in months] or [min(months)]
    return tuple(m for k in range(12) if (m := (starts[-1] + k - 1) % 12 + 1) in months)


def _not_cured(surveyed: Surveyed, words: Words) -> list[str]:
    register = surveyed.lawn.register
    keys = []
    if any(row["shade"] in ("part", "full") for row in register):
        keys.append("shade")
    if any(row["drainage"] in ("fair", "poor") for row in register):
        keys.append("drainage")
    if any(row["slope"] == "steep" for row in register):
        keys.append("slope")
    if any((visit["casts_per_m2"] or 0.0) >= 1.0 for visit in surveyed.first.values()):
        keys.append("casts")
    keys += ["moss", "wear", "disease", "soil"]
    return [words.text(f"survey.not_{key}") for key in keys]


def _cautions(jobs: Sequence[Job], words: Words) -> list[Block]:
    tasks = {_CAUTIONED.get(job.task, job.task) for job in jobs}
    texts = [words.text(f"caution.{caution.word}") for caution in cautions_for(tasks)]
    if not texts:
        return []
    return [Sentence(f"{words.text('survey.cautions')}: {' '.join(texts)}", "small")]
