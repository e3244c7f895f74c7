"""Which lawns want attention, why, and what to do next, most urgent first."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from lawnscore.contract.flags import FLAGS
from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import ATTENTION
from lawnscore.history.drift import Drift, drift
from lawnscore.history.intervals import half_width_se
from lawnscore.history.persistent import METHOD
from lawnscore.history.season import Weather, read_weather
from lawnscore.history.series import Occasions, iso_date
from lawnscore.history.watch import WATCHES, State, Watch, look, raised, watched_visits

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


UNEVEN_POINTS, UNEVEN_Z = 10.0, 3.0
"""Points and standard errors that a zone must lie below its lawn's others; our choice."""
UNEVEN_DAYS = 60
POOR_HALF_WIDTH = 15.0
"""Points of half width of green cover beyond which photos are too poor to tell; our choice."""
POOR_POINTS, OVERDUE_POINTS, DISEASE_POINTS = 2.0, 2.0, 1.0
"""Points of cover that not knowing, or that weather, is counted for in the urgency; our choice."""
DISEASE_DAYS, DISEASE_RECENT_DAYS = 3, 7
"""Days in a row of disease weather, and how recent they must be; "several days running"."""
DISEASE_RANGE_C, DISEASE_WET_H, RAIN_WET_MM = (0.0, 15.0), 10.0, 1.0
"""Microdochium: 0 to 15 degrees C and more than 10 h of wet leaf a day (turf pathology article
and university extension); a day of rain stands for wet leaf where that is not recorded."""
AREA_RANGE = (0.25, 4.0)
"""How far the area may raise or lower the urgency against the round's usual area; our choice."""


def attention(
    visit_scores: pd.DataFrame,
    work: pd.DataFrame | None = None,
    weather: pd.DataFrame | None = None,
    *,
    photo_scores: pd.DataFrame | None = None,
    lawns: pd.DataFrame | None = None,
    today: str | None = None,
    settings: HistorySettings | None = None,
) -> pd.DataFrame:
    """Return the lawns and zones that want attention, most urgent first.

    Parameters
    ----------
    visit_scores, work, weather
        Tables of visits, work and weather.
    photo_scores
        Table of photos; says why photos were refused.
    lawns
        The register: areas, shade and drainage, and lawns never photographed.
    today
        Date (YYYY-MM-DD) to look from; by default that of the last visit.
    settings
        How long a lawn may go without photos, and the default recovery.

    Returns
    -------
    DataFrame
        The columns of :data:`lawnscore.contract.tables.ATTENTION`; flags are those of
        :mod:`lawnscore.contract.flags`.

    Notes
    -----
    Cover falling, colour fading, casts rising and bare patches growing follow the model of
    :mod:`lawnscore.history.drift`: a step against the lawn's own past, its own season and its
    round-mates. Twice the expected recovery after a renovation is left out; in that time
    ``recovery slow`` (:mod:`lawnscore.history.recovery`) watches instead.

    ``urgency`` is the expected loss in points of cover: how much has gone (or may go), times how
    sure that is, times the zone's area against the usual one, times how soon (a loss still going
    on counts more than one that is over).
    """
    state = look(visit_scores, work, weather, today=today, settings=settings)
    slow = _slow(state)
    late = {(row["lawn"], row["zone"]) for row in slow}
    # a recovery that is slow says already that cover is low
    found = [
        row
        for row in _drifts(state)
        if row["flag"] != "cover falling" or (row["lawn"], row["zone"]) not in late
    ]
    found += slow + _uneven(state) + _overdue(state, lawns) + _poor(state, photo_scores)
    found += _disease(state, read_weather(weather), lawns)
    return _ranked(found, lawns)


def _drifts(state: State) -> list[dict[str, Any]]:
    found = []
    n = len(state.series.places)
    for watch in WATCHES:
        visits = watched_visits(state, watch)
        moved = drift(visits, n, watch.priors, sign=watch.sign)
        for place in np.flatnonzero(raised(moved, watch, state.today)):
            found.append(_drift_flag(state, watch, moved, int(place)))
    return found


def _drift_flag(state: State, watch: Watch, moved: Drift, p: int) -> dict[str, Any]:
    value = float(watch.back(moved.last_value[p : p + 1])[0])
    before = float(watch.back((moved.last_value - moved.step)[p : p + 1])[0])
    change = value - before
    sure = float(special.ndtr(abs(moved.z[p]) - 1))
    soon = 1.5 if moved.n_visits[p] <= 3 else 1.0
    word = "more" if change > 0 else "less"
    unit = f" {watch.unit}" if watch.unit else ""
    d = watch.digits
    margin = abs(
        float(watch.back((moved.last_value - moved.step + 1.96 * moved.step_se)[p : p + 1])[0])
        - before
    )
    evidence = (
        f"{abs(change):.{d}f}{unit} {word} than its own past, the season and the other lawns "
        f"lead one to expect (give or take {margin:.{d}f}), over {moved.n_visits[p]} "
        f"visit{'s' if moved.n_visits[p] > 1 else ''}; {value:.{d}f} on "
        f"{iso_date(moved.last_day[p])}."
    )
    if _method_changed(state, p):
        evidence += " The way of scoring or the card changed in between, which may be part of it."
    loss = abs(change) * watch.points
    return _row(
        state, p, watch.flag, int(moved.since[p]), watch.measure, evidence, loss * sure * soon
    )


