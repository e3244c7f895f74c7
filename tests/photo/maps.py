"""Class maps drawn by hand, for tests of what is counted on them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from lawnscore.photo.class_net import CELL_PX, GROUND_MM_PER_PX
from lawnscore.photo.classes import ClassMap

CELL_MM = CELL_PX * GROUND_MM_PER_PX  # that of the class stage: 5 mm


@dataclass(frozen=True)
class FlatGround:
    """What the counting stages read of a ground."""

    origin_mm: tuple[float, float] = (0.5, 0.5)
    mm_per_px: float = 1.0
    scale_rel_se: float = 0.0


def discs(shape: tuple[int, int], places: list[tuple[float, float, float]]) -> np.ndarray:
    """Share of each 5 mm cell covered by discs (x, y, diameter), all in mm."""
    n = round(CELL_MM)  # a pixel a millimetre
    y_mm, x_mm = np.mgrid[: shape[0] * n, : shape[1] * n] + 0.5
    fine = np.zeros(y_mm.shape, np.float32)
    for x, y, diameter in places:
        fine[(x_mm - x) ** 2 + (y_mm - y) ** 2 <= (diameter / 2) ** 2] = 1.0
    return cv2.resize(fine, shape[::-1], interpolation=cv2.INTER_AREA)


def class_map(
    green: np.ndarray,
    *,
    cast: np.ndarray | None = None,
    litter: np.ndarray | None = None,
    weight: np.ndarray | None = None,
    leaf_linear: tuple[float, float, float] = (0.05, 0.10, 0.03),
    leaf_se: float = 0.0,
    model_se: float = 0.0,
) -> ClassMap:
    """A map of leaf, casts and litter; the rest is half straw, half soil."""
    zero = np.zeros_like(green)
    cast = zero if cast is None else cast
    litter = zero if litter is None else litter
    green = np.minimum(green, 1 - cast - litter)
    rest = 1 - green - cast - litter
    shares = np.stack([green, rest / 2, rest / 2, cast, litter], axis=-1).astype(np.float32)
    return ClassMap(
        shares=shares,
        weight=np.ones(green.shape, np.float32) if weight is None else weight.astype(np.float32),
        cell_mm=CELL_MM,
        cast_score=cast.astype(np.float32),
        shade=np.zeros(green.shape, np.float32),
        model_se=np.full(5, model_se),
        straw_soil_confidence=0.5,
        leaf_linear=np.array(leaf_linear),
        leaf_linear_se=np.full(3, leaf_se),
    )
