"""False flags and detected declines of `attention`, on simulated rounds, against simpler rules.

Rounds with known truth (`studies/attention_rounds.py`) are looked at every two weeks of their last
two years, knowing only the visits made by that day.

* False flags: each time cover falling, colour fading, casts rising or bare patches growing starts
  on a lawn to which nothing of the kind happens (nor a bad recovery), per lawn and year. A flag
  that stands at the first review is no start.
* Caught: a change counts as caught when its flag stands by the review after the second visit from
  the first one at which all of it has come.
* `since` must not move: the share of reviews at which a standing flag keeps the day it named first.

Errors of visits and quiet times are taken from the whole of each round, once, so that a round takes
two seconds; `--whole N` asks the public `attention` at every review of the first N rounds, says how
often both agree, and counts `recovery slow` too.

The simple rules (`--rules`) see the same visits: cover fell by more than X since the last visit;
cover is below X; and the slope of the last six visits (Theil-Sen) falls short of X with a
Mann-Kendall test. Each is shown with its X set to make as many false flags as the model of drift.

Seeds 0 to 199 are for tuning, 200 and above for reporting. When the errors of changes were fitted
anew, one command measures again and writes the tables:

    python -m benchmarks.studies.attention --rounds 100 --whole 2 --markdown docs/ACCURACY.md
"""

from __future__ import annotations

import argparse
import platform
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import kendalltau, theilslopes

from benchmarks.pages import put_between
from benchmarks.studies.attention_rounds import DAYS, LOSS_DAYS, START, WARM_UP, Lawn, make_round
from lawnscore.history.attention import attention
from lawnscore.history.standing import FALSE_A_YEAR, Past, standing
from lawnscore.history.watch import WATCHES, look, watched_visits

REVIEW_DAYS = 14
RATES = (0.02, FALSE_A_YEAR, 0.1, 0.2)
"""Rates of false flags that the rule is set to, for the curve."""
FIRST_DAY = int(START.astype(np.int64))
SLOW = "recovery slow"

CAUSES: dict[str, Callable[[Lawn], np.ndarray]] = {
    "cover falling": lambda lawn: lawn.lost,
    "colour fading": lambda lawn: lawn.faded,
    "casts rising": lambda lawn: lawn.more_casts,
    "bare patches growing": lambda lawn: lawn.patched,
}
UNITS = {
    "cover falling": "points",
    "colour fading": "of the colour index",
    "casts rising": "casts per m2",
    "bare patches growing": "points of bare patches",
}

Raised = dict[tuple[str, str], list[int]]
"""Days of the reviews at which a lawn carried a flag, by lawn and flag."""


@dataclass
class Tally:
    """Counts over rounds."""

    lawn_years: float = 0.0
    false_flags: dict[str, int] = field(default_factory=dict)
    caught: dict[tuple[str, float], list[bool]] = field(default_factory=dict)

    def a_year(self, *flags: str) -> float:
        """Return the false flags a lawn and year."""
        total = sum(n for flag, n in self.false_flags.items() if not flags or flag in flags)
        return total / max(self.lawn_years, 1e-9)

    def share(self, flag: str, size: float) -> float:
        """Return how many in a hundred were caught; NaN of none."""
        found = self.caught.get((flag, size), [])
        return 100 * float(np.mean(found)) if found else float("nan")


@dataclass
class Kept:
    """How often a standing flag named the same day, and how often two ways agreed."""

    same: int = 0
    asked: int = 0
    agreed: int = 0
    compared: int = 0
    slow: int = 0
    whole_years: float = 0.0
    bad: int = 0
    bad_found: int = 0


def review_days() -> np.ndarray:
    return np.arange(WARM_UP, DAYS, REVIEW_DAYS)


def starts(days: list[int]) -> list[int]:
    """Return the first day of each unbroken run of reviews (one missing review does not break)."""
    first = review_days()[0]
    return [
        d for i, d in enumerate(days) if d > first and (i == 0 or d - days[i - 1] > 2 * REVIEW_DAYS)
    ]


def tally(lawns: list[Lawn], raised: Raised, out: Tally) -> None:
    """Add one round to the counts."""
    reviews = review_days()
    for lawn in lawns:
        out.lawn_years += (reviews[-1] - reviews[0] + REVIEW_DAYS) / 365.25
        for flag, cause in CAUSES.items():
            days, course = raised.get((lawn.name, flag), []), cause(lawn)
            wrong = sum(not deserved(lawn, flag, day) for day in starts(days))
            out.false_flags[flag] = out.false_flags.get(flag, 0) + wrong
            by = deadline(lawn, course)
            if by is not None:
                found = any(lawn.decline <= d <= by for d in days)
                size = round(float(course.max()), 3)
                out.caught.setdefault((flag, size), []).append(found)


def deserved(lawn: Lawn, flag: str, day: int) -> bool:
    """Return whether a flag that starts on this day has something behind it."""
    if CAUSES[flag](lawn)[day] > 0:
        return True
    return flag == "cover falling" and any(start <= day <= start + 250 for start in lawn.bad)


