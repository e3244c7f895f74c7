"""Fit what is still mixed into the leafiest cells, and take it off the leaf's colour.

    python benchmarks/training/leaf_colour.py --worlds DIR --net class_net.npz

The truth is the mean colour of the pixels that a mask calls leaf (photographs, sketches) or of the
lit leaf under D65 (renderings). A ridge regression on the features of `photo/leaf.py`, equal
weight to each world; the error it states comes from leaving each world out in turn. A
printed card's inks are no leaf: what that does to a corrected leaf is a constant which the
renderings alone can tell (the other worlds have no card), and which every photo is given.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from training.worlds import load

WORLDS = ("rendered", "sketched", "field", "wheat")
RIDGE = 0.3
LEAST_GREEN = 0.06


def rows_of(worlds: Path, name: str, net_file: Path, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Return features (n, 10) and the logarithm (n, 3) of true over seen colour."""
    from lawnscore.card.colourspace import decode_srgb
    from lawnscore.photo.class_net import ClassNet, read_onnx
    from lawnscore.photo.classes import levels_of
    from lawnscore.photo.leaf import leaf_features

    cv2.setNumThreads(1)
    net = ClassNet(dict(np.load(net_file)), read_onnx(net_file.with_suffix(".onnx")))
    world, features, wanted = load(worlds / f"{name}.npz"), [], []
    for i in range(0, len(world.rgb), max(1, len(world.rgb) // most)):
        side = min(world.rgb[i].shape[:2]) // 32 * 32
        rgb = np.ascontiguousarray(world.rgb[i][:side, :side])
        label = world.label[i][:side, :side]
        levels = levels_of(rgb)
        linear = decode_srgb(levels.colours()).astype(np.float32)
        index, keep = levels.cells(rgb), np.ones((side // 4,) * 2, bool)
        out, _ = net.cells(linear, index, keep)
        p = np.exp(out[..., :5] - out[..., :5].max(-1, keepdims=True))
        green = (p / p.sum(-1, keepdims=True))[..., 0]
        lit = out[..., 6] < np.log(0.35 / 0.65)
        true = world.leaf[i]
        if not np.isfinite(true).all() and name not in ("rendered", "sketched"):
            true = decode_srgb(rgb[label == 0] / 255.0).mean(axis=0) if (label == 0).any() else true
        if not np.isfinite(true).all() or green.mean() < LEAST_GREEN or lit.sum() < 300:
            continue
        x, pure = leaf_features(index, linear, green, lit)
        features.append(x)
        wanted.append(np.log(np.maximum(true, 1e-3)) - np.log(pure))
    return np.array(features), np.array(wanted)


def fit(parts: dict[str, tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Return the regression (10, 3), equal weight to each part, and what a card's inks add (3,)."""
    left, right = np.zeros((11, 11)), np.zeros((11, 3))
    for name, (x, y) in parts.items():
        x = np.column_stack([x, np.full(len(x), float(name == "rendered"))])
        left += x.T @ x / len(x)
        right += x.T @ y / len(x)
    ridge = RIDGE / 30 * np.eye(11)
    ridge[9, 9] = ridge[10, 10] = 1e-6
    found = np.linalg.solve(left + ridge, right)
    return found[:10], found[10]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--net", type=Path, required=True)
    parser.add_argument("--most", type=int, default=150, help="pictures of a world")
    a = parser.parse_args()
    from lawnscore.photo.leaf import scarcity

    parts = {name: rows_of(a.worlds, name, a.net, a.most) for name in WORLDS}
    pooled = []
    weight, inks = fit(parts)
    print("a card's inks add", inks.round(3), "to the logarithms")
    for name, (x, y) in parts.items():
        card = inks if name == "rendered" else 0.0
        without, _ = fit({other: part for other, part in parts.items() if other != name})
        off = x @ without + card - y
        within = x @ weight + card - y
        print(
            f"{name:9s} {len(x):4d} left out: mean {off.mean(0).round(3)} "
            f"sd {off.std(0).round(3)}; "
            f"all: mean {within.mean(0).round(3)} sd {within.std(0).round(3)}"
        )
        spread = off / np.array([scarcity(v) for v in x[:, 7]])[:, None]
        pooled.append(spread.T @ spread / len(spread))
    covariance = np.mean(pooled, axis=0)
    print("relative error of red, green, blue:", np.sqrt(np.diag(covariance)).round(3))
    stored = dict(np.load(a.net))
    weight[-1] += inks
    stored["leaf.weight"] = weight.astype(np.float32)
    stored["leaf.covariance"] = covariance.astype(np.float32)
    np.savez(a.net, **stored)


if __name__ == "__main__":
    main()
