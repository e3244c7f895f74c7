"""Do points by eye mend a class stage that errs, and leave one alone that does not?

Rounds are simulated as numbers, without pictures: lawns, photos, cells of true shares, a class
stage with the errors it states (most of them lasting on their lawn), and readers who err as two
people do: each moves points between neighbouring classes, some more, some less. Then points are
drawn, read and put through the same functions as in `lawnscore points`.

    python -m benchmarks.studies.points_by_eye [--quick] [--rounds 1000]
"""

from __future__ import annotations

import argparse
import platform
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lawnscore.points.compare import Compared, photo_means
from lawnscore.points.flows import Corrected, Evidence, Targets, correct_shares
from lawnscore.points.readers import reader_se

Array = NDArray[np.float64]

SURFACES = ("green", "straw", "soil", "cast", "litter")
MEAN = np.array([16.0, 3.0, 1.5, 0.15, 0.25])  # Dirichlet weights of lawns: much green, some straw
FLOOR = np.array([0.006, 0.006, 0.006, 0.002, 0.003])  # stated errors, as of the class stage
SLOPE = np.array([0.066, 0.082, 0.112, 0.07, 0.08])
LASTING = 0.6
CELLS = 800
NEIGHBOURS = {(0, 1): 1.0, (1, 2): 1.0, (2, 3): 1.0, (1, 4): 0.5, (0, 2): 0.4, (0, 4): 0.2}
LEAN_SD = 0.5


@dataclass(frozen=True)
class World:
    """A round: part of the straw called soil, own errors over stated ones, size, readers."""

    name: str
    spoilt: float = 0.0
    own: float = 1.0
    photos: int = 60
    lawns: int = 8
    read: int = 12
    points: int = 60
    readers: int = 2
    lean_sd: float = LEAN_SD


WORLDS = (
    World("half the straw called soil, else right", spoilt=0.5, own=0.0),
    World("half, and half the stated errors", spoilt=0.5, own=0.5),
    World("half, and the stated errors", spoilt=0.5),
    World("the same, one reader", spoilt=0.5, readers=1),
    World("a fifth, and the stated errors", spoilt=0.2),
    World("as good as it states", spoilt=0.0),
    World("as good, one reader", spoilt=0.0, readers=1),
    World("as good, 4 photos of 30 points", spoilt=0.0, read=4, points=30),
    World("without any error", spoilt=0.0, own=0.0),
    World("twice the stated error", spoilt=0.0, own=2.0),
)


@dataclass(frozen=True, eq=False)
class Made:
    """A simulated round: true and program's shares (n, 5), and its points."""

    truth: Array
    program: Array
    stated: Array
    place: NDArray[np.int64]
    chosen: NDArray[np.int64]
    compared: Compared


def stated_se(shares: Array) -> Array:
    return FLOOR + SLOPE * np.sqrt(shares * (1 - shares))


def make_round(world: World, rng: np.random.Generator) -> Made:
    place = np.arange(world.photos) % world.lawns
    lawn = rng.dirichlet(MEAN, world.lawns)
    shares = np.array([rng.dirichlet(25 * lawn[k] + 0.02) for k in place])
    se = stated_se(shares)
    error = world.own * _own_errors(shares, se, place, rng)
    cells = rng.gamma(np.repeat(2.0 * shares[:, None] + 1e-3, CELLS, axis=1))
    cells /= cells.sum(axis=2, keepdims=True)
    truth = cells.mean(axis=1)
    blurred = 0.7 * cells + 0.3 * truth[:, None]
    seen = blurred + error[:, None] if world.own else blurred
    seen = np.clip(seen, 0, None)
    seen /= seen.sum(axis=2, keepdims=True)
    moved = world.spoilt * seen[..., 1]
    seen[..., 1] -= moved
    seen[..., 2] += moved
    chosen = rng.permutation(world.photos)[: world.read]
    program = seen.mean(axis=1)
    compared = _read(world, cells[chosen], seen[chosen], truth.mean(axis=0), rng)
    return Made(truth, program, stated_se(program), place, chosen, compared)


def _own_errors(
    shares: Array, se: Array, place: NDArray[np.int64], rng: np.random.Generator
) -> Array:
    """Return errors (n, 5) that add up to 0 and are as large as stated.

    Green, straw and soil take from each other, casts from soil and litter from straw, lasting in
    part on their lawn.
    """
    green, straw, soil, cast, litter = (se**2).T
    soil, straw = np.maximum(soil - cast, 0), np.maximum(straw - litter, 0)
    flows = {
        (0, 1): (green + straw - soil) / 2, (1, 2): (straw + soil - green) / 2,
        (0, 2): (green + soil - straw) / 2, (2, 3): cast, (1, 4): litter,
    }  # fmt: skip
    out = np.zeros_like(shares)
    for (j, k), variance in flows.items():
        z = np.sqrt(LASTING) * rng.normal(size=place.max() + 1)[place]
        z += np.sqrt(1 - LASTING) * rng.normal(size=len(shares))
        moved = np.sqrt(np.maximum(variance, 0)) * z
        out[:, k] += moved
        out[:, j] -= moved
    return out


