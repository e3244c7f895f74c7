"""Growth, warmth and daylight: the clock that grass lives by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import HistorySettings
from lawnscore.history.series import Days, day_numbers

Array = npt.NDArray[np.float64]

COOL_OPTIMUM_C, COOL_WIDTH_C = 20.0, 5.5
"""Growth potential of cool-season grass, Gelernter & Stowell 2005, Golf Course Manag. 73(3)."""
WARM_OPTIMUM_C, WARM_WIDTH_C = 31.0, 7.0
"""Warm-season grass, as above; width from memory. Held at 1 above the optimum (later revision)."""

YEAR_DAYS = 365.25
RESTING = 0.10
"""Growth potential under which growth rests (about 8 degrees C); our choice."""
GROWING_DAY_H = 10.0
"""Hours of daylight under which growth rests, where only the latitude is known; common practice."""
GROWING_MONTHS = range(4, 11)
"""April to October on the northern half: the season where nothing else is known; our choice."""
_SMOOTH_DAYS = 14
_SEASON_WINDOW_DAYS = 10
"""Half width of the window over which usual temperatures are averaged; our choice."""
_MIN_GROWTH = 0.005
"""A day's growth potential below which a calendar answer would run on without end; our choice."""


def growth_potential(mean_c: npt.ArrayLike, *, season: Literal["cool", "warm"] = "cool") -> Array:
    """Return the growth potential of days, 0 to 1, from their mean temperatures.

    ``exp(-((T - T0) / w)**2 / 2)``; Gelernter & Stowell 2005. It knows temperature alone: not
    light, water or nitrogen.
    """
    t = np.asarray(mean_c, float)
    if season == "cool":
        return np.asarray(np.exp(-0.5 * ((t - COOL_OPTIMUM_C) / COOL_WIDTH_C) ** 2))
    below = np.minimum(t - WARM_OPTIMUM_C, 0.0)
    return np.asarray(np.exp(-0.5 * (below / WARM_WIDTH_C) ** 2))


def day_length_h(latitude_deg: float, day_of_year: npt.ArrayLike) -> Array:
    """Return the hours from sunrise to sunset, FAO-56 equations 24 and 34.

    The sun's centre on a flat horizon, no refraction: an almanac's day is 0.2 to 0.4 h longer at
    50 degrees. Polar day is 24, polar night 0.
    """
    j = np.asarray(day_of_year, float)
    declination = 0.409 * np.sin(2 * np.pi * j / 365 - 1.39)
    cosine = -np.tan(np.radians(latitude_deg)) * np.tan(declination)
    return np.asarray(24 / np.pi * np.arccos(np.clip(cosine, -1.0, 1.0)))


def day_of_year(days: npt.ArrayLike) -> Array:
    """Return the day of the year, 1 to 366, of day numbers."""
    d = np.asarray(days, np.int64).astype("datetime64[D]")
    return np.asarray((d - d.astype("datetime64[Y]")).astype(np.int64) + 1, float)


@dataclass(frozen=True, eq=False)
class Weather:
    """Daily weather without gaps between its first and last day.

    Parameters
    ----------
    first_day
        Day number of element 0.
    mean_c
        (d,) mean temperature; short gaps are filled in a straight line.
    rain_mm, leaf_wetness_h
        (d,) NaN where unknown.
    usual_c
        (366,) usual mean temperature by day of the year.
    """

    first_day: int
    mean_c: Array
    rain_mm: Array
    leaf_wetness_h: Array
    usual_c: Array

    @property
    def last_day(self) -> int:
        """Day number of the last day."""
        return self.first_day + len(self.mean_c) - 1


def read_weather(weather: pd.DataFrame | None) -> Weather | None:
    """Return the weather table as days; ``None`` when there is none to speak of.

    Raises
    ------
    LawnscoreError
        When the column ``mean_c`` or ``date`` is missing.
    """
    if weather is None or weather.empty:
        return None
    for column in ("date", "mean_c"):
        if column not in weather:
            raise LawnscoreError(f"weather.csv has no column `{column}`", "Add it.")
    day = day_numbers(weather["date"])
    mean = weather["mean_c"].to_numpy(dtype="float64", na_value=np.nan)
    known = np.isfinite(mean)
    if not known.any():
        return None
    first, last = int(day[known].min()), int(day[known].max())
    days = np.arange(first, last + 1)
    order = np.argsort(day[known], kind="stable")
    filled = np.interp(days, day[known][order], mean[known][order])
    extra = {}
    for column in ("rain_mm", "leaf_wetness_h"):
        extra[column] = np.full(len(days), np.nan)
        if column in weather:
            inside = (day >= first) & (day <= last)
            values = weather[column].to_numpy(dtype="float64", na_value=np.nan)
            extra[column][day[inside] - first] = values[inside]
    return Weather(first, filled, extra["rain_mm"], extra["leaf_wetness_h"], _usual(days, filled))


