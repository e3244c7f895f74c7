"""Which two occasions a report compares in a zone, for headline, figures and pictures alike."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from statistics import fmean
from typing import Literal

from lawnscore.contract.rows import Row
from lawnscore.report.load import LawnRows

RENOVATION_IN_MIND_DAYS = 365  # after a year people ask about last year, not about the work

SPLIT = ("bare_soil_pct", "straw_cover_pct")
"""Shares that are told only where the photos tell straw from soil surely enough."""

SPLIT_FROM = 0.6
"""Mean chance, from which straw and soil are told apart to a customer; our choice."""

Occasion = tuple[str, str]
"""Date and stage."""

Basis = Literal["work", "since_before_work", "since_renovation", "year", "visit", "none"]
"""Which pair of occasions is told; the kinds of changes.csv, or ``none``."""


def latest_visit(lawn: LawnRows, zone: str) -> Row | None:
    """Return the zone's last visit with a scored photo, the later stage of the day."""
    rows = [v for v in lawn.zone_rows("visits", zone) if v["photos"]]
    return rows[-1] if rows else None


def compared_renovation(lawn: LawnRows, zone: str) -> Row | None:
    """Return the recovery row of the work that the zone's last figures are held against."""
    now = latest_visit(lawn, zone)
    if now is None:
        return None
    done = [r for r in lawn.zone_rows("recovery", zone) if _since(r, now) in _IN_MIND]
    if done and done[-1]["renovation_date"] == now["date"] and now["stage"] == "before":
        return None  # nothing has been seen since that work
    return done[-1] if done else None


_IN_MIND = range(RENOVATION_IN_MIND_DAYS + 1)


def _since(recovery: Row, now: Row) -> int:
    begun = date.fromisoformat(recovery["renovation_date"])
    return (date.fromisoformat(now["date"]) - begun).days


def basis(lawn: LawnRows, zone: str) -> Basis:
    """Return which pair of occasions is told of a zone.

    What the work of the day did; else, within a year of work that thins the lawn, before the work
    against now (or, where there are no photos from before, just after it); else the same season a
    year before; else the visit before.
    """
    return _basis_and_rows(lawn, zone)[0]


def compared_changes(lawn: LawnRows, zone: str) -> list[Row]:
    """Return the changes between the two occasions that are told, of every measure that is told."""
    rows = _basis_and_rows(lawn, zone)[1]
    if splits_straw_and_soil(lawn, zone):
        return rows
    return [c for c in rows if c["measure"] not in SPLIT]


def compared_change(lawn: LawnRows, zone: str, measure: str) -> Row | None:
    """Return the change of one measure that is told of a zone; ``None`` when there is none."""
    rows = [c for c in compared_changes(lawn, zone) if c["measure"] == measure]
    return rows[0] if rows else None


def splits_straw_and_soil(lawn: LawnRows, zone: str) -> bool:
    """Return whether straw and bare soil are told apart; so they are in tables that do not say."""
    confidence = compared_confidence(lawn, zone)
    return confidence is None or confidence >= SPLIT_FROM


def compared_confidence(lawn: LawnRows, zone: str) -> float | None:
    """Return how surely straw is told from soil on the occasions that are told of a zone."""
    occasions = {
        (c[f"{end}_date"], c[f"{end}_stage"])
        for c in _basis_and_rows(lawn, zone)[1]
        for end in ("from", "to")
    }
    now = latest_visit(lawn, zone)
    if now is not None:
        occasions.add((now["date"], now["stage"]))
    return split_confidence(lawn, zone, occasions)


def split_confidence(lawn: LawnRows, zone: str, occasions: Collection[Occasion]) -> float | None:
    """Return the mean ``straw_soil_confidence`` of a zone's scored photos of these occasions."""
    known = [
        float(p["straw_soil_confidence"])
        for p in lawn.zone_rows("photos", zone)
        if (p["date"], p["stage"]) in occasions
        and p["status"] == "scored"
        and p["straw_soil_confidence"] is not None
    ]
    return fmean(known) if known else None


def _basis_and_rows(lawn: LawnRows, zone: str) -> tuple[Basis, list[Row]]:
    now = latest_visit(lawn, zone)
    if now is None:
        return "none", []
    known = [
        c
        for c in lawn.zone_rows("changes", zone)
        if c["to_date"] == now["date"] and c["change"] is not None
    ]
    for kind in _wanted(lawn, zone, now):
        rows = [c for c in known if c["kind"] == kind]
        if rows:
            last = max((c["from_date"], c["to_stage"] == now["stage"]) for c in rows)
            pair = [c for c in rows if (c["from_date"], c["to_stage"] == now["stage"]) == last]
            return kind, pair
    return "none", []


def _wanted(lawn: LawnRows, zone: str, now: Row) -> tuple[Basis, ...]:
    done = compared_renovation(lawn, zone)
    if done is None:
        return ("year", "visit") if now["stage"] != "after" else ("work", "year", "visit")
    if done["renovation_date"] == now["date"]:
        return ("work", "since_before_work")
    return ("since_before_work", "since_renovation")


def known_better(change: Row | None, now: Row | None) -> bool:
    """Return whether a change is known better than the level it led to, by their intervals."""
    if change is None or now is None:
        return False
    measure = change["measure"]
    ends = (change["low"], change["high"], now[f"{measure}_low"], now[f"{measure}_high"])
    if None in ends:
        return False
    return bool(ends[1] - ends[0] < ends[3] - ends[2])


def verdict_key(change: Row | None) -> str:
    """Return the verdict of a change as one word.

    ``none`` when there is none, ``untold`` when there are too few photos for a verdict; ``by_work``
    and ``since_dip`` for what the work did and what grew since, which are neither better nor worse
    but meant.
    """
    if change is None:
        return "none"
    meant = {"work": "by_work", "since_renovation": "since_dip"}.get(change["kind"])
    if meant:
        return meant
    return str(change["verdict"] or "untold").replace(" ", "_")
