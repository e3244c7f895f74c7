"""False flags and detected declines of `attention`, on simulated rounds, against simpler rules.

A round has 40 lawns over three years, visited about monthly (some visits missed), with 2 to 8
photos, six lawns in ten at the same spots each time. Cover follows the lawn's level, a shared
season and weather (a drought included), the lawn's own season, its own wandering, and autumn
renovations (a few of which recover badly). A lawn in four loses 12 points over 8 weeks and stays
down, one in four gains 6 points of bare patches, one in four 30 casts per m2; the rest are quiet.
One lawn in eight casts heavily in its season, which its round-mates do not. Bare patches stay at
their spots. Colour moves with season and chance alone.
Photos go through `visit_scores`, and `attention` is asked every two weeks of the
last two years, knowing only what was known that day.

* False flags: each time cover falling, colour fading, casts rising, bare patches growing or
  recovery slow starts on a lawn that does not decline or recover badly, per lawn and year.
* Detection: a decline counts as flagged in time when its flag stands by the second visit from the
  first one at which all of it has come (for the table of rules: at which 5 points are lost).
* `since` must not move: the share of reviews at which a standing flag keeps the day it named first.
* After renovations that go to plan: share without any of these flags in the first 4 weeks.

The simple rules see the same visits: cover fell by more than X since the last visit; cover is
below X; and the slope of the last six visits (Theil-Sen) falls short of X with a Mann-Kendall test.
Each is shown with its X set to make as many false flags as `attention` does for cover.

Seeds 0 to 199 were for tuning, 200 and above are for reporting. Run with `--help`.
"""

from __future__ import annotations

import argparse
import platform
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.stats import kendalltau, theilslopes

from lawnscore.history.attention import attention
from lawnscore.history.change_error import error_parts
from lawnscore.history.drift import drift
from lawnscore.history.visits import visit_scores
from lawnscore.history.watch import WATCHES, look, watched_visits

START = np.datetime64("2022-01-03")
DAYS, WARM_UP = 3 * 365, 365
REVIEW_DAYS = 14
LOSS, LOSS_DAYS, PASSED = 12.0, 56, 5.0
PATCHES, CASTS = 6.0, 30.0
WATCHED = (
    "cover falling",
    "colour fading",
    "casts rising",
    "bare patches growing",
    "recovery slow",
)


ERRING = ("green_cover_pct", "colour_index", "casts_per_m2")
"""Measures whose visits err by what `lawnscore/history/change_errors.json` says."""


@dataclass
class Lawn:
    """Truth of one lawn; arrays are by day."""

    name: str
    cover: np.ndarray
    lost: np.ndarray
    visits: list[tuple[int, str]]
    renovations: list[int]
    bad: list[int] = field(default_factory=list)
    decline: int | None = None
    photos: int = 0
    same_spots: bool = False
    patched: np.ndarray = field(default_factory=lambda: np.zeros(DAYS))
    more_casts: np.ndarray = field(default_factory=lambda: np.zeros(DAYS))
    caster: bool = False


def smooth(rng: np.random.Generator, sd: float, days: float) -> np.ndarray:
    """Return a smooth wandering series: first-order, with a correlation time in days."""
    keep = np.exp(-1 / days)
    noise = rng.normal(0, sd * np.sqrt(1 - keep**2), DAYS)
    out = np.empty(DAYS)
    out[0] = rng.normal(0, sd)
    for day in range(1, DAYS):
        out[day] = keep * out[day - 1] + noise[day]
    return out


def shared_weather(rng: np.random.Generator) -> np.ndarray:
    """Return what the whole round does: season, weather and one drought, points of cover."""
    day = np.arange(DAYS)
    drought = int(rng.integers(WARM_UP + 120, DAYS - 200))
    dry = 10 * np.exp(-0.5 * ((day - drought) / 25.0) ** 2)
    return 4 * np.sin(2 * np.pi * (day - 90) / 365.25) + smooth(rng, 2.5, 40) - dry


