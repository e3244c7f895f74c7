"""Which lawns want attention, why, and what to do next, most urgent first."""

from __future__ import annotations

import json

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.flags import FLAGS
from lawnscore.contract.settings import HistorySettings
from lawnscore.contract.tables import ATTENTION
from lawnscore.history.disease import disease_weather
from lawnscore.history.evidence import evidence
from lawnscore.history.findings import Facts, Finding, lawn_findings
from lawnscore.history.season import growing_days, read_weather
from lawnscore.history.series import iso_date
from lawnscore.history.unseen import overdue, poor_photos
from lawnscore.history.watch import look

Array = npt.NDArray[np.float64]

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
        The register: areas, shade and drainage, lawns never photographed and lawns that left.
    today
        Date (YYYY-MM-DD) to look from; by default that of the last visit. Every command gives the
        day it is run on.
    settings
        How long a lawn may go without photos, and the default recovery.

    Returns
    -------
    DataFrame
        The columns of :data:`lawnscore.contract.tables.ATTENTION`; flags are those of
        :mod:`lawnscore.contract.flags`. ``facts`` holds what the evidence is made from, as JSON.

    Notes
    -----
    Cover falling, colour fading, casts rising and bare patches growing follow the model of
    :mod:`lawnscore.history.drift`: a step against the lawn's own past, its own season and its
    round-mates, and new against the same season a year before. Twice the expected recovery after a
    renovation is left out; in that time ``recovery slow`` (:mod:`lawnscore.history.recovery`)
    watches instead.

    ``urgency`` is the expected loss in points of cover: how much has gone (or may go), times how
    sure that is, times the zone's area against the usual one, times how soon (a loss still going
    on counts more than one that is over). What only asks for a visit comes after what is the
    matter.
    """
    state = look(
        visit_scores, work, weather, photo_scores=photo_scores, today=today, settings=settings
    )
    known = read_weather(weather)
    first = int(state.series.day.min()) if len(state.series.day) else state.today
    growing = growing_days(min(first, state.today), state.today, known, state.settings)
    found = [
        *lawn_findings(state),
        *disease_weather(state, known, lawns),
        *poor_photos(state, photo_scores),
        *overdue(state, growing, lawns),
    ]
    gone = left_places(lawns, iso_date(state.today))
    return _ranked([f for f in found if (f.lawn, f.zone) not in gone], lawns)


def left_places(lawns: pd.DataFrame | None, today: str) -> set[tuple[str, str]]:
    """Return lawn and zone of those that had left the round by a date (YYYY-MM-DD).

    They keep their history and get no flags, visits or reports.
    """
    if lawns is None or lawns.empty or "left" not in lawns:
        return set()
    left = lawns["left"].astype("object")
    rows = lawns[left.notna() & (left.astype(str) <= today)].astype(object)
    zone = rows["zone"].fillna("all") if "zone" in rows else pd.Series("all", rows.index)
    return set(zip(rows["lawn"], zone, strict=True))


def _ranked(found: list[Finding], lawns: pd.DataFrame | None) -> pd.DataFrame:
    if not found:
        return ATTENTION.frame([])
    table = pd.DataFrame(
        {
            "lawn": f.lawn,
            "zone": f.zone,
            "flag": f.flag,
            "since": f.since,
            "measure": f.measure,
            "evidence": evidence(f),
            "next_step": FLAGS[f.flag].advice,
            "urgency": f.urgency,
            "facts": json.dumps({"case": f.case} | _rounded(f.facts), default=float),
            "waits": FLAGS[f.flag].waits,
        }
        for f in found
    )
    table["urgency"] = table["urgency"].astype(float) * _area_factor(table, lawns)
    table = table.sort_values(
        ["waits", "urgency", "lawn", "zone", "flag"],
        ascending=[True, False, True, True, True],
        kind="stable",
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


def _rounded(facts: Facts) -> Facts:
    """Return facts with six figures each: what comes after hangs on the order of the rows."""
    return {k: float(f"{v:.6g}") if isinstance(v, float) else v for k, v in facts.items()}
