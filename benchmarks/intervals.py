"""How often 95 % intervals of a visit hold the truth, for simulated zones.

Each zone has a true mean of every main measure; spots differ about it (shares by a beta law or by
patches with a few large ones, casts by a negative binomial law, colour by a normal law); a photo
adds its own error and every photo of the visit the same shared error. A round has zones of many
kinds, and the photos go through `visit_scores` as a round's do. Printed is the share of zones
whose interval holds the truth, by measure and number of photos, and the median width.

Run `python benchmarks/intervals.py --help`.
"""

from __future__ import annotations

import argparse
import platform
import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lawnscore.contract.measures import MEASURES
from lawnscore.history.visits import visit_scores

MAIN = [m.name for m in MEASURES.values() if m.main]
PHOTO_AREA_M2 = 1.5
SHARED_SE = {
    "green_cover_pct": 1.5,
    "straw_cover_pct": 1.2,
    "bare_soil_pct": 0.8,
    "casts_per_m2": 0.2,
    "bare_patch_pct": 0.3,
    "colour_index": 0.008,
    "evenness": 1.0,
    "condition": 1.0,
}
"""Error common to the photos of a visit, in the unit of the measure; assumed."""
LEVELS = {
    "green_cover_pct": (60.0, 98.0),
    "straw_cover_pct": (1.0, 30.0),
    "bare_soil_pct": (0.3, 12.0),
    "evenness": (55.0, 92.0),
    "condition": (45.0, 95.0),
}
"""Range of the zones' true means; shares are drawn evenly in between."""


@dataclass(frozen=True)
class Settings:
    """What is simulated: zones in all, numbers of photos, seed, zones scored together."""

    zones: int
    photos: tuple[int, ...]
    seed: int
    round_size: int


def beta_spots(rng: np.random.Generator, mean: float, unit: float, n: int) -> np.ndarray:
    """Return shares of spots, %: beta with variance ``unit * p (1 - p)``."""
    p = mean / 100
    k = 1 / unit - 1
    return 100 * rng.beta(p * k, (1 - p) * k, n)


def patch_spots(rng: np.random.Generator, mean: float, n: int) -> np.ndarray:
    """Return shares of bare patches at spots: mostly none, some with a patch of lognormal size."""
    chance = min(0.9, 0.15 + mean / 10)
    size = mean / chance / np.exp(0.5 * 0.7**2)
    return np.where(rng.random(n) < chance, size * rng.lognormal(0, 0.7, n), 0.0)


