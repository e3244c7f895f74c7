"""Drop the channels of the class network that never fire: the same outputs in less time.

    python benchmarks/prune_classes.py --net FILE.npz --data DIR --out FILE.npz

Training leaves many channels below their threshold for good (dying ReLU; Lu, Shin, Su &
Karniadakis 2020, Commun. Comput. Phys. 28:1671-1706; from memory). A channel that is 0 on every
scene adds nothing to any output there, so it is taken out of the layer that makes it and of those
that read it. The scenes are those of `train_classes.py make`. Needs PyTorch and onnx.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np
from train_classes import open_net

READERS = {"d2": ["e2.0"], "d3": ["e3.0"], "f2.0": ["u1"], "f1.0": ["head"]}
"""Layers whose channels others read alone, and which: where two are added, both keep all."""


class Watched:
    """In place of OpenCV's net: notes which channels of which layer fire."""

    def __init__(self, weights: dict[str, np.ndarray]) -> None:
        self.weights = weights
        self.inputs: dict[str, np.ndarray] = {}
        self.fired: dict[str, np.ndarray] = {}

    def setInput(self, value: np.ndarray, name: str) -> None:  # noqa: N802 - the name is OpenCV's
        """Keep an input."""
        self.inputs[name] = np.array(value)

    def forward(self) -> np.ndarray:
        """Follow `Rest.forward` of `train_classes.py`, note what is above 0, return the outputs."""
        import torch

        F = torch.nn.functional

        def layer(name, x, **options):
            w = (torch.from_numpy(self.weights[f"{name}.{part}"]) for part in ("weight", "bias"))
            return F.conv2d(x, *w, **options)

        def seen(name, x):
            above = (x[0] > 0).flatten(1).any(1).numpy()
            self.fired[name] = self.fired.get(name, False) | above
            return x

        def twice(x):
            return F.interpolate(x, scale_factor=2.0)

        with torch.no_grad():
            cells = seen("stem", torch.from_numpy(self.inputs["cells"]))
            context = torch.from_numpy(self.inputs["context"])
            x2 = seen("d2", F.relu(layer("d2", cells, stride=2)))
            x2 = F.relu(layer("e2.0", x2, padding=1))
            x3 = seen("d3", F.relu(layer("d3", x2, stride=2) + context))
            for name in deep_layers(self.weights):
                x3 = seen(name, F.relu(layer(name, x3, padding=1)))
            y2 = F.relu(twice(layer("u2", x3)) + x2)
            y2 = seen("f2.0", F.relu(layer("f2.0", y2, padding=1)))
            y1 = F.relu(twice(layer("u1", y2)) + layer("skip", cells))
            y1 = seen("f1.0", F.relu(layer("f1.0", y1, padding=1)))
            return layer("head", y1).numpy()


def deep_layers(weights: dict[str, np.ndarray]) -> list[str]:
    """Return the names of the convolutions at the coarsest level, in order."""
    found = {name.rsplit(".", 1)[0] for name in weights if name.startswith("e3.")}
    return sorted(found, key=lambda name: int(name.split(".")[1]))


def watch_scenes(net: Any, weights: dict[str, np.ndarray], data: str) -> dict[str, np.ndarray]:
    """Return which channels of each layer fire on any scene."""
    from lawnscore.photo.class_net import CELL_PX, ClassNet, by_cell

    watched = Watched(weights)
    net = ClassNet(net.weights, watched)
    files = sorted(Path(data).glob("scene_*.npz"))
    for file in files:
        scene = np.load(file)
        keep = np.ones([side // CELL_PX for side in scene["index"].shape], bool)
        net.cells(scene["table"].astype(np.float32), by_cell(scene["index"]), keep)
    print(f"{len(files)} scenes; channels that fire:")
    for name, fires in watched.fired.items():
        print(f"  {name:6} {int(fires.sum()):3d} of {fires.size}")
    return watched.fired


def prune(
    weights: dict[str, np.ndarray], stored: dict[str, np.ndarray], fired: dict[str, np.ndarray]
) -> None:
    """Take the channels that never fire out of both files' arrays, in place."""
    deep = deep_layers(weights)
    readers = READERS | {a: [b] for a, b in zip(deep, [*deep[1:], "u2"], strict=True)}
    for name, others in readers.items():
        kept = np.flatnonzero(fired[name])
        for part in ("weight", "bias"):
            weights[f"{name}.{part}"] = weights[f"{name}.{part}"][kept]
        for other in others:
            weights[f"{other}.weight"] = weights[f"{other}.weight"][:, kept]
    stem, coarse = np.flatnonzero(fired["stem"]), np.flatnonzero(fired["d3"])
    for other in ("d2", "skip"):
        weights[f"{other}.weight"] = weights[f"{other}.weight"][:, stem]
    for part in ("weight", "bias"):
        stored[f"stem.{part}"] = stored[f"stem.{part}"][..., stem]
        stored[f"context.{part}"] = stored[f"context.{part}"][..., coarse]
    means = np.r_[stem, np.arange(fired["stem"].size, len(stored["context.weight"]))]
    stored["context.weight"] = stored["context.weight"][means]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--net", required=True, help="FILE.npz, with FILE.onnx beside it")
    parser.add_argument("--data", required=True, help="folder of scenes")
    parser.add_argument("--out", required=True, help="FILE.npz to write, and FILE.onnx")
    args = parser.parse_args()
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(Path(args.net).with_suffix(".onnx")))
    weights = {w.name: numpy_helper.to_array(w).copy() for w in model.graph.initializer}
    stored = dict(np.load(args.net))
    fired = watch_scenes(open_net(args.net), weights, args.data)
    prune(weights, stored, fired)
    for w in model.graph.initializer:
        w.CopyFrom(numpy_helper.from_array(np.ascontiguousarray(weights[w.name]), w.name))
    for given in model.graph.input:
        channels = fired["stem"] if given.name == "cells" else fired["d3"]
        given.type.tensor_type.shape.dim[1].dim_value = int(channels.sum())
    del model.graph.value_info[:]
    onnx.save(model, str(Path(args.out).with_suffix(".onnx")))
    np.savez(args.out, **stored)


if __name__ == "__main__":
    sys.exit(main())
