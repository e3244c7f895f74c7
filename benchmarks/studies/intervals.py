"""How often 95 % intervals of a visit and of a change hold the truth, for simulated zones.

Each zone has a true mean of every main measure; spots differ about it (shares by a beta law or by
patches with a few large ones, casts by a negative binomial law, colour by a normal law); a photo
adds its own error and every photo of the visit the same shared error. A round has zones of many
kinds, and the photos go through `visit_scores` as a round's do. Printed is the share of zones
whose interval holds the truth, by measure and number of photos, and the median width.

Then the same for changes. Zones are visited twice, with no change, a small or a large one, at the
same spots (named, so that they are paired) or at others. The error that a visit's photos share is
as large as stated, and as much of it is there again at the second visit as `same_lawn.py` has
measured, less the more the zone has changed; in the pessimistic rows (`lasts` 0.5) half as much.
Beside them stand the intervals that take the errors of two visits as independent. False verdicts
are those on zones that did not change.

Run `python -m benchmarks.studies.intervals --help`.
"""

from __future__ import annotations

import argparse
import platform
import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lawnscore.contract.measures import MEASURES
from lawnscore.history.changes import changes
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


@dataclass(frozen=True)
class Scenario:
    """How errors last: card colours, correlation of two visits' errors, and what part of it.

    Parameters
    ----------
    reference
        Where the card's colours come from.
    rho
        Correlation by measure, one for each of :data:`MOVED_POINTS`.
    part
        1 as measured; less is the pessimistic case.
    """

    reference: str
    rho: dict[str, tuple[float, ...]]
    part: float = 1.0


SHARES = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct")
MOVED_POINTS = (1.5, 4.5, 8.0, 12.5, 20.0, 32.0)
"""Middles of the classes of change of `same_lawn.py`."""
NOMINAL = {
    "green_cover_pct": (0.52, 0.46, 0.20, 0.00, 0.03, 0.14),
    "straw_cover_pct": (0.76, 0.61, 0.44, 0.09, 0.07, 0.11),
    "bare_soil_pct": (0.90, 0.87, 0.81, 0.65, 0.43, 0.49),
}
BY_SPECTROPHOTOMETER = {
    "green_cover_pct": (0.64, 0.61, 0.43, 0.39, 0.50, 0.31),
    "straw_cover_pct": (0.79, 0.72, 0.51, 0.28, 0.28, 0.18),
    "bare_soil_pct": (0.92, 0.91, 0.84, 0.73, 0.58, 0.69),
}
"""1 less what `same_lawn.py` prints as left, mean of its two families."""
SCENARIOS = (
    Scenario("nominal", NOMINAL),
    Scenario("measured", BY_SPECTROPHOTOMETER),
    Scenario("nominal", NOMINAL, 0.5),
    Scenario("measured", BY_SPECTROPHOTOMETER, 0.5),
)
STATED = (0.6, 6.6)
"""Stated error of a share, points, as in `photo/classes.py`: floor, slope on sqrt(s (1 - s))."""
KINDS = {"none": 0.5, "small": 0.3, "large": 0.2}
"""How often zones change by nothing, by a little (2 to 10 points), by much (15 to 45)."""


def stated_se(share_pct: np.ndarray) -> np.ndarray:
    """Return the error that a photo states for a share, points."""
    p = np.clip(share_pct, 0, 100) / 100
    return STATED[0] + STATED[1] * np.sqrt(p * (1 - p))


