"""How the ground of a photo looks to the network: what tells whether it is ground that it knows.

What lies deepest is what the network learned to tell apart; it may see nothing of what sets a new
kind of ground off. How ground looks shows in the first layer and on the way back up.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

_PIECE = 7
"""Coarsest cells along the side of a piece: 0.28 m, what is inner of a picture of the training."""

_NEARLY = 0.4
"""Pieces count that have this part of the measured cells of the most measured one."""


def traits_of(first: Floats, near: Floats, deep: Floats, keep: NDArray[np.bool_]) -> Floats:
    """Return the traits of a photo's pieces: what three levels of the network see there.

    Pieces are as large as the pictures that the network was trained on, less their edges: a spread
    grows with the area.

    Parameters
    ----------
    first
        (a, Hc, Wc) planes of the first layer.
    near
        (b, Hc / 2, Wc / 2) what is known of cells of 10 mm on the way back up.
    deep
        (d, Hc / 8, Wc / 8) what the coarsest level sees.
    keep
        (Hc, Wc) cells that are measured.

    Returns
    -------
    ndarray
        (n, 2 a + 2 b + d): means and spreads of `first` and of `near`, means of `deep`, where cells
        and all about them are measured; of the pieces that are nearly as much measured as the most
        measured one.
    """
    inner = _inner(_half_measured(keep, deep))
    levels = (first, near, deep)
    counted = [_counted(keep, inner, planes) for planes in levels]
    each = [_by_piece(cells[None], deep) for cells in counted]
    enough = each[0][:, 0] >= _NEARLY * each[0].max()
    found = []
    for planes, cells, count in zip(levels, counted, each, strict=True):
        n = np.maximum(count[enough], 1.0)
        seen = planes * cells
        mean = _by_piece(seen, deep)[enough] / n
        found.append(mean)
        if planes is not deep:
            square = _by_piece(np.square(seen, out=seen), deep)[enough] / n
            found.append(np.sqrt(np.maximum(square - mean * mean, 0.0)))
    return np.asarray(np.concatenate(found, axis=1), np.float32)


def _counted(keep: NDArray[np.bool_], inner: Floats, planes: Floats) -> Floats:
    """Return 1 for the cells of the planes that are measured and inner, else 0."""
    wide = cv2.resize(inner, planes.shape[:0:-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray(_half_measured(keep, planes) * wide, np.float32)


def _by_piece(planes: Floats, coarse: Floats) -> Floats:
    """Return the sums (pieces, k) of planes (k, h, w) over pieces of the coarsest cells."""
    times = planes.shape[1] // coarse.shape[1]
    down, across = (times * _bounds(side)[:-1] for side in coarse.shape[1:])
    sums = np.add.reduceat(np.add.reduceat(planes, down, axis=1), across, axis=2)
    return np.asarray(sums.reshape(len(planes), -1).T, np.float32)


def _bounds(n: int) -> NDArray[np.intp]:
    """Return where pieces begin along a side of n coarsest cells, and where the last ends."""
    return np.linspace(0, n, max(1, n // _PIECE) + 1).round().astype(np.intp)


def _inner(measured: Floats) -> Floats:
    """Return which of the coarsest cells have two measured ones all about them, 1 or 0.

    Beside the edge the network sees the nothing beyond it. Where no cell is inner, all count.
    """
    inner = cv2.erode(measured, np.ones((5, 5), np.uint8), borderType=cv2.BORDER_CONSTANT,
                      borderValue=0.0)  # fmt: skip
    return np.asarray(inner if inner.any() else measured, np.float32)


def _half_measured(keep: NDArray[np.bool_], planes: Floats) -> Floats:
    """Return 1 where half of what lies under a cell of the planes is measured, else 0."""
    rows, cols = planes.shape[1:]
    side = len(keep) // rows
    measured = np.count_nonzero(keep.reshape(rows, side, cols, side), axis=(1, 3))
    return np.asarray(2 * measured >= side**2, np.float32)
