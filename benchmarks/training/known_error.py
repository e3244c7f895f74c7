"""Fit what the class stage says of its error on ground like what it knows, on whole photos.

    python benchmarks/training/known_error.py --worlds DIR --write class_net.npz

Scored by the whole line: rendered lawns of the set `choosing` (cameras, soils and leaf that no
network was trained on), photographs of fields and young wheat of groups that `train.py --hold`
keeps back, the card laid in; and sketches, flat. The network that ships saw them all in its first
runs, which kept nothing back: of these sets only the rendered lawns are new to it. The line is that
of `stated_error.py`, in the spread of the share, the doubt within cells and how far apart the two
networks are, by the likelihood of Student's t, widened until 95 % of the intervals hold, and by
ALLOWANCE for ground that is none of these. The errors of photographs are taken UNSEEN times as
large: by so much those of groups kept back exceed those of groups that were trained on. Where a
photo is as strange as another world, the lines of `stated_error.py` count (`share_errors` in
`photo/classes.py`).
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import chain
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))  # where the accuracy study lies

import cv2
import numpy as np
from accuracy import SEEDS
from accuracy_cases import cover_cases, odd_cases
from accuracy_draws import Case
from training.card_in_fields import laid_in
from training.seen import see_with_both
from training.stated_error import CLASSES, fitted, terms
from training.worlds import load

from lawnscore.photo.classes import APART_FLOOR

ALLOWANCE = 1.3
"""Our own choice: about by how much errors on cameras and soils that no network was trained on
exceed those on the ones that it was."""
BACK = 3
WEIGHT = {"sketched": 0.5}
"""Weight in the fit; sketches are drawn stranger than lawns are."""
UNSEEN = {"field": (1.3, 1.8, 1.7), "ews": (1.3, 1.8, 1.7)}
"""Errors of green, straw and soil of groups kept back over those of groups that a network saw:
RMSE 3.0, 16.9, 15.9 against 2.0 to 2.5, 8.6 to 9.9, 8.2 to 8.9 on the same fields
(`benchmarks/training/left_out.py`)."""
Row = tuple[str, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def row_of(name: str, shares: np.ndarray, true: np.ndarray, apart: np.ndarray) -> Row:
    """Return set, shares, truth, doubts, distances of the networks; of (n, 5) shares."""
    green, straw, soil = shares[:, 0], shares[:, 1], shares[:, 2]
    torn = float((straw * soil / (straw + soil + 1e-6)).mean())
    doubt = np.array([float((green * (1 - green)).mean()), torn, torn])
    return name, shares.mean(axis=0), true[:3], doubt, apart


def _noting_apart() -> list[np.ndarray]:
    """Let `agreed` leave its distance in the list that is returned."""
    from lawnscore.photo import classes

    left: list[np.ndarray] = []
    whole = classes.agreed

    def noted(*given):  # type: ignore[no-untyped-def]
        out = whole(*given)
        left.append(out[1])
        return out

    classes.agreed = noted
    return left


def rendered_row(case: Case) -> Row | None:
    """Render and score one case."""
    from accuracy_render import reference, render
    from accuracy_truth import true_map

    from lawnscore import score_photo

    cv2.setNumThreads(1)
    left = _noting_apart()
    with tempfile.TemporaryDirectory() as folder:
        known = render(case, Path(folder))
        score = score_photo(known.photo, reference("measured"), keep_views=True)
        if score.views is None:
            return None
        true = true_map(known, case, score)
    seen = score.views.classes
    weight = true.weight[..., None]
    mean = (true.shares * weight).sum((0, 1)) / weight.sum()
    return row_of(case.study, seen.shares[seen.weight > 0].astype(float), mean, left[-1])


def photographed_rows(data: Path, name: str, n: int) -> Iterator[Row]:
    """Score photographs of groups kept back, the card laid in."""
    left = _noting_apart()
    for score, true in laid_in(data, name, n, back=BACK):
        if score.views is not None:
            seen = score.views.classes
            yield row_of(name, seen.shares[seen.weight > 0].astype(float), true, left[-1])


def sketched_rows(world_file: Path, most: int) -> Iterator[Row]:
    """Look at sketches, flat."""
    world = load(world_file)
    for i in range(0, len(world.rgb), max(1, len(world.rgb) // most)):
        one, _, both, apart = see_with_both(world.rgb[i])
        label = world.label[i][: len(one.rgb), : len(one.rgb)]
        true = np.bincount(label[label < 5], minlength=5) / label.size
        yield row_of("sketched", both[one.keep].astype(float), true, apart)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--data", type=Path, default=os.environ.get("LAWNSCORE_DATA"))
    parser.add_argument("--photos", type=int, default=100, help="rendered ones")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--write", type=Path, help="network file (npz) that takes the lines")
    a = parser.parse_args()
    seed = SEEDS["choosing"]
    cases = [*cover_cases(a.photos, seed), *odd_cases(a.photos // 4, seed + 1)]
    with ProcessPoolExecutor(a.jobs) as pool:
        rendered = [row for row in pool.map(rendered_row, cases) if row is not None]
    rows = list(chain(rendered, photographed_rows(a.data, "field", 60),
                      photographed_rows(a.data, "ews", 40),
                      sketched_rows(a.worlds / "sketched.npz", 60)))  # fmt: skip
    sets = np.array([row[0] for row in rows])
    said, true, doubt = (np.array([row[k] for row in rows]) for k in (1, 2, 3))
    apart = np.array([row[4] for row in rows])
    weight = np.array([WEIGHT.get(s, 1.0) / (sets == s).sum() for s in sets])
    lines = []
    print("| ground | photos | share | bias | RMSE | 95 % interval | holds |\n" + "|---" * 7 + "|")
    for k, surface in enumerate(CLASSES):
        x = terms(said[:, k], doubt[:, k], np.ones(len(rows)))
        x[:, -1] = np.log(apart[:, k] + APART_FLOOR)
        more = np.array([UNSEEN.get(s, (1.0,) * 3)[k] for s in sets])
        error = more * (said[:, k] - true[:, k])
        c = fitted(x, error, weight)
        c[0] += np.log(ALLOWANCE)
        lines.append(c)
        se = np.exp(x @ c)
        for name in dict.fromkeys(sets):
            e, s = error[sets == name], se[sets == name]
            print(f"| {name} | {len(e)} | {surface} | {100 * e.mean():+.1f} "
                  f"| {100 * np.sqrt((e**2).mean()):.1f} | +- {196 * np.median(s):.0f} "
                  f"| {100 * (np.abs(e) <= 1.96 * s).mean():.0f} % |")  # fmt: skip
    print(np.array(lines).round(3))
    for name in dict.fromkeys(sets):
        usual = np.percentile(apart[sets == name], [5, 50, 95], axis=0).round(3)
        print(name, "networks apart, 5, 50, 95 %:", usual.tolist())
    if a.write:
        stored = dict(np.load(a.write))
        stored["error.known"] = np.array(lines, np.float32)
        np.savez_compressed(a.write, **stored)


if __name__ == "__main__":
    main()
