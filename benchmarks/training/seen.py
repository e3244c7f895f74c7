"""What a network sees in one flat picture: the class stage's own steps, no photo around it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from lawnscore.card.colourspace import decode_srgb
from lawnscore.photo.class_net import (
    CELL_PX,
    STRIDE_PX,
    ClassNet,
    load_net,
    read_onnx,
)
from lawnscore.photo.classes import levels_of


@dataclass(frozen=True, eq=False)
class Seen:
    """Colour numbers of the pixels by cell, their linear colours, which cells count, outputs.

    Parameters
    ----------
    rgb
        (H, W, 3) the part of the picture that was looked at.
    index, linear, keep
        As :meth:`lawnscore.photo.class_net.ClassNet.cells` takes them.
    out
        (Hc, Wc, 7) outputs before any link function.
    shares
        (Hc, Wc, 5) shares of the surfaces.
    traits
        (n, t) how its pieces look to the network.
    """

    rgb: np.ndarray
    index: np.ndarray
    linear: np.ndarray
    keep: np.ndarray
    out: np.ndarray
    shares: np.ndarray
    traits: np.ndarray


def read_net(path: Path) -> ClassNet:
    """Return the network of PATH.npz and PATH.onnx; OpenCV works on one core from here on."""
    cv2.setNumThreads(1)
    stored = {k: v.astype(np.float32) for k, v in np.load(path.with_suffix(".npz")).items()}
    return ClassNet(stored, read_onnx(path.with_suffix(".onnx")))


def see(net: ClassNet, rgb: np.ndarray) -> Seen:
    """Run a network over a picture (H, W, 3) uint8 in corrected sRGB, as the package does."""
    side = min(rgb.shape[:2]) // STRIDE_PX * STRIDE_PX
    rgb = np.ascontiguousarray(rgb[:side, :side])
    levels = levels_of(rgb)
    linear = decode_srgb(levels.colours()).astype(np.float32)
    index, keep = levels.cells(rgb), np.ones((side // CELL_PX,) * 2, bool)
    out, traits = net.cells(linear, index, keep)
    shares = np.exp(out[..., :5] - out[..., :5].max(-1, keepdims=True)).astype(float)
    shares /= shares.sum(-1, keepdims=True)
    return Seen(rgb, index, linear, keep, out, shares, traits)


def with_known(nets: Path, name: str) -> ClassNet:
    """Return a network that says how strange a picture is, from what `known_worlds.py` wrote."""
    net, stored = read_net(nets / name), np.load(nets / f"{name}.known.npz")
    known = {k: v.astype(np.float32) for k, v in stored.items()}
    return replace(net, weights={**net.weights, **known})


def look_with(net: Path) -> ClassNet:
    """Let `score_photo` look with another network than the one that ships."""
    from lawnscore.photo import classes

    other = with_known(net.parent, net.stem)
    other = replace(other, weights={**load_net().weights, **other.weights})
    classes.load_net = lambda: other  # type: ignore[assignment]
    return other