def _method_changed(state: State, p: int) -> bool:
    table = state.series.table
    rows = state.series.place == p
    return any(
        column in table and len(set(table.loc[rows, column].dropna())) > 1 for column in METHOD
    )


def _row(
    state: State, p: int, flag: str, since: int, measure: str | None, evidence: str, loss: float
) -> dict[str, Any]:
    return {
        "lawn": state.series.places["lawn"].iloc[p],
        "zone": state.series.places["zone"].iloc[p],
        "flag": flag,
        "since": None if since < 0 else iso_date(since),
        "measure": measure,
        "evidence": evidence,
        "next_step": FLAGS[flag].advice,
        "urgency": loss,
    }


def _slow(state: State) -> list[dict[str, Any]]:
    table = state.recovery
    if table.empty:
        return []
    last = table.groupby(["lawn", "zone"], sort=False).tail(1)
    slow = last[last["state"] == "slow"]
    found = []
    for row in slow.to_dict("records"):
        lost = max(float(row["cover_before"]) - float(row["cover_now"]), 0.0)
        reach = row["days_to_95"]
        when = "not in sight" if pd.isna(reach) else f"expected after {reach:.0f} days"
        evidence = (
            f"{row['days_since']} days after the work ({row['task']}) cover is "
            f"{row['cover_now']:.0f} % against {row['cover_before']:.0f} % before; 95 % of that is "
            f"{when}. To be expected were {row['expected_days_to_95']:.0f} days"
            f"{' in such weather' if row['clock'] == 'growth' else ''}, by the "
            f"{row['expected_from']}."
        )
        found.append(
            {
                "lawn": row["lawn"],
                "zone": row["zone"],
                "flag": "recovery slow",
                "since": row["renovation_date"],
                "measure": "green_cover_pct",
                "evidence": evidence,
                "next_step": FLAGS["recovery slow"].advice,
                "urgency": lost * 0.9 * 1.5,
            }
        )
    return found


def _uneven(state: State) -> list[dict[str, Any]]:
    series = state.series
    cover = series.values("green_cover_pct")
    se = half_width_se(series.values("green_cover_pct_low"), series.values("green_cover_pct_high"))
    last = _last_of_place(series.place[state.rows])
    rows = state.rows[last]
    rows = rows[(state.today - series.day[rows] <= UNEVEN_DAYS) & ~state.quiet[rows]]
    frame = pd.DataFrame(
        {
            "lawn": series.places["lawn"].to_numpy()[series.place[rows]],
            "row": rows,
            "y": cover[rows],
            "v": np.nan_to_num(se[rows], nan=5.0) ** 2 + 1.0,
        }
    )
    found = []
    for _, zones in frame[frame["lawn"].duplicated(keep=False)].groupby("lawn", sort=False):
        for i in range(len(zones)):
            others = zones.drop(zones.index[i])
            weight = 1 / others["v"]
            rest = float(np.average(others["y"], weights=weight))
            gap = rest - float(zones["y"].iloc[i])
            z = gap / float(np.sqrt(zones["v"].iloc[i] + 1 / weight.sum()))
            if gap >= UNEVEN_POINTS and z >= UNEVEN_Z:
                found.append(_uneven_flag(state, int(zones["row"].iloc[i]), rest, gap, z))
    return found


def _uneven_flag(state: State, row: int, rest: float, gap: float, z: float) -> dict[str, Any]:
    series = state.series
    evidence = (
        f"cover is {series.values('green_cover_pct')[row]:.0f} % here and {rest:.0f} % in the "
        f"lawn's other zones, {gap:.0f} points apart (give or take {1.96 * gap / z:.0f})."
    )
    place = int(series.place[row])
    day = int(series.day[row])
    return _row(state, place, "uneven", day, "green_cover_pct", evidence, 0.5 * gap)


def _last_of_place(place: Index) -> Index:
    last = np.ones(len(place), bool)
    last[:-1] = np.diff(place) != 0
    return np.flatnonzero(last)


def _overdue(state: State, lawns: pd.DataFrame | None) -> list[dict[str, Any]]:
    series = state.series
    found = []
    photos = series.values("photos")
    seen = np.flatnonzero(photos > 0) if "photos" in series.table else state.rows
    rows = seen[_last_of_place(series.place[seen])]
    gap = state.today - series.day[rows]
    limit = state.settings.visit_gap_days
    for row, days in zip(rows[gap > limit], gap[gap > limit], strict=True):
        day = int(series.day[row])
        evidence = f"last photographed on {iso_date(day)}, {days} days ago; {limit} are allowed."
        loss = OVERDUE_POINTS * min(days / limit, 3.0)
        place = int(series.place[row])
        found.append(_row(state, place, "not visited", day, None, evidence, loss))
    return found + _never(state, lawns)


