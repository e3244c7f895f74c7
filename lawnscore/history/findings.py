"""What is the matter with each lawn and zone, before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from lawnscore.contract.flags import FLAGS
from lawnscore.history.change_error import METHOD
from lawnscore.history.drift import HISTORY_DAYS, Visits
from lawnscore.history.intervals import half_width_se
from lawnscore.history.series import iso_date
from lawnscore.history.standing import Past, standing
from lawnscore.history.steps import Drift
from lawnscore.history.watch import WATCHES, State, Watch, watched_visits

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Facts = dict[str, Any]

UNEVEN_POINTS, UNEVEN_Z = 10.0, 3.0
"""Points and standard errors that a zone must lie below its lawn's others; our choice."""
UNEVEN_DAYS = 60
SOON, LATER = 1.5, 1.0
"""How much more a loss counts that is still going on; our choice."""
SLOW_SURE = 0.9
"""How sure a recovery called slow is; its own threshold is 85 %."""
GOING_ON_VISITS = 3


@dataclass(frozen=True)
class Finding:
    """One thing that wants attention.

    Parameters
    ----------
    lawn, zone, flag
        Where, and the flag's words (:mod:`lawnscore.contract.flags`).
    since
        First day of it (YYYY-MM-DD); ``None`` where there is none.
    measure
        Column that shows it; ``None`` where none does.
    loss
        How much has gone or may go, in the unit that the flag's weight turns into points of cover.
    sure
        Probability that it is so, 0 to 1.
    soon
        Factor for a loss that is still going on.
    case
        Which of the flag's sentences the facts belong to.
    facts
        Numbers, dates (YYYY-MM-DD) and names for that sentence.
    """

    lawn: str
    zone: str
    flag: str
    since: str | None
    measure: str | None
    loss: float
    case: str
    sure: float = 1.0
    soon: float = LATER
    facts: Facts = field(default_factory=dict)

    @property
    def urgency(self) -> float:
        """Expected loss in points of cover."""
        return self.loss * FLAGS[self.flag].weight * self.sure * self.soon


def lawn_findings(state: State) -> list[Finding]:
    """Return what the measures show: drifts, slow recoveries and zones unlike their lawn's others.

    A recovery that is slow says already that cover is low, so the two are not told together.
    """
    slow = _slow(state)
    late = {(found.lawn, found.zone) for found in slow}
    drifts = [
        found
        for found in _drifts(state)
        if found.flag != "cover falling" or (found.lawn, found.zone) not in late
    ]
    return [*drifts, *slow, *_uneven(state)]


def place_of(state: State, p: int) -> tuple[str, str]:
    """Return lawn and zone of a place number."""
    row = state.series.places.iloc[p]
    return str(row["lawn"]), str(row["zone"])


def last_of_place(place: Index) -> Index:
    """Return the positions of the last row of each place in rows sorted by place."""
    last = np.ones(len(place), bool)
    last[:-1] = np.diff(place) != 0
    return np.flatnonzero(last)


def _drifts(state: State) -> list[Finding]:
    found = []
    n = len(state.series.places)
    for watch in WATCHES:
        visits = watched_visits(state, watch)
        moved, flagged, since = standing(Past(visits, watch, n), state.today)
        for place in np.flatnonzero(flagged):
            found.append(_drift(state, watch, moved, visits, int(place), int(since[place])))
    return found


def _drift(state: State, watch: Watch, moved: Drift, visits: Visits, p: int, since: int) -> Finding:
    value = float(watch.back(moved.last_value[p : p + 1])[0])
    expected = moved.last_value - moved.step
    before = float(watch.back(expected[p : p + 1])[0])
    margin = abs(float(watch.back((expected + 1.96 * moved.step_se)[p : p + 1])[0]) - before)
    n = int(((visits.place == p) & (visits.day >= since)).sum())
    facts = {
        "change": abs(value - before),
        "margin": margin,
        "n": n,
        "value": value,
        "date": iso_date(moved.last_day[p]),
        "more": value > before,
        "alone": len(np.unique(visits.place)) == 1,
        "method_changed": _method_changed(state, p),
    }
    return Finding(
        *place_of(state, p),
        watch.flag,
        None if since < 0 else iso_date(since),
        watch.measure,
        abs(value - before),
        "drift",
        sure=float(special.ndtr(abs(moved.z[p]) - 1)),
        soon=SOON if moved.n_visits[p] <= GOING_ON_VISITS else LATER,
        facts=facts,
    )


def _method_changed(state: State, p: int) -> bool:
    table = state.series.table
    day = state.series.day
    rows = (state.series.place == p) & (day > state.today - HISTORY_DAYS)
    return any(
        column in table and len(set(table.loc[rows, column].dropna())) > 1
        for column in (*METHOD, "card")
    )


def _slow(state: State) -> list[Finding]:
    table = state.recovery
    if table.empty:
        return []
    last = table.groupby(["lawn", "zone"], sort=False).tail(1)
    found = []
    for row in last[last["state"] == "slow"].to_dict("records"):
        reach = row["days_to_95"]
        facts = {
            "days": int(row["days_since"]),
            "task": str(row["task"]),
            "now": float(row["cover_now"]),
            "before": float(row["cover_before"]),
            "reach": None if pd.isna(reach) else float(reach),
            "expected": float(row["expected_days_to_95"]),
            "source": str(row["expected_from"]),
            "growth": row["clock"] == "growth",
        }
        lost = max(facts["before"] - facts["now"], 0.0)
        found.append(
            Finding(
                row["lawn"], row["zone"], "recovery slow", row["renovation_date"],
                "green_cover_pct", lost, "slow", sure=SLOW_SURE, soon=SOON, facts=facts,
            )
        )  # fmt: skip
    return found


def _uneven(state: State) -> list[Finding]:
    series = state.series
    cover = series.values("green_cover_pct")
    se = half_width_se(series.values("green_cover_pct_low"), series.values("green_cover_pct_high"))
    rows = state.rows[last_of_place(series.place[state.rows])]
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
                row = int(zones["row"].iloc[i])
                facts = {"here": float(cover[row]), "rest": rest, "gap": gap,
                         "margin": 1.96 * gap / z}  # fmt: skip
                where = place_of(state, int(series.place[row]))
                day = iso_date(series.day[row])
                found.append(
                    Finding(*where, "uneven", day, "green_cover_pct", gap, "uneven", facts=facts)
                )
    return found
