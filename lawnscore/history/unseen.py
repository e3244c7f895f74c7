"""What is not known of a lawn: visits that are overdue, and photos too poor to tell."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.history.findings import Finding, last_of_place, place_of
from lawnscore.history.intervals import half_width_se
from lawnscore.history.season import GrowingDays
from lawnscore.history.series import Occasions, iso_date
from lawnscore.history.watch import State

Index = npt.NDArray[np.int64]

POOR_HALF_WIDTH = 15.0
"""Points of half width of green cover, of what more photos would cure, beyond which photos are too
few or too poor to tell; our choice."""
RHYTHM_FACTOR = 1.5
"""How many of the round's usual gaps may pass, where that is more than the setting; our choice."""
MIN_GAPS = 5
"""Gaps between visits from which a round's rhythm is known; our choice."""
SAME_VISIT_DAYS = 7
_MOST_GAPS = 3.0


def overdue(state: State, growing: GrowingDays, lawns: pd.DataFrame | None) -> list[Finding]:
    """Return the zones that have gone too long without a visit, and those never photographed.

    Days count while grass grows; out of season no lawn is overdue. A zone may go for the setting
    `history.visit_gap_days`, or one and a half of the round's usual gaps where those are longer.
    """
    series = state.series
    rows = last_of_place(series.place)
    limit = max(float(state.settings.visit_gap_days), RHYTHM_FACTOR * usual_gap(series, growing))
    grown_since = growing.between(series.day[rows], state.today)
    found = []
    for row, grown in zip(rows[grown_since > limit], grown_since[grown_since > limit], strict=True):
        day = int(series.day[row])
        where = place_of(state, int(series.place[row]))
        facts = {"date": iso_date(day), "days": state.today - day, "growing": int(grown),
                 "limit": round(limit)}  # fmt: skip
        loss = min(float(grown) / limit, _MOST_GAPS)
        found.append(
            Finding(*where, "not visited", iso_date(day), None, loss, "overdue", facts=facts)
        )
    return found + _never(state, lawns)


def usual_gap(series: Occasions, growing: GrowingDays) -> float:
    """Return the round's usual gap between visits in growing days; 0 while it is not known."""
    same = series.place[1:] == series.place[:-1]
    begin, end = series.day[:-1][same], series.day[1:][same]
    apart = end - begin >= SAME_VISIT_DAYS
    if apart.sum() < MIN_GAPS:
        return 0.0
    return float(np.median(growing.between(begin[apart], end[apart])))


def _never(state: State, lawns: pd.DataFrame | None) -> list[Finding]:
    if lawns is None or lawns.empty:
        return []
    known = set(map(tuple, state.series.places.to_numpy().tolist()))
    listed = lawns.astype(object)
    zone = listed["zone"].fillna("all") if "zone" in listed else pd.Series("all", listed.index)
    return [
        Finding(lawn, part, "not visited", None, None, 0.5, "never")
        for lawn, part in zip(listed["lawn"], zone, strict=True)
        if (lawn, part) not in known
    ]


def poor_photos(state: State, photo_scores: pd.DataFrame | None) -> list[Finding]:
    """Return the zones whose last photos were refused, or leave cover too open to tell."""
    series = state.series
    photos, refused = series.values("photos"), np.nan_to_num(series.values("refused"))
    half = 1.96 * _curable_se(series)
    found = []
    for row in last_of_place(series.place):
        scored, lost = photos[row], refused[row]
        if state.today - series.day[row] > state.settings.visit_gap_days:
            continue
        if scored == 0 and lost > 0:
            case = "all_refused"
        elif lost > scored:
            case = "most_refused"
        elif half[row] > POOR_HALF_WIDTH:
            case = "wide"
        else:
            continue
        facts = {"refused": int(lost), "reasons": _reasons(photo_scores, series, int(row))}
        if np.isfinite(scored):
            facts |= {"scored": int(scored), "all": int(lost + scored)}
        if case == "wide":
            facts["half"] = float(half[row])
        where = place_of(state, int(series.place[row]))
        day = iso_date(series.day[row])
        found.append(Finding(*where, "photos too poor", day, None, 1.0, case, facts=facts))
    return found


def _curable_se(series: Occasions) -> npt.NDArray[np.float64]:
    """Return the error of green cover without what all photos share: no retake takes that away."""
    whole = half_width_se(
        series.values("green_cover_pct_low"), series.values("green_cover_pct_high")
    )
    shared = np.nan_to_num(series.values("green_cover_pct_shared_se"))
    return np.asarray(np.sqrt(np.maximum(whole**2 - shared**2, 0.0)))


def _reasons(photos: pd.DataFrame | None, series: Occasions, row: int) -> list[str]:
    if photos is None or "reason" not in photos:
        return []
    place = series.places.iloc[series.place[row]]
    same = (photos["lawn"] == place["lawn"]) & (photos["zone"] == place["zone"])
    same &= photos["date"] == iso_date(series.day[row])
    words = photos.loc[same, "reason"].dropna()
    return sorted(set(words[words != ""]))