def change_zone(
    rng: np.random.Generator, scenario: Scenario, n: int, paired: bool
) -> tuple[list[dict], dict]:
    """Return the photos of two visits to a zone, and the true changes of its shares."""
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    gone = {"none": 0.0, "small": rng.uniform(2, 10), "large": rng.uniform(15, 45)}[kind]
    green = rng.uniform(60, 96)
    straw = (99.5 - green) * rng.beta(1.5, 1.5)
    browned = rng.uniform(0, 1)
    first = np.array([green, straw, 99.5 - green - straw])
    second = first + gone * np.array([-1, browned, 1 - browned])
    if rng.random() < 0.5:
        first, second = second, first
    moved = np.abs(second - first).sum() / 2
    rho = scenario.part * np.array(
        [np.interp(moved, MOVED_POINTS, scenario.rho[name]) for name in SHARES]
    )
    shared = rng.normal(size=(2, 3))
    shared[1] = rho * shared[0] + np.sqrt(1 - rho**2) * shared[1]
    unit = np.exp(rng.normal(np.log(0.015), 0.5, 3))
    spots = [rng.normal(size=(2 * n, 3)) for _ in range(2)]
    if paired:
        # the same places, give or take a step
        spots[1] = 0.9 * spots[0] + np.sqrt(1 - 0.9**2) * spots[1]
    rows = []
    for visit, (mean, noise) in enumerate(zip((first, second), spots, strict=True)):
        spread = np.sqrt(unit * mean * (100 - mean))
        for spot in range(n):
            value = mean + spread * noise[spot] + stated_se(mean) * shared[visit]
            value = np.clip(value, 0, 100)
            row = {"visit": visit, "litter_pct": 0.5, "cast_cover_pct": 0.0}
            for name, v, se in zip(SHARES, value, stated_se(value), strict=True):
                row |= {name: v, f"{name}_se": se}
            rows.append(row | ({"spot": f"s{spot}"} if paired else {}))
    return rows, {"moved": kind} | dict(zip(SHARES, second - first, strict=True))


def change_coverage(settings: Settings, scenario: Scenario, *, paired: bool) -> pd.DataFrame:
    """Return one row a measure and way of reckoning: coverage, false verdicts, what shows."""
    rng = np.random.default_rng([settings.seed, 77, paired])
    photos, truths = [], []
    for zone in range(settings.zones):
        rows, truth = change_zone(rng, scenario, 4, paired)
        for row in rows:
            place = {"lawn": f"l{zone}", "zone": "all", "date": f"2025-0{5 + row['visit']}-01"}
            place |= {"stage": "check", "status": "scored", "area_m2": PHOTO_AREA_M2}
            photos.append(place | row | {"version": "1", "colour_reference": scenario.reference})
        truths.append({"lawn": f"l{zone}"} | truth)
    table, true = pd.DataFrame(photos), pd.DataFrame(truths)
    found = []
    for way in ("lasting", "independent"):
        if way == "independent":
            # visits of another version have nothing in common
            table = table.assign(version=table["visit"].astype(str))
        number = table["lawn"].str[1:].astype(int) // settings.round_size
        parts = [changes(visit_scores(p), photo_scores=p) for _, p in table.groupby(number)]
        joined = pd.concat(parts).merge(true, on="lawn")
        for name in SHARES:
            rows = joined[joined["measure"] == name]
            held = (rows["low"] <= rows[name]) & (rows[name] <= rows["high"])
            still = rows["moved"] == "none"
            claimed = rows["verdict"].isin(["better", "worse"])
            found.append(
                {
                    "card": scenario.reference,
                    "lasts": scenario.part,
                    "spots": "same" if paired else "other",
                    "reckoned": way,
                    "measure": name,
                    "coverage_pct": 100 * held.mean(),
                    "no_change_pct": 100 * held[still].mean(),
                    "small_pct": 100 * held[rows["moved"] == "small"].mean(),
                    "large_pct": 100 * held[rows["moved"] == "large"].mean(),
                    "false_verdicts_pct": 100 * claimed[still].mean(),
                    "half_width": (rows["high"] - rows["low"])[still].median() / 2,
                    "shows": rows["smallest_detectable"][still].median(),
                }
            )
    return pd.DataFrame(found)


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
    settings = Settings(zones // 2, (4,), options.seed, options.round_size)
    parts = [change_coverage(settings, s, paired=p) for s in SCENARIOS for p in (True, False)]
    print(f"\nChanges between two visits of 4 photos, {settings.zones} zones a row")
    print(pd.concat(parts).round(2).to_string(index=False))
    return 0


if __name__ == "__main__":
    sys.exit(main())
