"""Fit how sure a peak of the cast score is: the constants of `lawnscore/photo/casts.py`.

    python -m benchmarks.studies.fit_casts --photos 24 --results FOLDER
    python -m benchmarks.studies.fit_casts --quick

Renders photos of the family `train` with 0 to 120 casts per m2, finds the peaks of the cast score
and pairs them with the true casts. Fitted is the evidence of a peak, the logarithm of how much
likelier its height is on a cast than elsewhere, as a line in the logit of the height and in the
logarithm of the litter about it. Printed with
it: casts counted with the constants of the program, photo by photo.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.accuracy.draws import SCENE_MM, Case, random_view
from benchmarks.accuracy.render import reference, render
from benchmarks.accuracy.truth import match_casts, true_casts
from lawnscore import score_photo
from lawnscore.demo.cases import random_case
from lawnscore.photo import casts as stage
from lawnscore.photo.casts import Casts

SEED = 99
DENSITIES = (0, 10, 30, 60, 100, 0, 20, 45, 80, 120, 5, 15)


def cases(n: int) -> Iterator[Case]:
    """Lawns of the family `train`, casts from none to 120 per m2, leaves on every third."""
    rng = np.random.default_rng(SEED)
    for i in range(n):
        kind = "leaves" if i % 3 == 2 else "casts"
        drawn = random_case(rng, kind=kind, family="train", size_px=(2000, 1500))
        view = random_view(rng, drawn.camera.focal_35mm)
        lawn = replace(
            drawn.lawn,
            width_mm=SCENE_MM[0],
            height_mm=SCENE_MM[1],
            casts_per_m2=float(DENSITIES[i % len(DENSITIES)]),
            green=float(rng.uniform(0.5, 0.97)),
        )
        yield Case("fit", str(i), lawn, 1000 + i, drawn.light, drawn.camera, view, i)


def peaks_of(case: Case, folder: Path) -> tuple[NDArray, NDArray, Casts, Casts] | None:
    """Heights of the peaks, which of them are casts, casts counted, true casts."""
    known = render(case, folder, keep=True)
    score = score_photo(known.photo, reference("measured"), keep_views=True)
    if score.views is None:
        return None
    true = true_casts(known, case, score)
    found = score.views.casts
    by_height = np.argsort(-found.height)
    is_cast = np.zeros(found.height.size, dtype=bool)
    taken: set[int] = set()
    near = np.maximum(true.diameter_mm / 2, 15.0)
    for i in by_height:
        apart = np.hypot(true.x_mm - found.x_mm[i], true.y_mm - found.y_mm[i])
        free = [j for j in np.flatnonzero(apart <= near) if j not in taken]
        if free:
            taken.add(min(free, key=lambda j: apart[j]))
            is_cast[i] = True
    return found.height, is_cast, found, true


def fit(height: NDArray, is_cast: NDArray, litter: NDArray | None = None) -> tuple[float, ...]:
    """Intercept and slopes of the log likelihood ratio: logit of height, logarithm of litter."""
    columns = [np.ones(height.size), stage.logit(height)]
    if litter is not None:
        usual, least = stage.LITTER_NEAR
        columns.append(np.log((litter + least) / (usual + least)))
    x = np.column_stack(columns)
    y = is_cast.astype(float)
    beta = np.zeros(x.shape[1])
    for _ in range(50):
        p = 1.0 / (1.0 + np.exp(-x @ beta))
        weight = p * (1.0 - p) + 1e-9
        beta += np.linalg.solve(x.T @ (weight[:, None] * x), x.T @ (y - p))
    beta[0] -= np.log(y.mean() / (1.0 - y.mean()))
    return tuple(float(b) for b in beta)


def main(arguments: list[str] | None = None) -> int:
    """Print the constants and what they count."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=int, default=24)
    parser.add_argument("--results", help="folder for rendered photos; a later run reuses them")
    parser.add_argument("--quick", action="store_true", help="four photos")
    options = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    heights, labels, litters = [], [], []
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(options.results or scratch)
        folder.mkdir(parents=True, exist_ok=True)
        print("photo  true  counted  F1")
        for case in cases(4 if options.quick else options.photos):
            seen = peaks_of(case, folder)
            if seen is None:
                continue
            height, is_cast, found, true = seen
            heights.append(height)
            labels.append(is_cast)
            litters.append(found.litter)
            pair = match_casts(found, true)
            total = pair["true"] + pair["found"]
            f1 = 2 * pair["hits"] / total if total else float("nan")
            print(f"{case.name:>5}  {pair['true']:4d}  {pair['expected']:7.1f}  {f1:.2f}")
    fitted = fit(*(np.concatenate(some) for some in (heights, labels, litters)))
    in_use = (*stage.EVIDENCE, stage.LITTER_EVIDENCE)
    print(f"EVIDENCE, LITTER_EVIDENCE = {np.round(fitted, 2)}  in use: {in_use}, seed {SEED}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
