"""Fit what the class stage adds to the spread between squares: `SQUARE_PART` of measures.py.

    python -m benchmarks.studies.fit_evenness --photos 40 --results FOLDER
    python -m benchmarks.studies.fit_evenness --quick

To be run again whenever the class stage changes.

Renders photos of the family `train`, takes green cover by 10 cm squares as it is and as it is seen,
on the very same squares, and sets the variance that is too much beside the variance seen.
Printed with it: bias and error over stated error of `evenness`
with the constants of the program.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from benchmarks.accuracy.draws import SCENE_MM, Case, random_view
from benchmarks.accuracy.render import reference, render
from benchmarks.accuracy.truth import true_map
from lawnscore import score_photo
from lawnscore.demo.cases import KINDS, random_case
from lawnscore.photo import measures as stage

SEED = 417
LEAST_SQUARES = 10


@dataclass(frozen=True)
class Spread:
    """One photo: standard deviations of green cover between squares, points, and its errors."""

    name: str
    n: int
    true: float
    seen: float
    off: float
    stated: float
    error: float
    se: float


def cases(n: int) -> Iterator[Case]:
    """Lawns of the family `train` of every kind, from bare to full."""
    rng = np.random.default_rng(SEED)
    for i in range(n):
        kind = KINDS[i % len(KINDS)]
        drawn = random_case(rng, kind=kind, family="train", size_px=(2000, 1500))
        view = random_view(rng, drawn.camera.focal_35mm)
        lawn = replace(drawn.lawn, width_mm=SCENE_MM[0], height_mm=SCENE_MM[1])
        if i % 2:
            lawn = replace(lawn, green=float(rng.uniform(0.75, 0.97)), straw=0.02, patchiness=0.1)
        light = replace(drawn.light, shade="none")
        yield Case("even", str(i), lawn, 3000 + i, light, drawn.camera, view, i)


def spread_of(case: Case, folder: Path) -> Spread | None:
    """The spread between the squares of one photo, as it is and as it is seen."""
    known = render(case, folder, keep=True)
    score = score_photo(known.photo, reference("measured"), keep_views=True)
    if score.views is None:
        return None
    seen = stage.square_shares(score.views.classes)
    true = stage.square_shares(true_map(known, case, score))
    full = seen.weight >= stage.MIN_SQUARE_WEIGHT
    a, b = 100 * true.shares[..., 0][full], 100 * seen.shares[..., 0][full]
    if a.size < LEAST_SQUARES:
        return None
    evenness = float(np.clip(100 - 2 * a.std(ddof=1), 0, 100))
    found, se = score.row["evenness"], score.row["evenness_se"]
    return Spread(
        case.name, a.size, a.std(ddof=1), b.std(ddof=1), (b - a).std(ddof=1),
        100 * float(score.views.classes.model_se[0]), found - evenness, se,
    )  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    """Print the spreads, the constant, and how the measure does."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--results", help="folder for rendered photos; a later run reuses them")
    parser.add_argument("--quick", action="store_true", help="three photos")
    options = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    rows = []
    print("photo  squares  true SD  seen SD  SD of error  stated cover error  evenness error   se")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(options.results or scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for case in cases(3 if options.quick else options.photos):
            row = spread_of(case, folder)
            if row is None:
                continue
            rows.append(row)
            print(
                f"{row.name:>5}  {row.n:7d}  {row.true:7.2f}  {row.seen:7.2f}  {row.off:11.2f}  "
                f"{row.stated:18.2f}  {row.error:+14.2f}  {row.se:4.2f}"
            )
    true, seen = np.array([(r.true, r.seen) for r in rows]).T
    excess = (seen**2 - true**2) / seen**2
    low, middle, high = np.percentile(excess, [25, 50, 75])
    print(
        f"SQUARE_PART, SQUARE_PART_SD = {middle:.2f}, {(high - low) / 1.349:.2f}  in use: "
        f"{stage.SQUARE_PART}, {stage.SQUARE_PART_SD}"
    )
    error, se = np.array([r.error for r in rows]), np.array([r.se for r in rows])
    print(
        f"evenness: bias {error.mean():+.2f}, RMSE {np.sqrt((error**2).mean()):.2f}, error over "
        f"stated error {np.sqrt(((error / se) ** 2).mean()):.2f}, seed {SEED}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