def make_lawn(rng: np.random.Generator, i: int, shared: np.ndarray) -> Lawn:
    day = np.arange(DAYS)
    phase = rng.uniform(0, 2 * np.pi)
    cover = rng.normal(85, 4) + shared + smooth(rng, 1.5, 40)
    cover += rng.normal(0, 1.2) * np.sin(2 * np.pi * day / 365.25 + phase)
    renovations, bad = [], []
    left = np.ones(DAYS)
    for year in range(3):
        if rng.random() < 0.6:
            start = year * 365 + int(rng.integers(240, 275))
            slow = rng.random() < 0.05
            share, t95 = rng.uniform(0.5, 0.75), 40 * np.exp(rng.normal(0, 0.15))
            t95 *= 3.0 if slow else 1.0
            b2 = np.log(1 / share - 1)
            after = day >= start
            left[after] = 1 / (1 + np.exp(b2 - (b2 + 2.944) / t95 * (day[after] - start)))
            renovations.append(start)
            bad += [start] if slow else []
    lawn = Lawn(f"lawn-{i:02d}", cover, np.zeros(DAYS), [], renovations, bad)
    lawn.caster = i % 8 == 7
    if i % 4 != 3:
        place_decline(rng, lawn, i % 4)
    lawn.cover = np.clip(cover * left - lawn.lost, 1, 99)
    place_visits(rng, lawn)
    return lawn


def place_decline(rng: np.random.Generator, lawn: Lawn, kind: int) -> None:
    # away from renovations, whose recovery is another flag's business
    days = np.arange(WARM_UP + 30, DAYS - 120)
    free = np.all([(days < r - 110) | (days > r + 95) for r in lawn.renovations] or [days > 0], 0)
    if free.any():
        lawn.decline = int(rng.choice(days[free]))
        share = np.clip((np.arange(DAYS) - lawn.decline) / LOSS_DAYS, 0, 1)
        if kind == 0:
            lawn.lost = share * LOSS
        elif kind == 1:
            lawn.patched = share * PATCHES
        else:
            lawn.more_casts = share * CASTS


def place_visits(rng: np.random.Generator, lawn: Lawn) -> None:
    day = int(rng.integers(0, 28))
    while day < DAYS:
        if rng.random() > 0.1 and all(abs(day - r) > 5 for r in lawn.renovations):
            lawn.visits.append((day, "check"))
        day += 30 + int(rng.integers(-5, 6))
    for start in lawn.renovations:
        lawn.visits += [(start, "before"), (start, "after")]
        lawn.visits += [(start + t, "check") for t in (14, 28) if start + t < DAYS]
    order = {"before": 0, "check": 1, "after": 2}
    lawn.visits.sort(key=lambda v: (v[0], order[v[1]]))


