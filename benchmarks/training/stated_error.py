"""Fit what the class stage says of its own error, on worlds that each network never saw.

    python -m benchmarks.training.stated_error --worlds DIR --nets DIR --write class_net.npz

    python -m benchmarks.training.stated_error --nets DIR --write class_net.npz --only-known

The second takes anew what is known, of a network that was trained on, and keeps the lines.

NETS holds `no-WORLD` of `train.py --without WORLD`, and `final`, the one that ships. The logarithm
of a share's standard error is a line in the logarithms of the binomial spread of the share, of the
doubt within cells, and of how far the photo's deepest features lie from the nearest world that it
was trained on (Mahalanobis; Lee et al. 2018). It is fitted by the likelihood of Student's t, equal
weight to each of the SETS, then widened until 95 % intervals hold the truth in 95 % of those
pictures (split conformal; Vovk, Gammerman & Shafer 2005).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import t as student

from benchmarks.training.seen import known_worlds, see, with_known
from benchmarks.training.worlds import load

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
        far = net.strangeness(seen.deep)
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


def write_known(nets: Path, file: Path, lines: np.ndarray | None = None) -> None:
    """Put what is known, and the lines of the errors if given, into a network's file."""
    stored = {**np.load(file), **known_worlds(nets, "final")}
    if lines is not None:
        stored["error.weight"] = lines
    np.savez(file, **stored)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path)
    parser.add_argument("--only-known", action="store_true", help="keep the lines")
    parser.add_argument("--nets", type=Path, required=True)
    parser.add_argument("--most", type=int, default=200, help="pictures of a set")
    parser.add_argument("--write", type=Path, help="network file (npz) that takes the figures")
    a = parser.parse_args()
    if a.only_known:
        write_known(a.nets, a.write)
        return
    found = {k: pictures(a.worlds, a.nets, *v[:2], a.most) for k, v in SETS.items()}
    names = np.concatenate([np.full(len(f["far"]), n) for n, f in enumerate(found.values())])
    weight = np.concatenate(
        [np.full(len(f["far"]), SETS[k][2] / len(f["far"])) for k, f in found.items()]
    )
    all_of = {
        k: np.concatenate([f[k] for f in found.values()]) for k in ("said", "true", "doubt", "far")
    }
    lines = []
    print(
        "| ground | pictures | share | bias | RMSE | 95 % interval | holds |\n"
        "|---|---|---|---|---|---|---|"
    )
    for k, surface in enumerate(CLASSES):
        x = terms(all_of["said"][:, k], all_of["doubt"][:, k], all_of["far"])
        error = all_of["said"][:, k] - all_of["true"][:, k]
        c = fitted(x, error, weight)
        lines.append(c)
        se = np.exp(x @ c)
        for n, name in enumerate(found):
            e, s = error[names == n], se[names == n]
            print(
                f"| {name} | {len(e)} | {surface} | {100 * e.mean():+.1f} "
                f"| {100 * np.sqrt((e**2).mean()):.1f} "
                f"| +- {196 * np.median(s):.0f} | {100 * (np.abs(e) <= 1.96 * s).mean():.0f} % |"
            )
        if surface == "straw":
            chance = 2 * student.cdf(0.10 / se, DF) - 1
            right = np.abs(error) < 0.10
            brier = ((chance - right) ** 2)[weight > 0].mean()
            bins = np.digitize(chance, np.linspace(0, 1, 6)[1:-1])
            said = [
                f"{chance[bins == b].mean():.2f} said, {right[bins == b].mean():.2f} were "
                f"({(bins == b).sum()})"
                for b in range(5)
                if ((bins == b) & (weight > 0)).any()
            ]
    print("split right to 10 points:", "; ".join(said), f"Brier {brier:.3f}")
    print(np.array(lines).round(3))
    far = {k: np.percentile(f["far"], [5, 50, 95, 99]).round(2) for k, f in found.items()}
    print("strangeness, 5, 50, 95, 99 %:", far)
    if a.write:
        write_known(a.nets, a.write, np.array(lines, np.float32))


if __name__ == "__main__":
    main()
