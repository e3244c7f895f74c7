"""The learned part of the class stage: a small network, run with NumPy and OpenCV alone.

A pixel's corrected colour passes through a small multilayer perceptron. That part depends on the
colour alone, so it is tabulated once a photo and costs one look-up a pixel. The mean response and
the local contrast of each 4 mm cell then pass through a few layers that see 12 to 72 mm around
the cell with box filters. `benchmarks/train_classes.py` trains it on rendered scenes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

N_CHANNELS = 4
"""Channels of a pixel: its lightness, then three that are learned."""

N_CONTRAST = 3
"""Contrast channels of a cell: along x, along y, and against its surroundings."""

CELL_PX = 4
"""Ground pixels along the side of a cell: 4 mm at 1 mm per pixel."""

WEIGHTS_FILE = "class_net.npz"


@dataclass(frozen=True, eq=False)
class ClassNet:
    """Weights of the network, by name; arrays are float32."""

    weights: dict[str, Floats]

    def pixel_table(self, linear: Floats) -> tuple[NDArray[np.uint8], Floats]:
        """Return the channels (n, 4) and the green probability (n,) of (n, 3) linear sRGB."""
        w = self.weights
        x = colour_features(linear)
        x = _relu(x @ w["pixel0.weight"] + w["pixel0.bias"])
        x = _relu(x @ w["pixel1.weight"] + w["pixel1.bias"])
        x = _sigmoid(x @ w["pixel2.weight"] + w["pixel2.bias"])
        channels = np.concatenate([lightness(linear)[:, None], x[:, :-1]], axis=1)
        return np.round(255.0 * channels).astype(np.uint8), x[:, -1]

    def cells(self, channels: NDArray[np.uint8], keep: NDArray[np.bool_]) -> Floats:
        """Return the outputs of each cell before any link function.

        Parameters
        ----------
        channels
            (H, W, 4) pixel channels; H and W are multiples of 8.
        keep
            (H / 4, W / 4) cells that are measured; the others take no part.

        Returns
        -------
        ndarray
            (H / 4, W / 4, 7): five logits of the shares, cast middle, shade.
        """
        w = self.weights
        fine = cell_features(channels)
        mean = fine[keep].mean(axis=0) if keep.any() else np.zeros(fine.shape[2], np.float32)
        fine[~keep] = mean
        height, width = keep.shape
        coarse = cv2.resize(fine, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        context = mean @ w["context.weight"] + w["context.bias"]
        coarse = self._mix("coarse0", coarse, (3, 9), context)
        coarse = self._mix("coarse1", coarse, (3, 9))
        up = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
        hidden = fine @ w["fine.here"] + cv2.blur(fine, (3, 3)) @ w["fine.near"]
        hidden += up @ w["fine.up"]
        hidden = _relu(hidden + w["fine.bias"])
        out: Floats = hidden @ w["head.weight"] + w["head.bias"]
        return out

    def _mix(
        self, name: str, x: Floats, sides: tuple[int, int], offset: Floats | float = 0.0
    ) -> Floats:
        w = self.weights
        out = x @ w[f"{name}.here"]
        for side, key in zip(sides, ("near", "far"), strict=True):
            out += cv2.blur(x, (side, side)) @ w[f"{name}.{key}"]
        out += w[f"{name}.bias"] + offset
        return _relu(out)


@cache
def load_net() -> ClassNet:
    """Return the network that ships with the package."""
    with files("lawnscore.photo").joinpath(WEIGHTS_FILE).open("rb") as file:
        stored = np.load(file)
        return ClassNet({name: stored[name].astype(np.float32) for name in stored.files})


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


def cell_features(channels: NDArray[np.uint8]) -> Floats:
    """Return (H / 4, W / 4, 7): mean channels of each cell, then its three contrasts."""
    height, width = channels.shape[:2]
    size = (width // CELL_PX, height // CELL_PX)
    light = np.ascontiguousarray(channels[..., 0])
    contrast = cv2.merge(
        [
            cv2.absdiff(light, np.roll(light, 1, axis=1)),
            cv2.absdiff(light, np.roll(light, 1, axis=0)),
            cv2.absdiff(light, cv2.blur(light, (5, 5))),
        ]
    )
    means = cv2.resize(channels, size, interpolation=cv2.INTER_AREA)
    contrasts = cv2.resize(contrast, size, interpolation=cv2.INTER_AREA)
    return np.concatenate([means, contrasts], axis=2).astype(np.float32) / np.float32(255.0)


def _relu(x: Floats) -> Floats:
    return np.maximum(x, 0.0, out=x)


def _sigmoid(x: Floats) -> Floats:
    out: Floats = 1.0 / (1.0 + np.exp(-x))
    return out
