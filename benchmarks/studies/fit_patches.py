"""Below which share of seen leaf is ground bare? A constant of `lawnscore/photo/patches.py`.

    python -m benchmarks.studies.fit_patches --worlds DIR  worlds of `training/worlds.py`
    python -m benchmarks.studies.fit_patches --quick       a few pieces, made here

The class stage sees a little leaf where there is none. On rendered pieces of 0.2 m2, a third of
them of the family `report`, the ground in bare patches is compared with that of the true shares;
printed are mean error and RMSE for shares to choose from.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from benchmarks.training.seen import see
from benchmarks.training.worlds import load, rendered_scene, report_scene
from lawnscore.photo.class_net import load_net

SHARES = (0.10, 0.13, 0.15, 0.17, 0.19, 0.22, 0.25, 0.28)
CELL_MM = 5.0


def patch_pct(shares: np.ndarray, below: float) -> float:
    """Return the ground in bare patches, %, of shares (Hc, Wc, 5)."""
    from lawnscore.photo.classes import ClassMap
    from lawnscore.photo.patches import find_patches

    weight = np.ones(shares.shape[:2], np.float32)
    nothing = np.full(3, np.nan)
    seen = ClassMap(
        shares.astype(np.float32), weight, CELL_MM, 0 * weight, 0 * weight, np.zeros(5), 1.0,
        nothing, nothing,
    )  # fmt: skip
    found = find_patches(seen, bare_below=below)
    return float(found.area_cm2.sum()) / (weight.size * CELL_MM**2 / 100.0) * 100.0


def true_shares(label: np.ndarray) -> np.ndarray:
    """Return the shares (Hc, Wc, 5) of labels (H, W), four pixels a cell."""
    side = (label.shape[1] // 4, label.shape[0] // 4)
    planes = [(label == k).astype(np.float32) for k in range(5)]
    return np.stack([cv2.resize(p, side, interpolation=cv2.INTER_AREA) for p in planes], axis=-1)


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    from lawnscore.photo.patches import BARE_LEAF_SHARE, TRUE_LEAF_SHARE

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--worlds", type=Path)
    parser.add_argument("--most", type=int, default=90, help="pieces of a family")
    parser.add_argument("--quick", action="store_true", help="two pieces of each")
    options = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    pieces = []
    if options.quick or options.worlds is None:
        for make in (report_scene, rendered_scene):
            pieces += [(row["rgb"], row["label"]) for row in map(make, (7001, 7002))]
    else:
        for name in ("report", "rendered"):
            world = load(options.worlds / f"{name}.npz")
            ids = range(0, len(world.rgb), max(1, len(world.rgb) // options.most))
            pieces += [(world.rgb[i], world.label[i]) for i in ids]
    true, seen = [], []
    for rgb, label in pieces:
        one = see(load_net(), rgb)
        shares, side = one.shares.astype(np.float32), len(one.rgb)
        true.append(patch_pct(true_shares(label[:side, :side]), TRUE_LEAF_SHARE))
        seen.append([patch_pct(shares, below) for below in SHARES])
    error = np.array(seen) - np.array(true)[:, None]
    print(f"{len(pieces)} pieces, {np.mean(true):.1f} % of them bare; in use: {BARE_LEAF_SHARE}")
    print("share  mean error  RMSE, points")
    for below, e in zip(SHARES, error.T, strict=True):
        print(f"{below:.2f}  {e.mean():+10.2f}  {np.sqrt((e**2).mean()):5.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