def _never(state: State, lawns: pd.DataFrame | None) -> list[dict[str, Any]]:
    if lawns is None or lawns.empty:
        return []
    known = set(map(tuple, state.series.places.to_numpy().tolist()))
    listed = lawns.astype(object)
    zone = listed["zone"].fillna("all") if "zone" in listed else pd.Series("all", listed.index)
    return [
        {
            "lawn": lawn,
            "zone": part,
            "flag": "not visited",
            "since": None,
            "measure": None,
            "evidence": "listed in lawns.csv, but there are no photos of it yet.",
            "next_step": FLAGS["not visited"].advice,
            "urgency": OVERDUE_POINTS * 0.5,
        }
        for lawn, part in zip(listed["lawn"], zone, strict=True)
        if (lawn, part) not in known
    ]


def _poor(state: State, photo_scores: pd.DataFrame | None) -> list[dict[str, Any]]:
    series = state.series
    photos, refused = series.values("photos"), np.nan_to_num(series.values("refused"))
    half = 1.96 * half_width_se(
        series.values("green_cover_pct_low"), series.values("green_cover_pct_high")
    )
    found = []
    for row in _last_of_place(series.place):
        scored = photos[row]
        if state.today - series.day[row] > state.settings.visit_gap_days:
            continue
        why = None
        if scored == 0 and refused[row] > 0:
            why = f"all {refused[row]:.0f} photos of the last visit were refused"
        elif refused[row] > scored:
            why = f"{refused[row]:.0f} of {refused[row] + scored:.0f} photos were refused"
        elif half[row] > POOR_HALF_WIDTH:
            why = (
                f"{scored:.0f} photo{'s leave' if scored > 1 else ' leaves'} green cover open by "
                f"{half[row]:.0f} points each way"
            )
        if why is None:
            continue
        evidence = f"{why}{_reasons(photo_scores, series, int(row))}."
        place, day = int(series.place[row]), int(series.day[row])
        found.append(_row(state, place, "photos too poor", day, None, evidence, POOR_POINTS))
    return found


def _reasons(photos: pd.DataFrame | None, series: Occasions, row: int) -> str:
    if photos is None or "reason" not in photos:
        return ""
    place = series.places.iloc[series.place[row]]
    same = (photos["lawn"] == place["lawn"]) & (photos["zone"] == place["zone"])
    same &= photos["date"] == iso_date(series.day[row])
    words = photos.loc[same, "reason"].dropna()
    words = words[words != ""]
    return f" ({', '.join(sorted(set(words)))})" if len(words) else ""


def _disease(
    state: State, weather: Weather | None, lawns: pd.DataFrame | None
) -> list[dict[str, Any]]:
    if weather is None:
        return []
    spell = disease_spell(weather, state.today)
    if spell is None:
        return []
    start, length, mean, recorded = spell
    wet = "with more than 10 h of wet leaf" if recorded else "with rain (wet leaf not recorded)"
    evidence = (
        f"{length} days in a row at 0 to 15 degrees C (mean {mean:.1f}) {wet}; "
        "a caution from the weather, not a diagnosis."
    )
    return [
        _row(state, p, "disease weather", start, None, evidence, DISEASE_POINTS * (1 + length / 14))
        for p in _at_risk(state, lawns)
    ]


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


def _ranked(found: list[dict[str, Any]], lawns: pd.DataFrame | None) -> pd.DataFrame:
    if not found:
        return ATTENTION.frame([])
    table = pd.DataFrame(found)
    table["urgency"] = table["urgency"].astype(float) * _area_factor(table, lawns)
    table = table.sort_values(
        ["urgency", "lawn", "zone", "flag"], ascending=[False, True, True, True], kind="stable"
    )
    table["rank"] = np.arange(1, len(table) + 1)
    return ATTENTION.frame(table.reset_index(drop=True))


def _area_factor(table: pd.DataFrame, lawns: pd.DataFrame | None) -> Array:
    if lawns is None or "area_m2" not in lawns or "zone" not in lawns:
        return np.ones(len(table))
    areas = lawns[["lawn", "zone", "area_m2"]].drop_duplicates(["lawn", "zone"])
    usual = float(areas["area_m2"].median())
    if not usual > 0:
        return np.ones(len(table))
    joined = (
        table[["lawn", "zone"]]
        .astype(object)
        .merge(areas.astype({"lawn": object, "zone": object}), on=["lawn", "zone"], how="left")
    )
    factor = joined["area_m2"].to_numpy(dtype=float, na_value=np.nan) / usual
    return np.clip(np.where(np.isfinite(factor), factor, 1.0), *AREA_RANGE)
