"""What a visit takes: feed and seed for a zone, from what was used before, if the season allows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from lawnscore.care.cautions import FROST_C, HEAVY_RAIN_MM
from lawnscore.care.feed import ANNUAL_N_G_M2, dose_warnings
from lawnscore.care.seed import seed_kg
from lawnscore.care.units import significant, unit_factor
from lawnscore.care.visit_reasons import Place, records
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import HistorySettings

GROWING = 0.25
"""Growth potential from which feeding and sowing are worth it (about 11 degrees C); our choice."""
RESTING = 0.10
"""Growth potential under which growth rests (about 8 degrees C); our choice."""
FEED_GAP_DAYS = 42
"""Days between feeds; common practice, the label decides."""
RECENT_DAYS = 14
STALE_DAYS = 30
_GROWING_MONTHS = range(4, 11)  # April to October, northern


@dataclass(frozen=True)
class Season:
    """Whether grass grows on a day: growth potential (NaN when unknown), and how it is known."""

    growth: float
    growing: bool
    resting: bool
    words: str
    frozen: bool = False


@dataclass(frozen=True)
class Amount:
    """One line of a visit's amounts, and the tasks whose cautions belong to it."""

    text: str
    tasks: tuple[str, ...] = ()


def season_on(
    day: date, weather: pd.DataFrame | None, settings: HistorySettings | None = None
) -> Season:
    """Return the season of a day, from the weather of the two weeks before, else the calendar."""
    from lawnscore.history.season import day_of_year, growth_potential, read_weather

    options = settings or HistorySettings()
    known = read_weather(weather)
    if known is None:
        month = (day.month + (6 if options.hemisphere == "south" else 0) - 1) % 12 + 1
        growing = month in _GROWING_MONTHS
        words = "growing season by the calendar" if growing else "out of season by the calendar"
        return Season(math.nan, growing, not growing, words)
    number = (day - date(1970, 1, 1)).days
    last = min(number, known.last_day)
    recent = known.mean_c[
        max(last - RECENT_DAYS + 1 - known.first_day, 0) : last + 1 - known.first_day
    ]
    if number - known.last_day > STALE_DAYS or not len(recent):
        usual = float(known.usual_c[int(day_of_year(np.array([number]))[0]) - 1])
        recent, words = np.array([usual]), "by the usual temperature of the day"
    else:
        words = f"by the weather up to {date(1970, 1, 1) + timedelta(days=last)}"
    growth = float(growth_potential(recent).mean())
    frozen = number - last <= 3 and bool((recent[-3:] <= FROST_C).any())
    return Season(
        growth,
        growth >= GROWING,
        growth < RESTING,
        f"growth potential {growth:.2f} {words}",
        frozen,
    )


def feed_amounts(
    places: Mapping[Place, float], fed: pd.DataFrame, day: date, season: Season
) -> dict[Place, Amount]:
    """Return the feed line of each zone that is due one; zones not due are left out.

    ``fed`` is the table of :func:`lawnscore.care.feed_record.applications`. The product and rate
    are those last recorded on the zone, else on the round. Where they are not recorded whole, the
    line says what is needed to compute the amount.
    """
    if fed.empty or not season.growing:
        return {}
    fed = fed[fed["date"] <= day.isoformat()]
    whole = fed[fed["product_g_m2"].notna() & fed["n_g_m2"].notna()]
    out = {}
    for place, area in places.items():
        own = fed[(fed["lawn"] == place[0]) & (fed["zone"] == place[1])]
        if len(own) and (day - date.fromisoformat(str(own["date"].max()))).days < FEED_GAP_DAYS:
            continue
        usable = whole[(whole["lawn"] == place[0]) & (whole["zone"] == place[1])]
        usable = usable if len(usable) else whole
        if usable.empty:
            need = "the label (n_pct, p2o5_pct, k2o_pct), rate and rate_unit of a feed in work.csv"
            out[place] = Amount(f"feed: to compute the amount write {need}.", ("feed",))
            continue
        out[place] = _feed_line(usable.iloc[-1], own, area, day, season)
    return out


def seed_amounts(
    places: Mapping[Place, float], sowing: tuple[str, float] | None, season: Season
) -> dict[Place, Amount]:
    """Return the seed line of each zone, by the seed and rate of :func:`last_sowing`."""
    if not season.growing:
        note = f"seed: not now ({season.words}); note the thin places for the next season."
        return {place: Amount(note) for place in places}
    out = {}
    for place, area in places.items():
        if sowing is None:
            out[place] = Amount(
                "seed: to compute the amount write an overseed with rate, rate_unit in work.csv.",
                ("seed",),
            )
            continue
        what, rate = sowing
        text = f"seed: {what} at {significant(rate, 3)} g/m2 on the thin places"
        if area > 0:
            kg = significant(seed_kg(rate, area), 3)
            text += f"; {kg} kg would sow all {significant(area, 4)} m2"
        out[place] = Amount(f"{text}.", ("seed",))
    return out


def last_sowing(work: pd.DataFrame | None) -> tuple[str, float] | None:
    """Return seed and rate, g/m2, of the round's last oversowing that recorded them."""
    sown = [row for row in records(work) if row["task"] == "overseed" and row["rate"] is not None]
    rated = [(row, _g_m2(row)) for row in sorted(sown, key=lambda row: str(row["date"]))]
    rated = [(row, rate) for row, rate in rated if rate > 0]
    return (str(rated[-1][0]["product"] or "seed"), rated[-1][1]) if rated else None


def heavy_rain(weather: pd.DataFrame | None, day: date) -> str:
    """Return a warning when weather.csv holds heavy rain on a day or the day after, else ''."""
    near = {(day + timedelta(days=ahead)).isoformat() for ahead in (0, 1)}
    for row in records(weather):
        if str(row["date"])[:10] in near and (row.get("rain_mm") or 0.0) >= HEAVY_RAIN_MM:
            return f"{row['rain_mm']:.0f} mm of rain on {row['date']}: do not feed before it."
    return ""


def _feed_line(row: Any, own: pd.DataFrame, area: float, day: date, season: Season) -> Amount:
    rate, n = float(row["product_g_m2"]), float(row["n_g_m2"])
    text = f"feed: {row['product'] or 'the product used before'} at {significant(rate, 3)} g/m2"
    if area > 0:
        text += f" x {significant(area, 4)} m2 = {significant(rate * area / 1000, 3)} kg"
    else:
        text += " (area_m2 is missing in lawns.csv)"
    text += f", N {significant(n, 3)} g/m2"
    year = own[own["date"].str[:4] == str(day.year)]
    so_far = float(year["n_g_m2"].sum())
    home = ANNUAL_N_G_M2["home lawn, low wear"]
    text += f"; {significant(so_far, 3)} g/m2 so far this year"
    text += f" (published for a year: {home.low:g} to {home.high:g})"
    if so_far + n > home.high:
        text += ", which this would exceed"
    if season.frozen:
        text += "; not on frozen ground"
    text = "; ".join([text, *(warning.rstrip(".") for warning in dose_warnings(n))])
    tasks = ("feed", "iron") if float(row["fe_g_m2"]) > 0 else ("feed",)
    return Amount(f"{text}.", tasks)


def _g_m2(row: Mapping[str, Any]) -> float:
    try:
        return float(row["rate"]) * unit_factor(str(row["rate_unit"] or ""), "mass rate")
    except LawnscoreError:
        return math.nan
