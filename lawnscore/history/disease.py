"""Disease weather: cool wet days in a row, a caution and no diagnosis."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lawnscore.history.findings import Finding, place_of
from lawnscore.history.season import Weather
from lawnscore.history.series import iso_date
from lawnscore.history.watch import State

DISEASE_DAYS, DISEASE_RECENT_DAYS = 3, 7
"""Days in a row of disease weather, and how recent they must be (common practice, no source)."""
DISEASE_RANGE_C, DISEASE_WET_H, RAIN_WET_MM = (0.0, 15.0), 10.0, 1.0
"""Microdochium: 0 to 15 degrees C and more than 10 h of wet leaf a day (common practice, no
source); a day of rain stands for wet leaf where that is not recorded."""


def disease_weather(
    state: State, weather: Weather | None, lawns: pd.DataFrame | None
) -> list[Finding]:
    """Return the zones at risk while a spell of disease weather lasts."""
    spell = None if weather is None else disease_spell(weather, state.today)
    if spell is None:
        return []
    start, length, mean, recorded = spell
    facts = {"days": length, "mean": mean}
    case = "wet_leaf" if recorded else "rain"
    return [
        Finding(*place_of(state, p), "disease weather", iso_date(start), None, 1 + length / 14,
                case, facts=facts)
        for p in _at_risk(state, lawns)
    ]  # fmt: skip


def disease_spell(weather: Weather, today: int) -> tuple[int, int, float, bool] | None:
    """Return the last spell of Microdochium weather up to ``today``, if it is recent.

    Returns
    -------
    tuple or None
        First day, length in days, mean temperature, whether leaf wetness was recorded.
    """
    days = np.arange(weather.first_day, weather.last_day + 1)
    now = days <= today
    t, rain, wetness = weather.mean_c[now], weather.rain_mm[now], weather.leaf_wetness_h[now]
    recorded = np.isfinite(wetness)
    with np.errstate(invalid="ignore"):
        wet = np.where(recorded, wetness > DISEASE_WET_H, rain >= RAIN_WET_MM)
    fit = wet & (t >= DISEASE_RANGE_C[0]) & (t <= DISEASE_RANGE_C[1])
    ends = np.flatnonzero(fit & ~np.r_[fit[1:], False])
    if not len(ends):
        return None
    end = int(ends[-1])
    gaps = np.flatnonzero(~fit[: end + 1])
    begin = int(gaps[-1]) + 1 if len(gaps) else 0
    length = end - begin + 1
    if length < DISEASE_DAYS or today - days[end] > DISEASE_RECENT_DAYS:
        return None
    part = slice(begin, end + 1)
    return int(days[begin]), length, float(t[part].mean()), bool(recorded[part].all())


def _at_risk(state: State, lawns: pd.DataFrame | None) -> list[int]:
    # open, drained lawns are left out where the register says so; unknown is not safe
    places = state.series.places
    if lawns is None or "shade" not in lawns:
        return list(range(len(places)))
    shade = lawns["shade"].astype("object")
    drained = (
        lawns["drainage"].astype("object")
        if "drainage" in lawns
        else pd.Series(None, index=lawns.index, dtype="object")
    )
    safe = lawns[(shade == "none") & (drained != "poor")]
    pairs = set(zip(safe["lawn"], safe["zone"], strict=True))
    return [
        i
        for i, pair in enumerate(zip(places["lawn"], places["zone"], strict=True))
        if pair not in pairs
    ]
