"""Bare patches: connected ground without green leaf, as objects with a place and an area."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from lawnscore.photo.classes import ClassMap

Floats = NDArray[np.float32]

STRAY_LEAF_WINDOW_MM = 20.0
"""Diameter of the disc over which leaf is averaged, mm: a blade or two inside it do not end a
patch. Our own choice, no source: about the width of a thumb."""

TRUE_LEAF_SHARE = 0.15
"""Share of leaf in that disc below which ground is bare in truth (our own choice, no source)."""

BARE_LEAF_SHARE = 0.19
"""Share of leaf that is seen in that disc, below which its middle counts as bare. The class stage
sees a little leaf where there is none; `benchmarks/studies/fit_patches.py` finds what makes the
ground in patches neither too large nor too small."""

SURROUNDINGS_MM = 120.0
"""Side of the square in which the turf around a patch is looked at to place its edge, mm."""

MIN_CORE_PART = 0.4
"""Part of a patch that must be below BARE_LEAF_SHARE: thin turf beside a gap is not a patch."""

LEAF_SHARE_DOUBT = 0.08
"""Error of the share of leaf in the disc: ground this close to BARE_LEAF_SHARE is doubtful."""

MIN_WEIGHT = 0.5
"""A cell with less measured ground than this belongs to the border."""


@dataclass(frozen=True, eq=False)
class BarePatches:
    """The bare patches of one photo.

    Parameters
    ----------
    x_mm, y_mm
        (n,) centre of gravity, mm from the outer corner of the class map plus `origin_mm`.
    area_cm2
        (n,) area seen, cm2; of a patch that is cut by the border only the part inside.
    cut
        (n,) bool, True where the patch touches the border of the measured ground.
    labels
        (Hc, Wc) int32; 0 is no patch, ``i + 1`` is patch ``i``.
    doubtful_cm2
        Ground that is bare or not by a small change of the share of leaf, cm2: little round the
        sharp edge of a patch, much in thin turf.
    """

    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    area_cm2: NDArray[np.float64]
    cut: NDArray[np.bool_]
    labels: NDArray[np.int32]
    doubtful_cm2: float = 0.0

    @property
    def count(self) -> float:
        """Number of patches; one that the border cuts counts half.

        Of the patches that the border of a sample cuts, as many have their centre inside as
        outside, so halves keep the density unbiased (the rule of two borders of a counting
        chamber, in expectation; common practice, no source).
        """
        return float(np.where(self.cut, 0.5, 1.0).sum())


def find_patches(
    class_map: ClassMap,
    *,
    min_area_cm2: float = 25.0,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    bare_below: float = BARE_LEAF_SHARE,
) -> BarePatches:
    """Find connected areas without green leaf that are larger than `min_area_cm2`.

    Leaf is averaged over a disc of :data:`STRAY_LEAF_WINDOW_MM`. A patch is a connected area
    that has a core below `bare_below`; its edge runs where the average is half that
    of the turf around it, which is where a sharp edge would lie. Casts and litter are not
    counted: what lies under them is not known, so they end a patch as leaf does.

    Parameters
    ----------
    class_map
        Shares of the five surfaces per cell.
    min_area_cm2
        Smallest patch that counts, cm2.
    origin_mm
        Place of the outer corner of the map in the card frame, mm.
    bare_below
        Share of leaf below which ground is bare: as it is seen, or of true shares
        :data:`TRUE_LEAF_SHARE`.

    Raises
    ------
    ValueError
        When `min_area_cm2` is not positive.
    """
    if not min_area_cm2 > 0:
        raise ValueError(f"min_area_cm2 must be positive, got {min_area_cm2}")
    leafy = class_map.shares[..., 0] + class_map.shares[..., 3] + class_map.shares[..., 4]
    inside = class_map.weight >= MIN_WEIGHT
    around = _disc_mean(leafy, class_map.weight, STRAY_LEAF_WINDOW_MM / class_map.cell_mm)
    core = inside & (around < bare_below)
    edge = _edge_level(around, inside, core, class_map.cell_mm, bare_below)
    labels = _labels_with_core(inside & (around < edge), core)
    doubtful = inside & (np.abs(around - bare_below) < LEAF_SHARE_DOUBT)
    found = _measured(labels, class_map, min_area_cm2, origin_mm)
    return replace(found, doubtful_cm2=float(doubtful.sum()) * (class_map.cell_mm / 10.0) ** 2)


def _disc_mean(values: Floats, weight: Floats, diameter_cells: float) -> Floats:
    side = max(3, round(diameter_cells) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)).astype(np.float32)
    kernel /= kernel.sum()
    total = cv2.filter2D(values * weight, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    share = cv2.filter2D(weight, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    return (total / np.maximum(share, 1e-6)).astype(np.float32)


def _edge_level(
    around: Floats,
    inside: NDArray[np.bool_],
    core: NDArray[np.bool_],
    cell_mm: float,
    bare_below: float,
) -> Floats:
    """Halfway from the turf near each cell to the cores, never below the level of a core.

    The blurred rim of a core is left out of its turf, or the level would come out too low.
    """
    rim = max(3, round(STRAY_LEAF_WINDOW_MM / cell_mm) | 1)
    near_core = cv2.dilate(core.astype(np.uint8), np.ones((rim, rim), np.uint8)) > 0
    where = (inside & ~near_core).astype(np.float32)
    side = max(3, round(SURROUNDINGS_MM / cell_mm) | 1)
    border = cv2.BORDER_CONSTANT
    total = cv2.boxFilter(around * where, -1, (side, side), borderType=border)
    share = cv2.boxFilter(where, -1, (side, side), borderType=border)
    floor = float(around[core].mean()) if core.any() else 0.0
    turf = total / np.maximum(share, 1e-3)
    return np.maximum(0.5 * (turf + floor), bare_below).astype(np.float32)


def _labels_with_core(area: NDArray[np.bool_], core: NDArray[np.bool_]) -> NDArray[np.int32]:
    count, labels = cv2.connectedComponents(area.astype(np.uint8), connectivity=4)
    cells = np.bincount(labels.ravel(), minlength=count)
    core_cells = np.bincount(labels[core], minlength=count)
    keep = core_cells >= MIN_CORE_PART * cells
    keep[0] = False
    out: NDArray[np.int32] = np.where(keep[labels], labels, 0).astype(np.int32)
    return out


def _measured(
    labels: NDArray[np.int32],
    class_map: ClassMap,
    min_area_cm2: float,
    origin_mm: tuple[float, float],
) -> BarePatches:
    rows, cols = np.nonzero(labels)
    found, flat = np.unique(labels[rows, cols], return_inverse=True)
    weight = class_map.weight[rows, cols].astype(np.float64)
    total = np.bincount(flat, weights=weight, minlength=found.size)
    area = np.asarray(total * (class_map.cell_mm / 10.0) ** 2, dtype=np.float64)
    big = np.flatnonzero(area >= min_area_cm2)
    x = np.bincount(flat, weights=weight * cols, minlength=found.size)[big] / total[big]
    y = np.bincount(flat, weights=weight * rows, minlength=found.size)[big] / total[big]
    numbers = np.zeros(int(labels.max(initial=0)) + 1, dtype=np.int32)
    numbers[found[big]] = np.arange(1, big.size + 1, dtype=np.int32)
    beside = cv2.dilate((class_map.weight < MIN_WEIGHT).astype(np.uint8), np.ones((3, 3), np.uint8))
    beside[[0, -1]] = 1
    beside[:, [0, -1]] = 1
    touching = np.bincount(flat, weights=beside[rows, cols], minlength=found.size)[big] > 0
    return BarePatches(
        x_mm=origin_mm[0] + (x + 0.5) * class_map.cell_mm,
        y_mm=origin_mm[1] + (y + 0.5) * class_map.cell_mm,
        area_cm2=area[big],
        cut=touching,
        labels=numbers[labels],
    )