def _read(
    world: World, cells: Array, seen: Array, mean: Array, rng: np.random.Generator
) -> Compared:
    k, n = len(cells), world.points
    at = np.array([rng.choice(CELLS, n, replace=False) for _ in range(k)])
    here = np.take_along_axis(cells, at[..., None], axis=1).reshape(k * n, 5)
    shares = np.take_along_axis(seen, at[..., None], axis=1).reshape(k * n, 5)
    true = _drawn(here, rng)
    agreement = rng.uniform(0.85, 0.95)
    readers = [_reader(mean, agreement, world.lean_sd, rng) for _ in range(world.readers)]
    said = np.column_stack([_drawn(reader[true], rng) for reader in readers])
    names = tuple(f"reader {r + 1}" for r in range(world.readers))
    photos = tuple(str(i) for i in range(k))
    return Compared(photos, np.repeat(np.arange(k), n), said, names, shares)


def _reader(mean: Array, agreement: float, lean_sd: float, rng: np.random.Generator) -> Array:
    """Return a reader's chances (5, 5), row truth; two such readers agree as often as wanted.

    People on average move as many points one way as the other; each has leanings of his own.
    """
    flow = np.zeros((5, 5))
    for (j, k), weight in NEIGHBOURS.items():
        flow[j, k] = flow[k, j] = weight * np.sqrt(mean[j] * mean[k])
    flow *= (1 - agreement) / 2 / flow.sum()
    flow *= np.exp(lean_sd * rng.normal(size=flow.shape) - lean_sd**2 / 2)
    chance = np.minimum(flow / np.maximum(mean[:, None], 1e-6), 0.3)
    chance[np.diag_indices(5)] = 1 - chance.sum(axis=1)
    return chance


def _drawn(chance: Array, rng: np.random.Generator) -> NDArray[np.int64]:
    edge = chance.cumsum(axis=1)
    return np.asarray((rng.random(len(edge))[:, None] * edge[:, -1:] > edge).sum(axis=1))


def corrected(made: Made) -> Corrected:
    means = photo_means(made.compared)
    rows = made.chosen[[int(p) for p in means.photos]]
    evidence = Evidence(
        means.seen - means.program, means.program, means.covariance, made.stated[rows],
        made.place[rows], reader_se(made.compared),
    )  # fmt: skip
    read_as = np.full(len(made.truth), -1)
    read_as[rows] = np.arange(len(rows))
    return correct_shares(evidence, Targets(made.program, made.stated, made.place, read_as))


def study(world: World, rounds: int, seed: int) -> dict[str, Array]:
    """Return errors before and after, and how many intervals held, (rounds, 5) each."""
    plain, mended, held, stated = [], [], [], []
    for number in range(rounds):
        made = make_round(world, np.random.default_rng([seed, number]))
        out = corrected(made)
        plain.append(np.sqrt(((made.program - made.truth) ** 2).mean(axis=0)))
        mended.append(np.sqrt(((out.shares - made.truth) ** 2).mean(axis=0)))
        held.append((np.abs(out.shares - made.truth) <= 1.96 * out.se).mean(axis=0))
        stated.append(np.sqrt((out.se**2).mean(axis=0)))
    names = ("plain", "mended", "held", "stated")
    return dict(zip(names, map(np.array, (plain, mended, held, stated)), strict=True))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="5 rounds of each world")
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, nargs="*", help="numbers of the worlds")
    args = parser.parse_args()
    rounds = 5 if args.quick else args.rounds
    print(
        f"Python {platform.python_version()}, NumPy {np.__version__}, {rounds} rounds, "
        f"seed {args.seed}"
    )
    print(
        "RMSE over the photos of a round in points, root mean square over rounds; 95 % intervals."
    )
    print(f"{'':42}{'':8}{'plain':>7}{'points':>8}{'ratio':>7}{'stated':>8}{'held %':>8}")
    for number, world in enumerate(WORLDS):
        if args.only and number not in args.only:
            continue
        began = time.perf_counter()
        found = study(world, rounds, args.seed)
        for k in range(3):
            before, after, said = (
                100 * np.sqrt((found[n][:, k] ** 2).mean()) for n in ("plain", "mended", "stated")
            )
            print(
                f"{world.name if k == 0 else '':42}{SURFACES[k]:8}{before:7.2f}{after:8.2f}"
                f"{after / before if before > 1e-6 else np.nan:7.2f}{said:8.2f}"
                f"{100 * found['held'][:, k].mean():8.1f}"
            )
        print(f"{'':42}({time.perf_counter() - began:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
