"""Fit what the class stage says of its own error, on worlds that each network never saw.

    python -m benchmarks.training.stated_error --worlds DIR --nets DIR --write class_net.npz

NETS holds `no-WORLD` of `train.py --without WORLD` and `final`, the one that ships, with what
`known_worlds.py` wrote of each; the network file has the lines of `known_error.py`. The logarithm
of a share's standard error is a line in the logarithms of the binomial spread of the share, of the
doubt within cells, and of how far the photo's traits lie from the nearest world that it was trained
on (Mahalanobis; Lee et al. 2018). It is fitted by the likelihood of Student's t, equal weight to
each of the SETS, then widened until 95 % intervals hold the truth in 95 % of those pictures (split
conformal; Vovk, Gammerman & Shafer 2005).

Whether it holds is asked of worlds one by one: each world's own pictures take no part in the lines
by which their intervals are judged, and the intervals are those the program would give, which
mistakes some of what it never saw for what it knows.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import t as student

from benchmarks.training.seen import see, with_known
from benchmarks.training.worlds import load
from lawnscore.photo.classes import mixed_error

SETS = {
    "field, never seen": ("field", "no-field", 1.0),
    "wheat, never seen": ("wheat", "no-wheat", 1.0),
    "renders, never seen": ("report", "no-rendered", 1.0),
    "renders, other cameras and soils": ("report", "final", 1.0),
}
"""World, network and weight in the fit."""
DF = 5
CLASSES = ("green", "straw", "soil")


def pictures(worlds: Path, nets: Path, world: str, name: str, most: int) -> dict[str, np.ndarray]:
    """Run a network over pictures as the package does; shares, truth, doubt and strangeness."""
    net = with_known(nets, name)
    source, rows = load(worlds / f"{world}.npz"), []
    for i in range(0, len(source.rgb), max(1, len(source.rgb) // most)):
        seen = see(net, source.rgb[i])
        p, side = seen.shares, len(seen.rgb)
        label = source.label[i][:side, :side]
        torn = (p[..., 1] * p[..., 2] / (p[..., 1] + p[..., 2] + 1e-6)).mean()
        unsure = (p[..., 0] * (1 - p[..., 0])).mean()
        far = net.strangeness(seen.traits)
        true = np.bincount(label[label < 5], minlength=5) / label.size
        rows.append((p.mean((0, 1)), true, (unsure, torn, torn), far))
    return {
        k: np.array([r[n] for r in rows]) for n, k in enumerate(("said", "true", "doubt", "far"))
    }


def terms(said: np.ndarray, doubt: np.ndarray, far: np.ndarray) -> np.ndarray:
    """Return (n, 4): what the logarithm of the error is a line of; `said` is one share."""
    spread = np.sqrt(said * (1 - said))
    columns = (np.log(spread + 0.03), np.log(doubt + 0.004), np.log(np.maximum(far, 0.2)))
    return np.column_stack([np.ones(len(said)), *columns])


def fitted(x: np.ndarray, error: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the line (4,) of the logarithm of the error."""

    def cost(c: np.ndarray) -> float:
        scale = np.exp(x @ np.r_[c[0], np.maximum(c[1:], 0.0)])
        likely = student.logpdf(error / scale, DF) - np.log(scale)
        return -float((weight * likely).sum()) + 0.005 * float((c[1:] ** 2).sum())

    c = minimize(cost, np.array([-1.5, 0.5, 0.3, 0.3]), method="Nelder-Mead",
                 options={"maxiter": 8000, "fatol": 1e-8}).x  # fmt: skip
    c = np.r_[c[0], np.maximum(c[1:], 0.0)]
    ratio = np.abs(error) / np.exp(x @ c)
    order = np.argsort(ratio)
    held = ratio[order][np.searchsorted(np.cumsum(weight[order]) / weight.sum(), 0.95)]
    c[0] += np.log(held / 1.96)
    return c


def intervals(
    found: dict[str, dict[str, np.ndarray]], k: int, like: np.ndarray
) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    """Yield set, errors and standard errors (n,) as the program would state them of class `k`.

    The line of worlds left out comes from the other sets; `like` (4,) is that of known ground.
    """
    for name, its in found.items():
        others = {n: f for n, f in found.items() if n != name and "never" in n}
        line = fitted(*stacked(others, k))
        x, error, _ = stacked({name: its}, k)
        both = zip(np.exp(x @ like), np.exp(x @ line), its["far"], strict=True)
        yield name, error, np.array([mixed_error(*row) for row in both])


def stacked(
    found: dict[str, dict[str, np.ndarray]], k: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return terms (n, 4), errors (n,) and weights (n,) of class `k` over sets."""
    x = [terms(f["said"][:, k], f["doubt"][:, k], f["far"]) for f in found.values()]
    error = [f["said"][:, k] - f["true"][:, k] for f in found.values()]
    weight = [np.full(len(f["far"]), SETS[n][2] / len(f["far"])) for n, f in found.items()]
    return np.concatenate(x), np.concatenate(error), np.concatenate(weight)


def table(rows: Iterable[tuple[str, str, np.ndarray, np.ndarray]]) -> None:
    """Print errors and 95 % intervals of sets and surfaces."""
    print(
        "| ground | pictures | share | bias | RMSE | 95 % interval | holds |\n" + "|---" * 7 + "|"
    )
    for name, surface, e, s in rows:
        print(f"| {name} | {len(e)} | {surface} | {100 * e.mean():+.1f} "
              f"| {100 * np.sqrt((e**2).mean()):.1f} | ± {196 * np.median(s):.0f} "
              f"| {100 * (np.abs(e) <= 1.96 * s).mean():.0f} % |")  # fmt: skip


def calibration(chance: np.ndarray, right: np.ndarray) -> str:
    """Return how often the split was right, by how likely it was said to be."""
    bins = np.digitize(chance, np.linspace(0, 1, 6)[1:-1])
    said = [f"{chance[bins == b].mean():.2f} said, {right[bins == b].mean():.2f} were "
            f"({(bins == b).sum()})" for b in range(5) if (bins == b).any()]  # fmt: skip
    return "; ".join(said) + f"; Brier {((chance - right) ** 2).mean():.3f}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--nets", type=Path, required=True)
    parser.add_argument("--most", type=int, default=200, help="pictures of a set")
    parser.add_argument("--write", type=Path, required=True, help="network file (npz)")
    a = parser.parse_args()
    stored = dict(np.load(a.write))
    found = {k: pictures(a.worlds, a.nets, *v[:2], a.most) for k, v in SETS.items()}
    lines = np.array([fitted(*stacked(found, k)) for k in range(len(CLASSES))])
    judged = [
        (name, surface, error, se)
        for k, surface in enumerate(CLASSES)
        for name, error, se in intervals(found, k, stored["error.known"][k])
    ]
    table(judged)
    straw = [(error, se) for _, surface, error, se in judged if surface == "straw"]
    error, se = (np.concatenate(x) for x in zip(*straw, strict=True))
    chance = 2 * student.cdf(0.10 / se, DF) - 1
    print("split right to 10 points:", calibration(chance, np.abs(error) < 0.10))
    print(lines.round(3))
    far = {k: np.percentile(f["far"], [5, 50, 95, 99]).round(2) for k, f in found.items()}
    print("strangeness, 5, 50, 95, 99 %:", far)
    np.savez_compressed(a.write, **{**stored, "error.weight": lines.astype(np.float32)})


if __name__ == "__main__":
    main()