def deadline(lawn: Lawn, course: np.ndarray) -> int | None:
    """Return the day by which a change must be flagged; ``None`` where it cannot be asked."""
    if not course.any():
        return None
    # a renovation hides its lawn on purpose
    quiet = [r for r in lawn.renovations if lawn.decline - 30 <= r <= lawn.decline + 150]
    seen = [day for day, _ in lawn.visits if course[day] >= course.max()]
    if len(seen) < 3 or quiet or seen[1] - seen[0] > 75:
        return None
    return seen[1] + REVIEW_DAYS


def watch_round(pasts: list[Past], lawns: list[str], rate: float, kept: Kept | None) -> Raised:
    """Look at the round at every review."""
    raised: Raised = {}
    named: dict[tuple[str, str], tuple[int, int]] = {}
    judged = [past.judged_by(rate) for past in pasts]
    for day in review_days():
        for past in judged:
            _, flagged, since = standing(past, FIRST_DAY + int(day))
            for place in np.flatnonzero(flagged):
                key = lawns[place], past.watch.flag
                raised.setdefault(key, []).append(int(day))
                before = named.get(key)
                if kept is not None and before is not None and before[0] == day - REVIEW_DAYS:
                    kept.asked += 1
                    kept.same += before[1] == int(since[place])
                named[key] = int(day), int(since[place])
    return raised


def compare_whole(tables: tuple, lawns: list[Lawn], raised: Raised, kept: Kept) -> None:
    """Ask the public `attention` at every review, and compare."""
    visits, work, photos = tables
    slow: dict[str, list[int]] = {}
    for day in review_days():
        table = attention(visits, work, photo_scores=photos, today=str(START + day))
        told = set(zip(table["lawn"], table["flag"], strict=True))
        for lawn in lawns:
            if (lawn.name, SLOW) in told:
                slow.setdefault(lawn.name, []).append(int(day))
            for flag in CAUSES:
                quick = int(day) in raised.get((lawn.name, flag), [])
                either = quick or (lawn.name, flag) in told
                kept.compared += either
                kept.agreed += quick and (lawn.name, flag) in told
    for lawn in lawns:
        kept.whole_years += (DAYS - WARM_UP) / 365.25
        for day in starts(slow.get(lawn.name, [])):
            kept.slow += not any(start <= day <= start + 250 for start in lawn.bad)
        for start in lawn.bad:
            if start >= WARM_UP and start + 110 < DAYS:
                kept.bad += 1
                kept.bad_found += any(start < d <= start + 110 for d in slow.get(lawn.name, []))


def statistics(past: Past, lawns: list[str]) -> dict[str, dict[tuple[str, int], float]]:
    """Return, by rule, how strongly it speaks for a decline, by lawn and review day."""
    out: dict[str, dict[tuple[str, int], float]] = {
        "model of drift": {},
        "fell since last visit": {},
        "below a threshold": {},
        "Theil-Sen and Mann-Kendall": {},
    }
    for day in review_days():
        now = FIRST_DAY + int(day)
        moved = past.look(now).moved
        known = past.visits.day <= now
        for place, lawn in enumerate(lawns):
            key = (lawn, int(day))
            values = past.visits.value[known & (past.visits.place == place)]
            if np.isfinite(moved.z[place]) and moved.step[place] <= -past.watch.least:
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


def compare_rules(rounds: list, allowed: float) -> Iterator[tuple[str, float, Tally]]:
    """Yield each rule with its limit set as low as the allowed rate lets it, and its counts."""
    for rule in rounds[0][1]:
        values = np.concatenate([list(r[1][rule].values()) for r in rounds])
        for limit in np.quantile(values, 1 - np.geomspace(0.3, 1e-4, 60)):
            counts = Tally()
            for lawns, by_rule in rounds:
                tally(lawns, as_raised(by_rule[rule], limit), counts)
            if counts.a_year("cover falling") <= allowed:
                break
        yield rule, float(limit), counts


Job = tuple[int, int, float, bool, bool]


def one_round(job: Job) -> tuple[list[Lawn], dict[float, Raised], Kept, dict]:
    """Make a round and watch it: its lawns, what was raised by rate, how `since` stayed, rules."""
    seed, lawns, worse, rules, whole = job
    made, visits, work, photos = make_round(seed, lawns, worse)
    state = look(visits, work, photo_scores=photos)
    names = state.series.places["lawn"].tolist()
    pasts = [Past(watched_visits(state, watch), watch, len(names)) for watch in WATCHES]
    kept = Kept()
    raised = {
        rate: watch_round(pasts, names, rate, kept if rate == FALSE_A_YEAR else None)
        for rate in RATES
    }
    if whole:
        compare_whole((visits, work, photos), made, raised[FALSE_A_YEAR], kept)
    return made, raised, kept, statistics(pasts[0], names) if rules else {}


