"""The learned part of the class stage: a small network, run with NumPy and OpenCV alone.

What a colour means hangs on what else is in the photo: yellow-green is leaf on a pale lawn and
dying leaf on a dark one. So all colours of the photo first say together what kind of ground it is
(its mood: the mean of what each says alone). Then a pixel's corrected colour passes through a
small multilayer perceptron that knows the mood. Within a photo that part depends on the colour
alone, so it is tabulated once a photo and costs one look-up a pixel. A first layer reads
the 4 x 4 pixels of each cell; a small U of convolutions over cells of 5, 10, 20 and 40 mm, run by
OpenCV's own dnn module, sees what lies around. `benchmarks/training/train.py` trains it on many
worlds of labelled ground: renderings, sketches, and photographs of fields and of young wheat.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import LUMINANCE
from lawnscore.photo.traits import traits_of

Floats = NDArray[np.float32]

GROUND_MM_PER_PX = 1.25
"""Scale of the ground that the network was trained for."""

CELL_PX = 4
"""Ground pixels along the side of a cell: 5 mm."""

STRIDE_CELLS = 8
STRIDE_PX = STRIDE_CELLS * CELL_PX
"""Height and width of the ground are multiples of this, so that cells halve three times."""

CHANNELS = 4
"""Channels of a colour: its lightness and three that are learned."""

_COLOURS_AT_ONCE = 4096
"""Colours that pass the perceptron together: what they fill stays in the processor's cache."""

_STEM_CELLS = 2048
"""Cells that pass the first layer together."""

_CELLS_FOR_MOOD = 4000
"""Cells whose colours are counted for the mood; more would not change it."""

_LEFT_OUT = np.float32(-1e6)
"""Added to the first layer of a cell that is left out: nothing of it passes the threshold."""


