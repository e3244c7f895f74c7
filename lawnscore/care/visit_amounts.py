"""What a visit takes: feed and seed for a zone, from what was used before, if the season allows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from lawnscore.care.cautions import FROST_C, HEAVY_RAIN_MM
from lawnscore.care.feed import ANNUAL_N_G_M2, dose_warnings
from lawnscore.care.feed_record import applications
from lawnscore.care.seed import seed_kg
from lawnscore.care.units import significant, unit_factor
from lawnscore.care.visit_reasons import Place, records
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row
from lawnscore.contract.settings import HistorySettings
from lawnscore.history.season import GROWING_MONTHS, RESTING

GROWING = 0.25
"""Growth potential from which feeding and sowing are worth it (about 11 degrees C); our choice."""
FEED_GAP_DAYS = 42
"""Days between feeds; common practice, the label decides."""
RECENT_DAYS = 14
STALE_DAYS = 30
_LATE_MONTHS = (11, 12, 1, 2)
"""November to February: no feed or seed in any weather, as late fast nitrogen raises the risk of
Microdochium patch (common practice, no source)."""


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
    month = (day.month + (6 if options.south else 0) - 1) % 12 + 1
    known = read_weather(weather)
    if known is None:
        growing = month in GROWING_MONTHS
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
    if month in _LATE_MONTHS:
        words += ", too late in the year to feed or sow"
    frozen = number - last <= 3 and bool((recent[-3:] <= FROST_C).any())
    return Season(
        growth,
        growth >= GROWING and month not in _LATE_MONTHS,
        growth < RESTING,
        f"growth potential {growth:.2f} {words}",
        frozen,
    )


@dataclass(frozen=True)
class Fed:
    """One feed: product and its amount, N and iron, g/m2; unknown is NaN."""

    product: str
    product_g_m2: float
    n_g_m2: float
    fe_g_m2: float


def last_fed(fed: pd.DataFrame) -> Fed | None:
    """Return the last row of applications; ``None`` where there is none."""
    if fed.empty:
        return None
    row = fed.iloc[-1]
    amounts = (float(row[name]) for name in ("product_g_m2", "n_g_m2", "fe_g_m2"))
    return Fed(str(row["product"] or ""), *amounts)


@dataclass(frozen=True, eq=False)
class FedRecord:
    """What was fed: applications by lawn and zone, and the round's last one recorded whole."""

    by_place: Mapping[Place, pd.DataFrame]
    last_whole: Fed | None


def fed_record(work: pd.DataFrame) -> FedRecord:
    """Return the record of feeding from the table of work."""
    fed = applications(work)
    whole = fed[fed["product_g_m2"].notna() & fed["n_g_m2"].notna()]
    by_place = {(str(p[0]), str(p[1])): own for p, own in fed.groupby(["lawn", "zone"])}
    return FedRecord(by_place, last_fed(whole.sort_values("date", kind="stable")))


def feed_amounts(
    places: Mapping[Place, float], fed: FedRecord, day: date, season: Season
) -> dict[Place, Amount]:
    """Return the feed line of each zone that is due one; zones not due are left out.

    The product and rate are those last recorded on the zone, else on the round. Where they are
    not recorded whole, the line says what is needed to compute the amount. A round that has no
    feed on record is not told to feed.
    """
    if not fed.by_place or not season.growing:
        return {}
    out = {}
    for place, area in places.items():
        own = fed.by_place.get(place)
        if own is not None and _days_between(own["date"].max(), day) < FEED_GAP_DAYS:
            continue
        row = fed.last_whole
        if own is not None:
            whole = own[own["product_g_m2"].notna() & own["n_g_m2"].notna()]
            row = last_fed(whole) or row
        if row is None:
            need = "the label (n_pct, p2o5_pct, k2o_pct), rate and rate_unit of a feed in work.csv"
            out[place] = Amount(f"feed: to compute the amount write {need}.", ("feed",))
            continue
        so_far = 0.0
        if own is not None:
            so_far = float(own.loc[own["date"].str[:4] == str(day.year), "n_g_m2"].sum())
        out[place] = _feed_line(row, so_far, area, season)
    return out


def _days_between(first: object, day: date) -> int:
    return (day - date.fromisoformat(str(first))).days


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


def _feed_line(fed: Fed, so_far: float, area: float, season: Season) -> Amount:
    rate, n = fed.product_g_m2, fed.n_g_m2
    text = f"feed: {fed.product or 'the product used before'} at {significant(rate, 3)} g/m2"
    if area > 0:
        text += f" x {significant(area, 4)} m2 = {significant(rate * area / 1000, 3)} kg"
    else:
        text += " (area_m2 is missing in lawns.csv)"
    text += f", N {significant(n, 3)} g/m2"
    home = ANNUAL_N_G_M2["home lawn, low wear"]
    text += f"; {significant(so_far, 3)} g/m2 so far this year"
    text += f" (published for a year: {home.low:g} to {home.high:g})"
    if so_far + n > home.high:
        text += ", which this would exceed"
    if season.frozen:
        text += "; not on frozen ground"
    text = "; ".join([text, *(warning.rstrip(".") for warning in dose_warnings(n))])
    tasks = ("feed", "iron") if fed.fe_g_m2 > 0 else ("feed",)
    return Amount(f"{text}.", tasks)


def _g_m2(row: Row) -> float:
    try:
        return float(row["rate"]) * unit_factor(str(row["rate_unit"] or ""), "mass rate")
    except LawnscoreError:
        return math.nan