def played(jobs: list[Job], processes: int, seconds: float) -> Iterator[tuple]:
    """Yield the outcome of each round; none is waited for after so many seconds."""
    end = time.monotonic() + seconds
    pool = ProcessPoolExecutor(processes) if processes > 1 else None
    for outcome in map(one_round, jobs) if pool is None else pool.map(one_round, jobs):
        yield outcome
        if time.monotonic() > end:
            break
    if pool is not None:
        pool.shutdown(cancel_futures=True)


def curve(counts: dict[float, Tally]) -> pd.DataFrame:
    """Return false flags and what is caught, by the rate that the rule is set to."""
    asked = sorted({key for tally_ in counts.values() for key in tally_.caught})
    rows = []
    for rate, found in counts.items():
        row: dict[str, object] = {"set to": f"{rate:g}", "false": f"{found.a_year():.3f}"}
        row |= {f"false: {flag}": f"{found.a_year(flag):.3f}" for flag in CAUSES}
        for flag, size in asked:
            name = f"caught: {size:g} {UNITS[flag]}"
            row[name] = f"{found.share(flag, size):.0f} % of {len(found.caught[flag, size])}"
        rows.append(row)
    table = pd.DataFrame(rows).set_index("set to").T
    return table.rename_axis("set to", axis=0).reset_index()


def kept_words(kept: Kept) -> str:
    text = f"`since` stays from review to review at {kept.same} of {kept.asked} standing flags."
    if kept.compared:
        text += (
            f" The public `attention` raises the same flags at {kept.agreed} of {kept.compared} "
            f"reviews at which either raises one; besides, `recovery slow` is false "
            f"{kept.slow / max(kept.whole_years, 1e-9):.3f} times a lawn and year, and finds "
            f"{kept.bad_found} of {kept.bad} bad recoveries by day 110."
        )
    return text


def rule_table(found: list[tuple[str, float, Tally]]) -> pd.DataFrame:
    rows = []
    for rule, limit, counts in found:
        row = {"rule": rule, "limit": f"{limit:.2f}",
               "false a lawn and year": f"{counts.a_year('cover falling'):.3f}"}  # fmt: skip
        for flag, size in sorted(counts.caught):
            if flag == "cover falling":
                row[f"caught: {size:g} points, %"] = f"{counts.share(flag, size):.0f}"
        rows.append(row)
    return pd.DataFrame(rows)


def markdown(table: pd.DataFrame) -> str:
    lines = ["| " + " | ".join(table.columns) + " |", "| " + "--- | " * len(table.columns)]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in table.itertuples(index=False)]
    return "\n".join(line.rstrip() for line in lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--lawns", type=int, default=40)
    parser.add_argument("--seed", type=int, default=200, help="first seed; below 200 is tuning")
    parser.add_argument("--worse", type=float, default=1.0, help="factor on what a visit errs by")
    parser.add_argument("--rules", action="store_true", help="the simple rules, too")
    parser.add_argument("--whole", type=int, default=0, help="rounds to ask `attention` of, too")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no round after so many")
    parser.add_argument("--markdown", type=Path, help="put the tables between its marks")
    parser.add_argument("--quick", action="store_true", help="a small run that proves it works")
    options = parser.parse_args()
    n, lawns = (1, 16) if options.quick else (options.rounds, options.lawns)
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, pandas {pd.__version__}")
    seeds = range(options.seed, options.seed + n)
    rules = options.rules or options.quick
    jobs = [(s, lawns, options.worse, rules, s - options.seed < options.whole) for s in seeds]
    counts, kept, rounds = {rate: Tally() for rate in RATES}, Kept(), []
    for made, raised, told, by_rule in played(jobs, options.jobs, options.seconds):
        for rate in RATES:
            tally(made, raised[rate], counts[rate])
        for name, value in vars(told).items():
            setattr(kept, name, getattr(kept, name) + value)
        rounds.append((made, by_rule))
        print(f"  {len(rounds)} rounds done", file=sys.stderr, flush=True)
    sizes = f"{len(rounds)} rounds of {lawns} lawns, seeds {seeds[0]} to {seeds[len(rounds) - 1]}"
    worse = "" if options.worse == 1 else f", visits erring {options.worse:g} times as much as said"
    text = (
        f"{sizes}{worse}; false flags a lawn and year, and changes of {LOSS_DAYS} days caught by "
        f"the second visit from when they have come in full. The rule ships set to "
        f"{FALSE_A_YEAR:g}.\n\n{markdown(curve(counts))}\n\n{kept_words(kept)}"
    )
    if rules:
        allowed = max(counts[FALSE_A_YEAR].a_year("cover falling"), 0.005)
        found = rule_table(list(compare_rules(rounds, allowed)))
        text += f"\n\nRules for cover at the same rate of false flags:\n\n{markdown(found)}"
    print(text)
    if options.markdown:
        put_between(options.markdown, "attention", text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