@dataclass(frozen=True, eq=False)
class ClassNet:
    """The network: arrays by name, and the convolutions as an OpenCV net."""

    weights: dict[str, Floats]
    rest: cv2.dnn.Net

    def mood(self, linear: Floats, counts: Floats) -> Floats:
        """Return what the colours (n, 3), each met ``counts`` (n,) times, say together, (k,)."""
        said = np.zeros(len(self.weights["mood1.bias"]), np.float32)
        planes = np.ascontiguousarray(linear.T)
        for first in range(0, len(linear), _COLOURS_AT_ONCE):
            part = slice(first, first + _COLOURS_AT_ONCE)
            x = _relu(self._layer("mood0", colour_features(planes[:, part])))
            said += _relu(self._layer("mood1", x)) @ counts[part]
        mean = said / max(float(counts.sum()), 1.0)
        return _relu(self._layer("mood2", mean[:, None]))[:, 0]

    def pixel_table(self, linear: Floats, mood: Floats) -> NDArray[np.uint8]:
        """Return the channels (n, 4) of (n, 3) linear sRGB in a photo of this mood."""
        channels = np.empty((CHANNELS, len(linear)), np.uint8)
        planes = np.ascontiguousarray(linear.T)
        for first in range(0, len(linear), _COLOURS_AT_ONCE):
            part = slice(first, first + _COLOURS_AT_ONCE)
            learned = self._perceptron(planes[:, part], mood)
            channels[0, part] = np.rint(255.0 * lightness(planes[:, part]))
            channels[1:, part] = np.rint(255.0 * learned)
        return np.ascontiguousarray(channels.T)

    def _perceptron(self, linear: Floats, mood: Floats) -> Floats:
        x = self._layer("pixel0", colour_features(linear))
        x = _relu(np.add(x, mood[:, None], out=x))
        x = _relu(self._layer("pixel1", x))
        return sigmoid(self._layer("pixel2", x))

    def _layer(self, name: str, x: Floats) -> Floats:
        out: Floats = self.weights[f"{name}.weight"].T @ x
        out += self.weights[f"{name}.bias"][:, None]
        return out

    def cells(
        self, linear: Floats, index: NDArray[np.uint16], keep: NDArray[np.bool_]
    ) -> tuple[Floats, Floats]:
        """Return the outputs of each cell before any link function, and the photo's traits.

        Parameters
        ----------
        linear
            (n, 3) corrected linear sRGB of the colours.
        index
            (Hc, Wc, 16) colour number of each cell's pixels (:func:`by_cell`); Hc and Wc are
            multiples of 8.
        keep
            (Hc, Wc) cells that are measured; the others take no part.

        Returns
        -------
        ndarray
            (Hc, Wc, 7): five logits of the shares, cast middle, shade.
        ndarray
            (n, t) traits of the photo's pieces: how its ground looks
            (:func:`~lawnscore.photo.traits.traits_of`).
        """
        w = self.weights
        kept = np.flatnonzero(keep)
        some = index.reshape(keep.size, -1)[kept[:: max(1, kept.size // _CELLS_FOR_MOOD)]]
        met = np.bincount(some.ravel(), minlength=len(linear)).astype(np.float32)
        mood = self.mood(linear[met > 0], met[met > 0])
        seen = _colours_seen(index, len(linear))
        channels = np.zeros((len(linear), CHANNELS), np.uint8)
        channels[seen] = self.pixel_table(linear[seen], mood)
        planes = self._stem(channels, index, keep)
        mean = planes.reshape(len(planes), -1).sum(axis=1) / max(kept.size, 1)
        context = np.concatenate([mean, mood]) @ w["context.weight"] + w["context.bias"]
        self.rest.setInput(planes[None], "cells")
        self.rest.setInput(context.reshape(1, -1, 1, 1), "context")
        out, near, deep = self.rest.forward(("out", "near", "deep"))
        return np.moveaxis(out[0], 0, -1), traits_of(planes, near[0], deep[0], keep)

    def strangeness(self, traits: Floats) -> float:
        """Return how far a photo lies from the nearest known world, in spreads.

        The traits (n, t) of its pieces are scaled, and turned to the directions in which known
        ground differs most. In those, the Mahalanobis distance over the root of their number (Lee
        et al. 2018, NeurIPS), the least over the worlds that the network was trained on, and of the
        pieces the middle one: 0.7 to 1.6 for what is known.
        """
        seen = traits @ self.weights["strange.directions"]
        off = seen[:, None] - self.weights["strange.mean"]
        spreads = np.einsum("nwd,wde->nwe", off, self.weights["strange.factor"])
        return float(np.median(np.sqrt(np.mean(spreads * spreads, axis=2)).min(axis=1)))

    def _stem(
        self, channels: NDArray[np.uint8], index: NDArray[np.uint16], keep: NDArray[np.bool_]
    ) -> Floats:
        """Return the first layer's planes (k, Hc, Wc); cells not kept are 0.

        Some cells at a time, so that what they fill stays in the processor's cache. The bias, and
        what silences cells that are left out, are two more rows of the product.
        """
        weight = self.weights["stem.weight"].T
        bias = self.weights["stem.bias"][:, None]
        weight = np.concatenate([weight, bias, np.full_like(bias, _LEFT_OUT)], axis=1)
        words = np.zeros(1 << 16, np.float32)  # four channels a word; a table that OpenCV takes
        words[: len(channels)] = channels.view(np.float32)[:, 0]
        pixels, left_out = index.reshape(keep.size, -1), ~keep.ravel()
        seen = np.ones((weight.shape[1], _STEM_CELLS), np.float32)
        planes = np.empty((len(weight), keep.size), np.float32)
        for first in range(0, keep.size, _STEM_CELLS):
            part = slice(first, min(first + _STEM_CELLS, keep.size))
            here = seen[:, : part.stop - first]
            here[:-2] = cv2.transpose(cv2.LUT(pixels[part], words).view(np.uint8))
            here[-1] = left_out[part]
            out = planes[:, part]
            np.maximum(np.matmul(weight, here, out=out), 0.0, out=out)
        return planes.reshape(len(weight), *keep.shape)


def by_cell(index: NDArray[np.uint16], out: NDArray[np.uint16] | None = None) -> NDArray[np.uint16]:
    """Return the colour numbers (H, W) as (H / 4, W / 4, 16): the pixels of each cell by rows."""
    height, width = (side // CELL_PX for side in index.shape)
    if out is None:
        out = np.empty((height, width, CELL_PX**2), np.uint16)
    # The four pixels of a cell's row are moved as one number.
    four = np.ascontiguousarray(index).view(np.uint64)
    out.view(np.uint64)[:] = four.reshape(height, CELL_PX, width).swapaxes(1, 2)
    return out


def _colours_seen(index: NDArray[np.uint16], n: int) -> NDArray[np.intp]:
    """Return the numbers of the n colours that occur: a photo has about half of 32,768."""
    count = cv2.calcHist([index.reshape(len(index), -1)], [0], None, [n], [0, n])
    return np.flatnonzero(count)


@cache
def load_net() -> ClassNet:
    """Return the network of the class stage that ships with the package."""
    folder = files("lawnscore.photo")
    with folder.joinpath("class_net.npz").open("rb") as file:
        stored = np.load(file)
        weights = {key: stored[key].astype(np.float32) for key in stored.files}
    with as_file(folder.joinpath("class_net.onnx")) as path:
        return ClassNet(weights, read_onnx(path))


def read_onnx(path: Path) -> cv2.dnn.Net:
    """Return the net of an ONNX file, run by the engine that is faster on it.

    OpenCV 5 has two; its older one takes fewer multiplications for a 3 x 3 convolution (Winograd;
    Lavin & Gray 2016, Proc. CVPR 4013-4021). For a net from memory it does not ask which.
    """
    engine = getattr(cv2.dnn, "ENGINE_CLASSIC", None)
    options = {} if engine is None else {"engine": engine}
    return cv2.dnn.readNetFromONNX(str(path), **options)


def colour_features(linear: Floats) -> Floats:
    """Return (5, n): square root of the three channels (3, n), then the shares of red and green."""
    held = np.clip(linear, 0.0, 1.5)
    features = np.empty((5, held.shape[1]), np.float32)
    np.sqrt(held, out=features[:3])
    np.multiply(held[:2], 2.0 / (held.sum(axis=0) + 0.01), out=features[3:])
    return features


def lightness(linear: Floats) -> Floats:
    """Return (n,) cube root of the luminance of (3, n), 0 to 1 (IEC 61966-2-1 weights)."""
    luminance = np.clip(LUMINANCE.astype(np.float32) @ linear, 0.0, 1.0)
    return np.asarray(np.cbrt(luminance), dtype=np.float32)


def _relu(x: Floats) -> Floats:
    return np.maximum(x, 0.0, out=x)


def sigmoid(x: Floats) -> Floats:
    """Return 1 / (1 + exp(-x))."""
    return np.asarray(1.0 / (1.0 + np.exp(-x)), dtype=np.float32)