def _usual(days: Days, mean_c: Array) -> Array:
    """Return usual temperatures of 366 days: a year's wave, or window means where years allow."""
    angle = 2 * np.pi * day_of_year(days) / YEAR_DAYS
    year_angle = 2 * np.pi * np.arange(1, 367) / YEAR_DAYS
    if len(days) >= 2 * YEAR_DAYS:
        by_day = pd.Series(mean_c).groupby(day_of_year(days).astype(int)).mean()
        once = by_day.reindex(range(1, 367)).interpolate(limit_direction="both").to_numpy(float)
        w = _SEASON_WINDOW_DAYS
        ring = np.r_[once[-w:], once, once[:w]]
        return np.asarray(np.convolve(ring, np.ones(2 * w + 1) / (2 * w + 1), "valid"))
    if len(days) >= 0.7 * YEAR_DAYS:
        design = np.column_stack([np.ones(len(days)), np.cos(angle), np.sin(angle)])
        coefficients, *_ = np.linalg.lstsq(design, mean_c, rcond=None)
        return np.asarray(
            coefficients[0]
            + coefficients[1] * np.cos(year_angle)
            + coefficients[2] * np.sin(year_angle)
        )
    # less than most of a year: what was is the only guide to what will be
    return np.full(366, float(np.mean(mean_c[-60:])))


@dataclass(frozen=True, eq=False)
class GrowthClock:
    """Summed growth potential by day: observed where weather is known, usual elsewhere.

    Parameters
    ----------
    first_day
        Day number of element 0.
    total
        (d,) growth potential summed up to the start of each day.
    """

    first_day: int
    total: Array

    def at(self, day: npt.ArrayLike) -> Array:
        """Return the sum at day numbers, which need not be whole."""
        x = np.arange(len(self.total)) + self.first_day
        return np.asarray(np.interp(np.asarray(day, float), x, self.total))

    def day_of(self, total: npt.ArrayLike) -> Array:
        """Return the day on which the sum is reached; NaN beyond the clock's end."""
        wanted = np.asarray(total, float)
        x = np.arange(len(self.total)) + self.first_day
        out = np.interp(wanted, self.total, x)
        return np.where(wanted <= self.total[-1], out, np.nan)


def growth_clock(weather: Weather, first_day: int, last_day: int) -> GrowthClock:
    """Return the growth clock of the days from ``first_day`` to two years after ``last_day``."""
    days = np.arange(first_day, last_day + 731)
    temperature = weather.usual_c[day_of_year(days).astype(int) - 1].copy()
    known = (days >= weather.first_day) & (days <= weather.last_day)
    temperature[known] = weather.mean_c[days[known] - weather.first_day]
    growth = np.maximum(growth_potential(temperature), _MIN_GROWTH)
    return GrowthClock(first_day, np.r_[0.0, np.cumsum(growth)])


@dataclass(frozen=True, eq=False)
class GrowingDays:
    """How many days grass grew, by day.

    Parameters
    ----------
    first_day
        Day number of element 0.
    total
        (d,) growing days up to the start of each day.
    """

    first_day: int
    total: Array

    def between(self, begin: npt.ArrayLike, end: npt.ArrayLike) -> Array:
        """Return the growing days from day numbers ``begin`` to ``end``."""
        x = np.arange(len(self.total)) + self.first_day
        at_end, at_begin = (np.interp(np.asarray(d, float), x, self.total) for d in (end, begin))
        return np.asarray(at_end - at_begin)


def growing_days(
    first_day: int, last_day: int, weather: Weather | None, settings: HistorySettings
) -> GrowingDays:
    """Return the growing days from ``first_day`` to ``last_day``.

    A day grows by the temperature of the fortnight around it, observed or usual, where weather is
    known; else by its daylight where `history.latitude_deg` is given; else by its month.
    """
    days = np.arange(first_day, last_day + 1)
    if weather is not None:
        temperature = weather.usual_c[day_of_year(days).astype(int) - 1].copy()
        known = (days >= weather.first_day) & (days <= weather.last_day)
        temperature[known] = weather.mean_c[days[known] - weather.first_day]
        padded = np.pad(growth_potential(temperature), _SMOOTH_DAYS // 2, mode="edge")
        kernel = np.ones(_SMOOTH_DAYS + 1) / (_SMOOTH_DAYS + 1)
        grows = np.convolve(padded, kernel, "valid") >= RESTING
    elif settings.latitude_deg is not None:
        grows = day_length_h(settings.latitude_deg, day_of_year(days)) >= GROWING_DAY_H
    else:
        month = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12 + 1
        month = (month + (6 if settings.south else 0) - 1) % 12 + 1
        grows = np.isin(month, list(GROWING_MONTHS))
    return GrowingDays(first_day, np.r_[0.0, np.cumsum(grows)])