def simulate(settings: Settings, n_photos: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return photo rows of one round and the truth of its zones.

    As in a real round the zones have different numbers of photos: half of them `n_photos`, whose
    coverage is counted, the others 2 to 8.
    """
    rng = np.random.default_rng([settings.seed, n_photos])
    photos, truths = [], []
    for zone in range(settings.zones):
        counted = zone % 2 == 0
        n = n_photos if counted else int(rng.integers(2, 9))
        rows, truth = simulate_zone(rng, n)
        place = {"lawn": f"l{zone}", "zone": "all", "date": "2025-06-01", "stage": "check"}
        photos += [place | {"status": "scored", "area_m2": PHOTO_AREA_M2} | row for row in rows]
        truths.append(place | {"counted": counted} | truth)
    return pd.DataFrame(photos), pd.DataFrame(truths)


def simulate_zone(rng: np.random.Generator, n: int) -> tuple[list[dict], dict]:
    truth, spots, within = {}, {}, {}
    for name, (low, high) in LEVELS.items():
        truth[name] = rng.uniform(low, high)
        unit = np.exp(rng.normal(np.log(0.015), 0.5))
        spots[name] = beta_spots(rng, truth[name], unit, n)
        within[name] = 0.05 * np.sqrt(truth[name] * (100 - truth[name]))
    truth["bare_patch_pct"] = rng.choice([0.0, 0.2, 1.0, 3.0, 8.0])
    spots["bare_patch_pct"] = patch_spots(rng, truth["bare_patch_pct"], n)
    within["bare_patch_pct"] = 0.0
    truth["casts_per_m2"] = float(np.exp(rng.uniform(np.log(0.3), np.log(25))))
    k = np.exp(rng.normal(np.log(2.5), 0.4))
    local = truth["casts_per_m2"] * rng.gamma(k, 1 / k, n)
    spots["casts_per_m2"] = rng.poisson(local * PHOTO_AREA_M2) / PHOTO_AREA_M2
    within["casts_per_m2"] = 0.0
    truth["colour_index"] = rng.uniform(0.4, 0.65)
    spots["colour_index"] = rng.normal(
        truth["colour_index"], np.exp(rng.normal(np.log(0.015), 0.4)), n
    )
    within["colour_index"] = 0.005
    rows: list[dict] = [{} for _ in range(n)]
    for name in MAIN:
        # shares near an end cannot be off by much, nor can few casts
        size = SHARED_SE[name]
        if name == "casts_per_m2":
            size *= min(truth[name] / 5, 1.0)
        elif name != "colour_index":
            size *= min(truth[name], 100 - truth[name], 10.0) / 10.0
        value = spots[name] + rng.normal(0, size) + rng.normal(0, within[name], n)
        top = 100.0 if MEASURES[name].kind == "share" else np.inf
        for row, v in zip(rows, np.clip(value, 0.0, top), strict=True):
            row[name] = float(v)
            row[f"{name}_se"] = float(np.hypot(size, within[name] * 0.3))
    return rows, truth


def visits_by_round(photos: pd.DataFrame, size: int) -> pd.DataFrame:
    """Return the visits, scored in rounds of `size` zones that know nothing of each other."""
    number = photos["lawn"].str[1:].astype(int) // size
    return pd.concat([visit_scores(part) for _, part in photos.groupby(number)])


def coverage(settings: Settings) -> pd.DataFrame:
    """Return one row a measure and number of photos: coverage, misses on each side, width."""
    rows = []
    for n in settings.photos:
        photos, truth = simulate(settings, n)
        visits = visits_by_round(photos, settings.round_size)
        joined = truth.merge(visits, on=["lawn", "zone"], suffixes=("_true", "")).query("counted")
        for name in MAIN:
            low, high = joined[f"{name}_low"], joined[f"{name}_high"]
            value = joined[f"{name}_true"]
            given = low.notna() & high.notna()
            rows.append(
                {
                    "measure": name,
                    "photos": n,
                    "zones": int(given.sum()),
                    "coverage_pct": 100 * float(((low <= value) & (value <= high))[given].mean()),
                    "too_low_pct": 100 * float((high < value)[given].mean()),
                    "too_high_pct": 100 * float((low > value)[given].mean()),
                    "width": float((high - low)[given].median()),
                }
            )
    return pd.DataFrame(rows)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--zones", type=int, default=4000, help="zones in all; half are counted")
    parser.add_argument("--round-size", type=int, default=60, help="zones scored together")
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--quick", action="store_true", help="a small run that proves it works")
    options = parser.parse_args()
    zones = 200 if options.quick else options.zones
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, pandas {pd.__version__}")
    print(
        f"{zones // 2} zones counted for each number of photos, in rounds of "
        f"{options.round_size}, seed {options.seed}"
    )
    table = coverage(Settings(zones, (1, 2, 3, 4, 8), options.seed, options.round_size))
    wide = table.pivot_table(index="measure", columns="photos", values="coverage_pct").round(1)
    print("\nCoverage of the 95 % intervals, %\n" + wide.loc[MAIN].to_string())
    four = table.query("photos == 4").set_index("measure").loc[MAIN].round(3)
    print("\nFour photos\n" + four.drop(columns="photos").to_string())
    return 0


if __name__ == "__main__":
    sys.exit(main())
