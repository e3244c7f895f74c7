"""Fit what is still mixed into the leafiest cells, and take it off the leaf's colour.

    python -m benchmarks.training.leaf_colour --worlds DIR --net class_net.npz

The truth is the mean colour of leaf in the light, pixel by pixel and before the camera, so only the
two made worlds can tell it: what a mask over a photograph calls leaf is mixed with what lies
between the blades. A ridge regression on the features of `photo/leaf.py`; sketches, whose light is
drawn at will, count a quarter. The error it states is that on `report`, whose cameras, soils and
leaf it was not fitted on, with that of sketches by the renderings, a quarter again.
A printed card's inks are no leaf: what
that does to a corrected leaf is a constant which the renderings alone can tell (sketches have no
card), and which every photo is given.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from benchmarks.training.seen import read_net, see
from benchmarks.training.worlds import load

WEIGHT = {"rendered": 1.0, "sketched": 0.25}
APART = "report"
RIDGE = 0.3
LEAST_GREEN = 0.06


def rows_of(worlds: Path, name: str, net_file: Path, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Return features (n, 10) and the logarithm (n, 3) of true over seen colour."""
    from lawnscore.photo.leaf import leaf_features

    net = read_net(net_file)
    world, features, wanted = load(worlds / f"{name}.npz"), [], []
    for i in range(0, len(world.rgb), max(1, len(world.rgb) // most)):
        seen = see(net, world.rgb[i])
        green = seen.shares[..., 0].astype(np.float32)
        lit = seen.out[..., -1] < np.log(0.35 / 0.65)
        true = world.leaf[i]
        if not np.isfinite(true).all() or green.mean() < LEAST_GREEN or lit.sum() < 300:
            continue
        x, pure = leaf_features(seen.index, seen.linear, green, lit)
        features.append(x)
        wanted.append(np.log(np.maximum(true, 1e-3)) - np.log(pure))
    return np.array(features), np.array(wanted)


def fit(parts: dict[str, tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Return the regression (10, 3), and what a card's inks add (3,)."""
    left, right = np.zeros((11, 11)), np.zeros((11, 3))
    for name, (x, y) in parts.items():
        x = np.column_stack([x, np.full(len(x), float(name == "rendered"))])
        left += WEIGHT[name] * x.T @ x / len(x)
        right += WEIGHT[name] * x.T @ y / len(x)
    ridge = RIDGE / 30 * np.eye(11)
    ridge[9, 9] = ridge[10, 10] = 1e-6
    found = np.linalg.solve(left + ridge, right)
    return found[:10], found[10]


def say_lab(off: np.ndarray, x: np.ndarray, y: np.ndarray) -> None:
    """Print the error of L*, a*, b* that errors (n, 3) of the logarithms make."""
    from lawnscore.card.colourspace import linear_to_lab

    true = np.exp(x[:, :3] + y)
    e = linear_to_lab(true * np.exp(off)) - linear_to_lab(true)
    print("L* a* b* bias", e.mean(0).round(2), "RMSE", np.sqrt((e**2).mean(0)).round(2))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--net", type=Path, required=True)
    parser.add_argument("--most", type=int, default=240, help="pictures of a world")
    a = parser.parse_args()
    from lawnscore.photo.leaf import scarcity

    parts = {name: rows_of(a.worlds, name, a.net, a.most) for name in WEIGHT}
    apart = rows_of(a.worlds, APART, a.net, a.most)
    weight, inks = fit(parts)
    print("a card's inks add", inks.round(3), "to the logarithms")
    alone, alone_inks = fit({"rendered": parts["rendered"]})
    card = alone_inks + alone[-1]
    x, y = parts["sketched"]
    errors = {APART: (apart[0] @ weight + inks - apart[1], apart[0]),
              "sketched": (x @ alone - alone[-1] + card - y, x)}  # fmt: skip
    errors["sketched"][0][:] -= errors["sketched"][0].mean(axis=0)  # of a card, as it has none
    pooled = np.zeros((3, 3))
    for name, (off, x) in errors.items():
        print(f"{name:9s} {len(x):4d} mean {off.mean(0).round(3)} sd {off.std(0).round(3)}")
        if name == APART:
            say_lab(off, x, apart[1])
        spread = off / np.array([scarcity(v) for v in x[:, 7]])[:, None]
        pooled += WEIGHT.get(name, 1.0) * spread.T @ spread / len(spread)
    covariance = pooled / (1.0 + WEIGHT["sketched"])
    print("relative error of red, green, blue:", np.sqrt(np.diag(covariance)).round(3))
    stored = dict(np.load(a.net))
    weight[-1] += inks
    stored["leaf.weight"] = weight.astype(np.float32)
    stored["leaf.covariance"] = covariance.astype(np.float32)
    np.savez(a.net, **stored)


if __name__ == "__main__":
    main()
