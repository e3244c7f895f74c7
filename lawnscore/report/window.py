"""The window of ground that two photos share, in the frame of the card."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np
from numpy.typing import NDArray

GRID_MM = 20.0  # grid on which the ground that both photos show is found
_SEEN_LEVEL = 6  # of 255; darker in all channels is outside the photo


class GroundNote(TypedDict):
    """What is kept beside a picture of the ground, as JSON.

    Scale and corner in the card's frame, and the cells of :func:`seen_cells` that the photo shows.
    """

    mm_per_px: float
    origin_mm: list[float]
    seen: Any


@dataclass(frozen=True)
class Window:
    """A piece of the ground in the card's frame, in mm."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width_mm(self) -> float:
        """Width of the window."""
        return self.right - self.left

    @property
    def height_mm(self) -> float:
        """Height of the window."""
        return self.bottom - self.top

    @property
    def shorter_mm(self) -> float:
        """Its shorter side."""
        return min(self.width_mm, self.height_mm)


def common_window(metas: Sequence[GroundNote]) -> Window | None:
    """Return the largest upright rectangle of ground that every photo shows."""
    cells = [_cells(meta["seen"]) for meta in metas]
    if any(len(found) == 0 for found in cells):
        return None
    low = np.max([found.min(axis=0) for found in cells], axis=0)
    high = np.min([found.max(axis=0) for found in cells], axis=0)
    if (high < low).any():
        return None
    seen = np.ones(high - low + 1, dtype=bool)
    for found in cells:
        inside = ((found >= low) & (found <= high)).all(axis=1)
        shown = np.zeros_like(seen)
        shown[tuple((found[inside] - low).T)] = True
        seen &= shown
    if not seen.any():
        return None
    top, left, bottom, right = _largest_rectangle(seen)
    row, column = int(low[0]), int(low[1])
    return Window(
        (column + left) * GRID_MM,
        (row + top) * GRID_MM,
        (column + right) * GRID_MM,
        (row + bottom) * GRID_MM,
    )


def _largest_rectangle(seen: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Return top, left, bottom, right (ends exclusive) of the largest all-true rectangle."""
    best, area = (0, 0, 0, 0), 0
    heights = [0] * seen.shape[1]
    for row, line in enumerate(seen.tolist()):
        heights = [h + 1 if here else 0 for h, here in zip(heights, line, strict=True)]
        stack: list[int] = []
        for column, height in enumerate([*heights, 0]):
            while stack and heights[stack[-1]] >= height:
                tall = heights[stack.pop()]
                left = stack[-1] + 1 if stack else 0
                if tall * (column - left) > area:
                    area = tall * (column - left)
                    best = (row - tall + 1, left, row + 1, column)
            stack.append(column)
    return best


def _cells(seen: Any) -> NDArray[np.int64]:
    """Return the cells (n, 2) of a description; those kept before were a list of them."""
    if not isinstance(seen, dict):
        return np.asarray(seen, dtype=np.int64).reshape(-1, 2)
    lines = [np.frombuffer(line.encode("ascii"), dtype=np.uint8) for line in seen["lines"]]
    if not lines:
        return np.empty((0, 2), dtype=np.int64)
    return np.argwhere(np.array(lines) == ord("1")) + np.asarray(seen["first"], dtype=np.int64)


def seen_cells(
    ground: NDArray[np.uint8], corner: Sequence[float], mm_per_px: float
) -> dict[str, Any]:
    """Return the cells of the card's grid that lie wholly inside the photo.

    Returns
    -------
    dict
        ``first``: row and column of the first cell; ``lines``: one text a row of the grid, with
        ``1`` for a cell inside. A list of cells takes a hundred times as long to read as JSON.
    """
    shown = (ground > _SEEN_LEVEL).any(axis=2)
    height, width = shown.shape
    total = np.zeros((height + 1, width + 1), dtype=np.int64)
    total[1:, 1:] = shown.cumsum(axis=0).cumsum(axis=1)
    rows = _cell_edges(corner[1], mm_per_px, height)
    columns = _cell_edges(corner[0], mm_per_px, width)
    lines = []
    for _, top, bottom in rows:
        line = ""
        for _, left, right in columns:
            inside = total[bottom, right] + total[top, left]
            inside -= total[top, right] + total[bottom, left]
            area = max(0, bottom - top) * max(0, right - left)
            # black specks are no border
            line += "1" if area and inside >= 0.98 * area else "0"
        lines.append(line)
    first = [rows[0][0], columns[0][0]] if rows and columns else [0, 0]
    return {"first": first, "lines": lines if columns else []}


def _cell_edges(corner: float, mm_per_px: float, n: int) -> list[tuple[int, int, int]]:
    first = math.ceil(corner / GRID_MM)
    last = math.floor((corner + n * mm_per_px) / GRID_MM)
    edges = [round((cell * GRID_MM - corner) / mm_per_px) for cell in range(first, last + 1)]
    return [(first + k, max(0, edges[k]), min(n, edges[k + 1])) for k in range(len(edges) - 1)]
