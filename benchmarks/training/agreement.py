"""What the shares of two networks are worth alone and together, world by world.

    python benchmarks/training/agreement.py --worlds DIR

The first network of `photo/class_net.py` was trained on all worlds, the second on rendered turf
alone. `report` neither has seen; fields, wheat and sketches only the first. Printed are bias and
RMSE of the shares, how far apart the two are in green, and how often intervals hold: the
constants of `agreed` in `photo/classes.py` are looked up here.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from training.seen import see_with_both
from training.worlds import load

WORLDS = ("report", "rendered", "sketched", "field", "wheat")


def rows_of(path: Path, most: int) -> dict[str, np.ndarray]:
    """Return shares of the truth, of each network and of both, their distance, stated errors."""
    from lawnscore.photo.class_net import load_net
    from lawnscore.photo.classes import share_errors

    first = load_net()
    world = load(path)
    rows = []
    for i in range(0, len(world.rgb), max(1, len(world.rgb) // most)):
        one, two, both, apart = see_with_both(world.rgb[i])
        label = world.label[i][: len(one.rgb), : len(one.rgb)]
        true = np.bincount(label[label < 5], minlength=5) / label.size
        lines = {name: first.weights[f"error.{name}"] for name in ("weight", "known")}
        se = share_errors(
            both, one.keep, first.strangeness(one.deep), lines["weight"],
            known=lines["known"], apart=apart,
        )  # fmt: skip
        means = [x.mean((0, 1)) for x in (one.shares, two.shares, both)]
        rows.append((true, *means, apart, se))
    names = ("true", "first", "second", "both", "apart", "se")
    return {name: np.array([row[n] for row in rows]) for n, name in enumerate(names)}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--most", type=int, default=80, help="pictures of a world")
    a = parser.parse_args()
    cv2.setNumThreads(1)
    print("| ground | pictures | network | bias | RMSE | apart | holds |\n|" + "---|" * 7)
    for name in WORLDS:
        found = rows_of(a.worlds / f"{name}.npz", a.most)
        for which in ("first", "second", "both"):
            error = 100 * (found[which] - found["true"])[:, :3]
            end = " | |"
            if which == "both":
                held = np.abs(error) <= 196 * found["se"][:, :3]
                end = (
                    f" {100 * np.median(found['apart'][:, 0]):.1f} |"
                    f" {', '.join(f'{100 * h:.0f} %' for h in held.mean(0))} |"
                )
            figures = [
                ", ".join(f"{v:.1f}" for v in x)
                for x in (error.mean(0), np.sqrt((error**2).mean(0)))
            ]
            print(f"| {name} | {len(error)} | {which} | {figures[0]} | {figures[1]} |{end}")


if __name__ == "__main__":
    main()
