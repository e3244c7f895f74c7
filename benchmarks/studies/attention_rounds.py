"""Simulated rounds with known truth, for `studies/attention.py`.

A round has 40 lawns over three years, visited about monthly (some visits missed), with 2 to 8
photos, six lawns in ten at the same spots each time. Cover follows the lawn's level, a shared
season and weather (a drought included), the lawn's own season, its own wandering, and autumn
renovations (a few of which recover badly). Of eight lawns one loses 12 points of cover over 8
weeks and stays down, one 8; two gain 6 points of bare patches, two 30 casts per m2; the leaf of
one fades by 0.06; one is quiet, as all are until then. One lawn in eight casts heavily in its
season, which its round-mates do not. Bare patches stay at their spots.

Visits err by what `lawnscore/history/change_errors.json` says: each visit has its day, each
renovation brings other grass, a new phone another reading, and each lawn is read more or less
strongly by what each point of change adds. ``worse`` multiplies all of these.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from lawnscore.history.change_error import error_parts, moved_points
from lawnscore.history.visits import visit_scores

START = np.datetime64("2022-01-03")
DAYS, WARM_UP = 3 * 365, 365
LOSS_DAYS = 56
LOSSES = {0: 12.0, 4: 8.0}
"""Points of cover lost, by lawn number modulo 8."""
PATCHES, CASTS, FADE = 6.0, 30.0, 0.06
ERRING = ("green_cover_pct", "colour_index", "casts_per_m2")


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
    faded: np.ndarray = field(default_factory=lambda: np.zeros(DAYS))
    caster: bool = False


def smooth(rng: np.random.Generator, sd: float, days: float) -> np.ndarray:
    """Return a smooth wandering series: first-order, with a correlation time in days."""
    keep = np.exp(-1 / days)
    noise = rng.normal(0, sd * np.sqrt(1 - keep**2), DAYS)
    noise[0] = rng.normal(0, sd)
    return lfilter([1.0], [1.0, -keep], noise)


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
    if i % 8 != 7:
        place_decline(rng, lawn, i % 8)
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
        if kind in LOSSES:
            lawn.lost = share * LOSSES[kind]
        elif kind in (1, 5):
            lawn.patched = share * PATCHES
        elif kind in (2, 6):
            lawn.more_casts = share * CASTS
        else:
            lawn.faded = share * FADE


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
    phone = int(rng.integers(0, DAYS))  # on which the round gets another phone
    photos = [row for lawn in made for row in photograph(rng, lawn, colour, casts, phone, worse)]
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
    phone: int,
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
    off = {name: error_course(rng, lawn, name, phone, worse) for name in ERRING}
    point = rng.normal(0, worse * error_parts()["green_cover_pct"].point)
    usual_cover = float(np.median(lawn.cover))
    rows = []
    for visit, (day, stage) in enumerate(lawn.visits):
        cover = lawn.cover[day - (stage == "before")]
        rate = casts[day] * own_casts * np.exp(wander[1][day]) + lawn.more_casts[day]
        if lawn.caster:
            rate += 25 * max(np.cos(2 * np.pi * (day - 290) / 365.25), 0.0)
        true = colour[day] + own_colour + wander[0][day] - lawn.faded[day]
        fresh = rng.lognormal(np.log(patchy * 2), 0.7, 10) * (rng.random(10) < 0.4)
        bare = own_patches if same_spots else fresh
        bare = (bare + lawn.patched[day] * rng.gamma(4, 0.25, 10)) * rng.lognormal(0, 0.15, 10)
        moved = cover - usual_cover
        seen_cover = cover + point * np.sign(moved) * moved_points(abs(moved))
        seen_cover = seen_cover + off["green_cover_pct"][visit]
        seen_true = true + off["colour_index"][visit]
        seen_rate = rate + off["casts_per_m2"][visit]
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
                    "camera": "phone 1" if day < phone else "phone 2",
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
    rng: np.random.Generator, lawn: Lawn, measure: str, phone: int, worse: float
) -> np.ndarray:
    """Return the error of each visit.

    What lasts on the lawn is drawn once, what its grass is read as at each renovation, what the
    phone makes of the lawn once a phone; each visit has its day. ``worse`` multiplies all but what
    lasts.
    """
    parts = error_parts()[measure]
    lasts, grass = rng.normal(0, parts.typical), rng.normal(0, worse * parts.grass)
    phones = rng.normal(0, worse * parts.phone, 2)
    out, done = np.empty(len(lawn.visits)), 0
    for visit, (day, stage) in enumerate(lawn.visits):
        since = sum(r < day or (r == day and stage == "after") for r in lawn.renovations)
        if since > done:
            grass, done = rng.normal(0, worse * parts.grass), since
        out[visit] = lasts + grass + phones[int(day >= phone)] + rng.normal(0, worse * parts.day)
    return out