def make_round(
    seed: int, lawns: int, worse: float = 1.0
) -> tuple[list[Lawn], pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return lawns with their truth, the visit table, the work and the photos of one round."""
    rng = np.random.default_rng(seed)
    shared = shared_weather(rng)
    made = [make_lawn(rng, i, shared) for i in range(lawns)]
    colour = 0.55 + 0.04 * np.sin(2 * np.pi * (np.arange(DAYS) - 100) / 365) + smooth(rng, 0.01, 40)
    casts = np.exp(1.0 + 1.2 * np.cos(2 * np.pi * np.arange(DAYS) / 365) + smooth(rng, 0.3, 40))
    photos = [row for lawn in made for row in photograph(rng, lawn, colour, casts, worse)]
    work = [
        {"date": str(START + day), "lawn": lawn.name, "zone": "all", "task": "scarify"}
        for lawn in made
        for day in lawn.renovations
    ]
    table = pd.DataFrame(photos)
    return made, visit_scores(table), pd.DataFrame(work), table


def photograph(
    rng: np.random.Generator,
    lawn: Lawn,
    colour: np.ndarray,
    casts: np.ndarray,
    worse: float,
) -> list[dict]:
    usual, spread = int(rng.integers(2, 9)), rng.uniform(3, 6)
    own_colour, own_casts = rng.normal(0, 0.02), np.exp(rng.normal(0, 0.5))
    wander = smooth(rng, 0.006, 40), smooth(rng, 0.2, 40)
    patchy = rng.choice([0.1, 0.5, 1.5])
    # six lawns in ten are photographed at the same spots each time, give or take a step
    same_spots = rng.random() < 0.6
    lawn.photos, lawn.same_spots = usual, same_spots
    spots, step = rng.normal(0, spread, 10), 2.0
    own_patches = rng.lognormal(np.log(patchy * 2), 0.7, 10) * (rng.random(10) < 0.4)
    off = {name: error_course(rng, lawn, name, worse) for name in ERRING}
    slope = off["green_cover_pct"][1]
    usual_cover = float(np.median(lawn.cover))
    rows = []
    for visit, (day, stage) in enumerate(lawn.visits):
        cover = lawn.cover[day - (stage == "before")]
        rate = casts[day] * own_casts * np.exp(wander[1][day]) + lawn.more_casts[day]
        if lawn.caster:
            rate += 25 * max(np.cos(2 * np.pi * (day - 290) / 365.25), 0.0)
        true = colour[day] + own_colour + wander[0][day]
        fresh = rng.lognormal(np.log(patchy * 2), 0.7, 10) * (rng.random(10) < 0.4)
        bare = own_patches if same_spots else fresh
        bare = (bare + lawn.patched[day] * rng.gamma(4, 0.25, 10)) * rng.lognormal(0, 0.15, 10)
        wrong = cover + slope * (cover - usual_cover)
        seen_cover = wrong + off["green_cover_pct"][0][visit]
        seen_true = true + off["colour_index"][0][visit]
        seen_rate = rate + off["casts_per_m2"][0][visit]
        for spot in range(max(1, usual + int(rng.integers(-1, 2)))):
            away = spots[spot] + rng.normal(0, step) if same_spots else rng.normal(0, spread)
            row = {
                "green_cover_pct": float(np.clip(seen_cover + away, 0, 100)),
                "colour_index": seen_true + rng.normal(0, 0.012),
                "casts_per_m2": rng.poisson(max(seen_rate, 0) * rng.gamma(2.5, 0.4) * 1.5) / 1.5,
                "bare_patch_pct": bare[spot],
            }
            row |= {f"{name}_se": stated_se(name, value) for name, value in row.items()}
            rows.append(
                {
                    "lawn": lawn.name,
                    "zone": "all",
                    "spot": f"s{spot}" if same_spots else None,
                    "date": str(START + day),
                    "stage": stage,
                    "status": "scored",
                    "area_m2": 1.5,
                    "colour_reference": "nominal",
                }
                | row
            )
    return rows


def stated_se(measure: str, value: float) -> float:
    """Return what a photo states for the error of a measure: the typical one."""
    if measure == "bare_patch_pct":
        return float(np.hypot(0.1 * value, 0.13))
    return error_parts()[measure].typical


def error_course(
    rng: np.random.Generator, lawn: Lawn, measure: str, worse: float
) -> tuple[np.ndarray, float]:
    """Return the error of each visit, and what each point of change adds to it.

    What lasts on the lawn is drawn once; each visit has its day, each renovation brings other
    grass. ``worse`` multiplies all but what lasts.
    """
    parts = error_parts()[measure]
    lasts, out, done = rng.normal(0, parts.typical), np.empty(len(lawn.visits)), 0
    for visit, (day, stage) in enumerate(lawn.visits):
        since = sum(r < day or (r == day and stage == "after") for r in lawn.renovations)
        if since > done:
            lasts += rng.normal(0, worse * parts.grass)
            done = since
        out[visit] = lasts + rng.normal(0, worse * parts.day)
    return out, float(rng.normal(0, worse * parts.point))


@dataclass
class Tally:
    """Counts over rounds."""

    lawn_years: float = 0.0
    false_by_flag: dict[str, int] = field(default_factory=dict)
    declines: int = 0
    in_time: int = 0
    one_later: int = 0
    ever: int = 0
    visits_taken: list[int] = field(default_factory=list)
    by_kind: dict[str, list[tuple[bool, bool]]] = field(default_factory=dict)
    by_flag: dict[str, list[bool]] = field(default_factory=dict)
    since_kept: int = 0
    since_asked: int = 0
    renovations: int = 0
    quiet: int = 0
    bad: int = 0
    bad_found: int = 0


Raised = dict[tuple[str, str], list[int]]
"""Days of the reviews at which a lawn carried a flag, by lawn and flag."""


def starts(days: list[int]) -> list[int]:
    """Return the first day of each unbroken run of reviews (one missing review does not break)."""
    return [d for i, d in enumerate(days) if i == 0 or d - days[i - 1] > 2 * REVIEW_DAYS]


def tally(lawns: list[Lawn], raised: Raised, out: Tally, reviews: np.ndarray) -> None:
    """Add one round to the counts."""
    for lawn in lawns:
        out.lawn_years += (reviews[-1] - reviews[0] + REVIEW_DAYS) / 365.25
        for flag in WATCHED:
            runs = starts(raised.get((lawn.name, flag), []))
            false = sum(1 for day in runs if not deserved(lawn, flag, day))
            out.false_by_flag[flag] = out.false_by_flag.get(flag, 0) + false
        for flag, course in CAUSES.items():
            tally_cause(lawn, flag, course(lawn), raised.get((lawn.name, flag), []), out)
        if lawn.lost.any():
            tally_decline(lawn, raised.get((lawn.name, "cover falling"), []), out)
        flagged = {d for flag in WATCHED for d in raised.get((lawn.name, flag), [])}
        for start in lawn.renovations:
            if start < reviews[0] or start + 28 > reviews[-1] or changed(lawn, start):
                continue
            if start in lawn.bad:
                out.bad += 1
                slow = raised.get((lawn.name, "recovery slow"), [])
                out.bad_found += any(start < d <= start + 110 for d in slow)
            else:
                out.renovations += 1
                out.quiet += not any(start <= d <= start + 28 for d in flagged)


CAUSES: dict[str, Callable[[Lawn], np.ndarray]] = {
    "cover falling": lambda lawn: lawn.lost,
    "bare patches growing": lambda lawn: lawn.patched,
    "casts rising": lambda lawn: lawn.more_casts,
}


def changed(lawn: Lawn, day: int) -> bool:
    """Return whether something else than a renovation has befallen the lawn by a day."""
    return any(course(lawn)[day] > 0 for course in CAUSES.values())


def tally_cause(lawn: Lawn, flag: str, course: np.ndarray, days: list[int], out: Tally) -> None:
    """Count whether a change that has come in full is flagged by the second visit from then."""
    if not course.any():
        return
    # a renovation hides its lawn on purpose
    quiet = [r for r in lawn.renovations if lawn.decline - 30 <= r <= lawn.decline + 150]
    seen = [day for day, _ in lawn.visits if course[day] >= course.max()]
    if len(seen) < 3 or quiet or seen[1] - seen[0] > 75:
        return
    found = any(lawn.decline <= d <= seen[1] + REVIEW_DAYS for d in days)
    out.by_flag.setdefault(flag, []).append(found)


def deserved(lawn: Lawn, flag: str, day: int) -> bool:
    """Return whether a flag that starts on this day has something behind it."""
    if flag in CAUSES and CAUSES[flag](lawn)[day] > 0:
        return True
    after_bad = any(start <= day <= start + 250 for start in lawn.bad)
    return after_bad and flag in ("cover falling", "recovery slow")


def tally_decline(lawn: Lawn, days: list[int], out: Tally) -> None:
    seen = [day for day, _ in lawn.visits if lawn.lost[day] >= PASSED]
    if len(seen) < 3:
        return
    out.declines += 1
    begun = [d for d in days if d >= lawn.decline]
    # a visit is judged at the first review after it, which must come before the next visit's
    by = [day + REVIEW_DAYS for day in seen]
    out.in_time += any(d < by[1] for d in begun)
    out.one_later += any(d < by[2] for d in begun)
    out.ever += bool(begun)
    kind = ("same spots" if lawn.same_spots else "new spots", "4+" if lawn.photos >= 4 else "2-3")
    found = any(d < by[1] for d in begun), any(d < by[2] for d in begun)
    out.by_kind.setdefault(f"{kind[0]}, {kind[1]} photos", []).append(found)
    if begun:
        out.visits_taken.append(sum(day <= begun[0] for day in seen))


def review_days() -> np.ndarray:
    return np.arange(WARM_UP, DAYS, REVIEW_DAYS)


def watch_round(
    visits: pd.DataFrame, work: pd.DataFrame, photos: pd.DataFrame, out: Tally
) -> Raised:
    """Ask `attention` at every review."""
    raised: Raised = {}
    named: dict[tuple[str, str], tuple[int, str]] = {}
    for day in review_days():
        table = attention(visits, work, photo_scores=photos, today=str(START + day))
        for lawn, flag, since in zip(table["lawn"], table["flag"], table["since"], strict=True):
            raised.setdefault((lawn, flag), []).append(int(day))
            before = named.get((lawn, flag))
            if flag in CAUSES and before is not None and before[0] == day - REVIEW_DAYS:
                out.since_asked += 1
                out.since_kept += before[1] == since
            named[lawn, flag] = (int(day), since)
    return raised


def statistics(visits: pd.DataFrame, work: pd.DataFrame) -> dict[str, dict[tuple[str, int], float]]:
    """Return, by rule, how strongly it speaks for a decline, by lawn and review day."""
    out: dict[str, dict[tuple[str, int], float]] = {
        "model of drift": {},
        "fell since last visit": {},
        "below a threshold": {},
        "Theil-Sen and Mann-Kendall": {},
    }
    for day in review_days():
        state = look(visits, work, today=str(START + day))
        watched = watched_visits(state, WATCHES[0])
        moved = drift(watched, len(state.series.places), WATCHES[0].priors)
        before = moved.step
        for place, lawn in enumerate(state.series.places["lawn"]):
            key = (lawn, int(day))
            values = watched.value[watched.place == place]
            if np.isfinite(moved.z[place]) and before[place] <= -WATCHES[0].least:
                out["model of drift"][key] = -moved.z[place]
            if len(values) > 1:
                out["fell since last visit"][key] = values[-2] - values[-1]
            if len(values):
                out["below a threshold"][key] = -values[-1]
            if len(values) >= 6 and falls(values[-6:]):
                out["Theil-Sen and Mann-Kendall"][key] = -theilslopes(values[-6:]).slope
    return out


def falls(values: np.ndarray) -> bool:
    """Return whether a Mann-Kendall test of six values points down, at 20 % (Mann 1945)."""
    tau = kendalltau(np.arange(len(values)), values)
    return bool(tau.statistic < 0 and tau.pvalue < 0.2)


def as_raised(statistic: dict[tuple[str, int], float], limit: float) -> Raised:
    raised: Raised = {}
    for (lawn, day), value in sorted(statistic.items(), key=lambda item: item[0][1]):
        if value > limit:
            raised.setdefault((lawn, "cover falling"), []).append(day)
    return raised


def compare(rounds: list, limit_of: Callable[[Tally], bool]) -> list[tuple[str, float, Tally]]:
    """Return each rule with its limit set as low as `limit_of` allows, and its counts."""
    found = []
    for rule in rounds[0][1]:
        values = np.concatenate([list(r[1][rule].values()) for r in rounds])
        for limit in np.quantile(values, 1 - np.geomspace(0.3, 1e-4, 60)):
            counts = Tally()
            for lawns, by_rule in rounds:
                tally(lawns, as_raised(by_rule[rule], limit), counts, review_days())
            if limit_of(counts):
                break
        found.append((rule, float(limit), counts))
    return found


def per_year(counts: Tally, flag: str) -> float:
    return counts.false_by_flag.get(flag, 0) / counts.lawn_years


def report(counts: Tally, compared: list[tuple[str, float, Tally]]) -> None:
    print(f"\n{counts.lawn_years:.0f} lawn-years, {counts.declines} declines")
    print("False flags per lawn and year")
    for flag in WATCHED:
        print(f"  {flag:24} {per_year(counts, flag):6.3f}")
    print(f"  {'all':24} {sum(counts.false_by_flag.values()) / counts.lawn_years:6.3f}")
    d = max(counts.declines, 1)
    print(
        f"Declines of {LOSS:.0f} points over {LOSS_DAYS // 7} weeks flagged by the second visit "
        f"past {PASSED:.0f} points: {100 * counts.in_time / d:.1f} %, by the third: "
        f"{100 * counts.one_later / d:.1f} %, ever: {100 * counts.ever / d:.1f} %; "
        f"median visits past {PASSED:.0f} points: {np.median(counts.visits_taken or [0]):.0f}"
    )
    print("Changes that have come in full, flagged by the second visit from then")
    for flag, caught in counts.by_flag.items():
        print(f"  {flag:24} {100 * np.mean(caught):5.1f} % of {len(caught)}")
    kept = 100 * counts.since_kept / max(counts.since_asked, 1)
    print(f"`since` stays at a flag's next review: {kept:.1f} % of {counts.since_asked}")
    for kind, found in sorted(counts.by_kind.items()):
        second, third = (100 * np.mean([f[i] for f in found]) for i in (0, 1))
        print(
            f"  {kind:24} by the second {second:5.1f} %, by the third {third:5.1f} % "
            f"of {len(found)}"
        )
    print(
        f"Renovations to plan without a flag in 4 weeks: "
        f"{100 * counts.quiet / max(counts.renovations, 1):.1f} % of {counts.renovations}"
    )
    print(f"Bad recoveries found by day 110: {counts.bad_found} of {counts.bad}")
    if not compared:
        return
    print("\nRules for cover at the same rate of false flags")
    print(f"  {'rule':28}{'limit':>8}{'false/year':>12}{'by 2nd %':>10}{'by 3rd %':>10}")
    for rule, limit, c in compared:
        n = max(c.declines, 1)
        print(f"  {rule:28}{limit:8.2f}{per_year(c, 'cover falling'):12.3f}"
              f"{100 * c.in_time / n:10.1f}{100 * c.one_later / n:10.1f}")  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--lawns", type=int, default=40)
    parser.add_argument("--seed", type=int, default=200, help="first seed; below 200 is tuning")
    parser.add_argument("--worse", type=float, default=1.0, help="factor on what a visit errs by")
    parser.add_argument("--rules", action="store_true", help="the simple rules, too")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="a small run that proves it works")
    options = parser.parse_args()
    n, lawns = (1, 12) if options.quick else (options.rounds, options.lawns)
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, pandas {pd.__version__}")
    print(f"{n} rounds of {lawns} lawns, seeds {options.seed} to {options.seed + n - 1}")
    work = [(s, lawns, options.worse, options.rules or options.quick)
            for s in range(options.seed, options.seed + n)]  # fmt: skip
    counts, rounds = Tally(), []
    with ProcessPoolExecutor(options.jobs) as pool:
        for made, raised, kept, by_rule in pool.map(one_round, work):
            counts.since_asked += kept.since_asked
            counts.since_kept += kept.since_kept
            tally(made, raised, counts, review_days())
            rounds.append((made, by_rule))
            print(f"  {len(rounds)} rounds done", file=sys.stderr, flush=True)
    allowed = max(per_year(counts, "cover falling"), 0.02)
    rules = [r for r in rounds if r[1]]
    report(counts, compare(rules, lambda c: per_year(c, "cover falling") <= allowed)
           if rules else [])  # fmt: skip
    return 0


def one_round(job: tuple[int, int, float, bool]) -> tuple[list[Lawn], Raised, Tally, dict]:
    """Make a round and watch it: its lawns, what was raised, how `since` stayed, and rules."""
    seed, lawns, worse, rules = job
    made, visits, work, photos = make_round(seed, lawns, worse)
    kept = Tally()
    raised = watch_round(visits, work, photos, kept)
    return made, raised, kept, statistics(visits, work) if rules else {}


if __name__ == "__main__":
    sys.exit(main())
