"""Do the 95 % intervals of a visit hold the truth, when photos err as rendered photos do?

A zone takes its level from one scored photo of the cover study, and all photos of its visit share
that photo's error, value less truth, and its stated error: one card, one camera, one light. The
spots differ as in `intervals.py`: shares by a beta law, bare patches by a few large ones, casts by
a negative binomial law, colour by a normal law. The photos go through `visit_scores` in rounds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchmarks.accuracy.tables import Result, Table, mark, scored
from benchmarks.studies.intervals import MAIN, PHOTO_AREA_M2, beta_spots, patch_spots
from lawnscore.contract.measures import MEASURES
from lawnscore.history.visits import visit_scores

ROUND_SIZE = 60
"""Zones that are scored together, as in one round."""

_DRAWS = 100
"""Visits drawn of each zone for the variance of sampling."""


def visits_tables(results: list[Result], *, quick: bool, seed: int) -> list[Table]:
    """Coverage with four photos, and with 1 to 8."""
    bank = [r for r in scored(results) if r["truth"]["green_cover_pct"] is not None]
    zones = 120 if quick else 3000
    photos = (2, 4) if quick else (2, 3, 4, 6, 8)
    found = {n: _coverage(bank, zones, n, seed) for n in photos}
    rows = []
    for name in MAIN:
        cover, low, high, width, count = found[4][name]
        rows.append(
            (name, str(count), f"{cover:.1f}", f"{low:.1f}", f"{high:.1f}", f"{width:.3g}",
             "93 to 97 %", mark(93 <= cover <= 97))
        )  # fmt: skip
    four = Table(
        "95 % intervals of a visit with 4 photos a zone",
        ("measure", "zones", "hold the truth, %", "too low, %", "too high, %", "median width",
         "target", ""),
        tuple(rows),
        (f"{len(bank)} rendered photos give levels and errors.",),
    )  # fmt: skip
    rows = [
        (name, *(f"{found[n][name][0]:.1f} ({found[n][name][3]:.3g})" for n in photos))
        for name in MAIN
    ]
    by_n = Table(
        "Intervals by number of photos a zone: hold the truth, % (median width)",
        ("measure", *(f"{n} photos" for n in photos)),
        tuple(rows),
    )
    return [four, by_n]


def sampling_variance(name: str, truths: list[float | None], n: int) -> float:
    """Mean square by which the mean of `n` spots misses the level of its zone, by the same laws."""
    rng = np.random.default_rng(0)
    known = [t for t in truths if t is not None and np.isfinite(t)]
    off = [_spots(rng, name, t, n).mean() - t for t in known for _ in range(_DRAWS)]
    return float(np.mean(np.square(off))) if off else float("nan")


Figures = dict[str, tuple[float, float, float, float, int]]


def _coverage(bank: list[Result], zones: int, n: int, seed: int) -> Figures:
    rng = np.random.default_rng([seed, n])
    photos, truths = [], []
    for zone in range(zones):
        rows, truth = _zone(rng, bank[int(rng.integers(len(bank)))], n)
        place = {"lawn": f"l{zone}", "zone": "all", "date": "2025-06-01", "stage": "check"}
        photos += [place | {"status": "scored", "area_m2": PHOTO_AREA_M2} | row for row in rows]
        truths.append(place | truth)
    table, true = pd.DataFrame(photos), pd.DataFrame(truths)
    number = table["lawn"].str[1:].astype(int) // ROUND_SIZE
    visits = pd.concat([visit_scores(part) for _, part in table.groupby(number)])
    joined = true.merge(visits, on=["lawn", "zone"], suffixes=("_true", ""))
    out: Figures = {}
    for name in MAIN:
        low, high, value = joined[f"{name}_low"], joined[f"{name}_high"], joined[f"{name}_true"]
        given = low.notna() & high.notna() & value.notna()
        held = 100 * float(((low <= value) & (value <= high))[given].mean())
        too_low = 100 * float((high < value)[given].mean())
        too_high = 100 * float((low > value)[given].mean())
        out[name] = (held, too_low, too_high, float((high - low)[given].median()), int(given.sum()))
    return out


def _zone(rng: np.random.Generator, base: Result, n: int) -> tuple[list[dict], dict]:
    """Photos of one visit to one zone, and its truth."""
    rows: list[dict] = [{} for _ in range(n)]
    truth: dict[str, float] = {}
    for name in MAIN:
        value, true = base["row"][name], base["truth"][name]
        if value is None or true is None or not np.isfinite(true):
            continue
        truth[name] = true
        spots = _spots(rng, name, true, n) + (value - true)
        top = 100.0 if MEASURES[name].kind == "share" else np.inf
        bottom = -np.inf if MEASURES[name].kind == "index" else 0.0
        for row, spot in zip(rows, np.clip(spots, bottom, top), strict=True):
            row[name] = float(spot)
            row[f"{name}_se"] = base["row"][f"{name}_se"]
    return rows, truth


def _spots(rng: np.random.Generator, name: str, mean: float, n: int) -> np.ndarray:
    if name == "casts_per_m2":
        k = np.exp(rng.normal(np.log(2.5), 0.4))
        return rng.poisson(mean * rng.gamma(k, 1 / k, n) * PHOTO_AREA_M2) / PHOTO_AREA_M2
    if name == "colour_index":
        return rng.normal(mean, np.exp(rng.normal(np.log(0.015), 0.4)), n)
    if name == "bare_patch_pct":
        return patch_spots(rng, mean, n) if mean > 0 else np.zeros(n)
    level = float(np.clip(mean, 0.2, 99.8))
    return beta_spots(rng, level, float(np.exp(rng.normal(np.log(0.015), 0.5))), n)
