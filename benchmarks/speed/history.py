"""How long the history tables of a large round take, and how much memory.

5,000 lawns, 5 years, 12 visits a year: 300,000 rows of visits, with one renovation a lawn and year
and daily weather. Each step runs on one core; printed are seconds, rows and the peak memory of the
process. The changes are made as `score` makes them, some rows at a time. The time includes nothing
but the functions themselves.

Run `python -m benchmarks.speed.history --help`.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import VISIT_SCORES
from lawnscore.history.attention import attention
from lawnscore.history.changes import change_blocks
from lawnscore.history.recovery import recovery
from lawnscore.history.visits import visit_scores

START = np.datetime64("2020-01-06")
VISITS_A_YEAR = 12


def make_visits(lawns: int, years: int, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return visits and work of a simulated round."""
    rng = np.random.default_rng(seed)
    per = years * VISITS_A_YEAR
    day = np.arange(per) * 365.25 / VISITS_A_YEAR + rng.integers(0, 21, (lawns, 1))
    day = day.astype(np.int64)
    renovated = (day // 365) * 365 + 250 + rng.integers(0, 20, (lawns, 1))
    since = np.maximum(day - renovated, 0)
    set_back = np.where(day > renovated, 35 / (1 + np.exp((since - 22) / 7)), 0.0)
    cover = 85 + 5 * rng.normal(size=(lawns, 1)) + 4 * np.sin(2 * np.pi * (day - 80) / 365)
    cover = np.clip(cover - set_back + rng.normal(0, 2.5, day.shape), 2, 99)
    dates = (START + day.ravel()).astype(str)
    lawn = np.repeat([f"lawn-{i:04d}" for i in range(lawns)], per)
    columns = {"lawn": lawn, "zone": "all", "date": dates, "stage": "check"}
    columns |= {"photos": 4, "refused": 0, "area_m2": 6.0, "version": "1", "settings_id": "a"}
    for name in MEASURES:
        y = cover.ravel() if name == "green_cover_pct" else rng.uniform(1, 20, lawn.size)
        columns |= {name: y, f"{name}_low": np.maximum(y - 5, 0), f"{name}_high": y + 5}
    first = renovated[:, ::VISITS_A_YEAR].ravel()
    work = pd.DataFrame(
        {
            "date": (START + first).astype(str),
            "lawn": np.repeat(np.unique(lawn), years),
            "zone": "all",
            "task": "scarify",
        }
    )
    return VISIT_SCORES.frame(pd.DataFrame(columns)), work


def make_photos(visits: pd.DataFrame, rows: int, seed: int) -> pd.DataFrame:
    """Return four photos for each of some visits."""
    rng = np.random.default_rng(seed)
    some = visits.iloc[:rows]
    photos = some.loc[some.index.repeat(4), ["lawn", "zone", "date", "stage", "version"]]
    photos = photos.assign(status="scored", area_m2=1.5, spot=np.tile(list("abcd"), len(some)))
    for name in MEASURES:
        photos[name] = rng.uniform(1, 20, len(photos))
        photos[f"{name}_se"] = 0.5
    return photos.reset_index(drop=True)


def make_weather(years: int) -> pd.DataFrame:
    day = np.arange(int(years * 365.25) + 30)
    mean = 11 - 8 * np.cos(2 * np.pi * (day - 15) / 365.25)
    return pd.DataFrame({"date": (START + day).astype(str), "mean_c": mean, "rain_mm": 1.5})


def peak_mb() -> float:
    """Return the largest memory this process has held, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@dataclass(frozen=True)
class Step:
    """What one step took: wall and processor seconds, rows made, peak memory so far (MB)."""

    name: str
    wall_s: float
    cpu_s: float
    rows: int
    peak_mb: float


def steps(lawns: int, years: int, seed: int, *, photos: bool = False) -> Iterator[Step]:
    """Make the tables of so many lawns one after the other; yield what each took, and all."""
    visits, work = make_visits(lawns, years, seed)
    weather = make_weather(years)
    yield Step("visits made", 0.0, 0.0, len(visits), peak_mb())
    jobs: dict[str, Callable[[], int]] = {
        "changes": lambda: sum(map(len, change_blocks(visits, work=work))),
        "recovery": lambda: len(recovery(visits, work, weather)),
        "attention": lambda: len(attention(visits, work, weather)),
    }
    if photos:
        rows = make_photos(visits, len(visits), seed)
        jobs = {"visit_scores": lambda: len(visit_scores(rows))} | jobs
    wall, cpu = time.perf_counter(), time.process_time()
    for name, job in jobs.items():
        begin, begin_cpu = time.perf_counter(), time.process_time()
        n = job()
        yield Step(
            name,
            time.perf_counter() - begin,
            time.process_time() - begin_cpu,
            n,
            peak_mb(),
        )
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    yield Step("all", wall, cpu, len(visits), peak_mb())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lawns", type=int, default=5000)
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--photos", action="store_true", help="time visit_scores on photos, too")
    parser.add_argument("--quick", action="store_true", help="a small run that proves it works")
    options = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    lawns = 50 if options.quick else options.lawns
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, pandas {pd.__version__}")
    print(f"{lawns} lawns, {options.years} years")
    for step in steps(lawns, options.years, options.seed, photos=options.photos):
        print(
            f"{step.name:14} {step.wall_s:7.1f} s ({step.cpu_s:6.1f} s of CPU)  "
            f"{step.rows:10} rows  peak {step.peak_mb:6.0f} MB",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
