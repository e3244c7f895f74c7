"""The learned part of the class stage: a small network, run with NumPy and OpenCV alone.

A pixel's corrected colour passes through a small multilayer perceptron. That part depends on the
colour alone, so it is tabulated once a photo and costs one look-up a pixel. A first layer reads
the 4 x 4 pixels of each cell; a small U of convolutions over cells of 5, 10 and 20 mm, run by
OpenCV's own dnn module, sees what lies around. `benchmarks/train_classes.py` trains it on
rendered scenes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

GROUND_MM_PER_PX = 1.25
"""Scale of the ground that the network was trained for."""

CELL_PX = 4
"""Ground pixels along the side of a cell: 5 mm."""

STRIDE_PX = 4 * CELL_PX
"""Height and width of the ground are multiples of this, so that cells halve twice."""

CHANNELS = 4
"""Channels of a colour: its lightness and three that are learned."""

_COLOURS_AT_ONCE = 4096
"""Colours that pass the perceptron together: what they fill stays in the processor's cache."""

_STEM_ROWS = 8
"""Rows of cells that pass the first layer together."""

N_OUT = 7
"""Outputs of a cell: logits of the five shares, of a cast's middle, of cast shade."""


@dataclass(frozen=True, eq=False)
class ClassNet:
    """The network: arrays by name, and the convolutions as an OpenCV net."""

    weights: dict[str, Floats]
    rest: cv2.dnn.Net

    def pixel_table(self, linear: Floats) -> NDArray[np.uint8]:
        """Return the channels (n, 4) of (n, 3) linear sRGB."""
        channels = np.empty((len(linear), CHANNELS), np.uint8)
        for first in range(0, len(linear), _COLOURS_AT_ONCE):
            part = slice(first, first + _COLOURS_AT_ONCE)
            learned = self._perceptron(linear[part])
            learned = np.concatenate([lightness(linear[part])[:, None], learned], axis=1)
            channels[part] = np.rint(255.0 * learned)
        return channels

    def _perceptron(self, linear: Floats) -> Floats:
        w = self.weights
        x = colour_features(linear)
        x = _relu(x @ w["pixel0.weight"] + w["pixel0.bias"])
        x = _relu(x @ w["pixel1.weight"] + w["pixel1.bias"])
        return sigmoid(x @ w["pixel2.weight"] + w["pixel2.bias"])

    def cells(
        self, channels: NDArray[np.uint8], index: NDArray[np.uint16], keep: NDArray[np.bool_]
    ) -> Floats:
        """Return the outputs of each cell before any link function.

        Parameters
        ----------
        channels
            (n, 4) channels of the colours.
        index
            (H, W) colour number of each pixel; H and W are multiples of 16.
        keep
            (H / 4, W / 4) cells that are measured; the others take no part.

        Returns
        -------
        ndarray
            (H / 4, W / 4, 7): five logits of the shares, cast middle, shade.
        """
        w = self.weights
        planes = self._stem(channels, index, keep)
        mean = planes.reshape(len(planes), -1).sum(axis=1) / max(int(keep.sum()), 1)
        context = mean @ w["context.weight"] + w["context.bias"]
        self.rest.setInput(planes[None], "cells")
        self.rest.setInput(context.reshape(1, -1, 1, 1), "context")
        out: Floats = np.moveaxis(self.rest.forward()[0], 0, -1)
        return out

    def _stem(
        self, channels: NDArray[np.uint8], index: NDArray[np.uint16], keep: NDArray[np.bool_]
    ) -> Floats:
        """Return the first layer's planes (k, H / 4, W / 4); cells not kept are 0.

        A few rows of cells at a time, so that their pixels stay in the processor's cache.
        """
        weight = np.ascontiguousarray(self.weights["stem.weight"].T)
        bias = self.weights["stem.bias"][:, None]
        words = channels.view(np.uint32)[:, 0]
        height, width = keep.shape
        planes = np.empty((len(weight), height, width), np.float32)
        for top in range(0, height, _STEM_ROWS):
            kept = keep[top : top + _STEM_ROWS]
            rows = index[top * CELL_PX : (top + len(kept)) * CELL_PX]
            pixels = rows.reshape(len(kept), CELL_PX, width, CELL_PX).swapaxes(1, 2)
            seen = np.take(words, pixels.reshape(kept.size, -1), mode="clip").view(np.uint8)
            cells = _relu(weight @ seen.astype(np.float32).T + bias) * kept.ravel()
            planes[:, top : top + len(kept)] = cells.reshape(len(weight), *kept.shape)
        return planes


@cache
def load_net() -> ClassNet:
    """Return the network that ships with the package."""
    folder = files("lawnscore.photo")
    with folder.joinpath("class_net.npz").open("rb") as file:
        stored = np.load(file)
        weights = {name: stored[name].astype(np.float32) for name in stored.files}
    onnx = np.frombuffer(folder.joinpath("class_net.onnx").read_bytes(), np.uint8)
    return ClassNet(weights, cv2.dnn.readNetFromONNX(onnx))


def colour_features(linear: Floats) -> Floats:
    """Return (n, 5): square root of the three channels, then the shares of red and green."""
    held = np.clip(linear, 0.0, 1.5)
    total = held.sum(axis=1, keepdims=True) + 0.01
    features = np.concatenate([np.sqrt(held), 2.0 * held[:, :2] / total], axis=1)
    return features.astype(np.float32)


def lightness(linear: Floats) -> Floats:
    """Return (n,) cube root of the luminance, 0 to 1 (IEC 61966-2-1 luminance weights)."""
    luminance = np.clip(linear @ np.array([0.2126, 0.7152, 0.0722], np.float32), 0.0, 1.0)
    return np.cbrt(luminance).astype(np.float32)


def _relu(x: Floats) -> Floats:
    return np.maximum(x, 0.0, out=x)


def sigmoid(x: Floats) -> Floats:
    """Return 1 / (1 + exp(-x))."""
    return np.asarray(1.0 / (1.0 + np.exp(-x)), dtype=np.float32)
