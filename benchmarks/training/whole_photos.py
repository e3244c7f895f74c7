"""Score whole photos of a world through the whole line, by a network that knows it or not.

    python -m benchmarks.training.whole_photos --data DATA
    python -m benchmarks.training.whole_photos --data DATA --net NETS/no-field
    python -m benchmarks.training.whole_photos --data DATA --net NETS/all --back
    python -m benchmarks.training.whole_photos --set renders --net NETS/no-rendered

Into photographs with masks the rendered card is laid, and what the mask says of the measured ground
is the truth; rendered lawns (`renders`, of the set `choosing`) have it of themselves. With
``--net`` another network takes the place of the one that ships: one that never saw a world says how
the line does on ground that nobody trained on; with ``--back`` only groups are looked at that
`train.py --hold` kept back. The network that ships has seen all the photographs.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from benchmarks.accuracy.draws import Case
from benchmarks.training.seen import look_with
from benchmarks.training.worlds import kept_back
from lawnscore.photo.score import PhotoScore

SURFACES = ("green", "straw", "soil")
COLUMNS = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct")
FOLDERS = {"field": ("field",), "ews": ("ews",), "wheat": ("ews", "ews_more")}
MM_PER_PX = {"field": 1.5, "ews": 1.0, "wheat": 1.0}
"""Scale that is taken of the photographs; the sets state 1 to 2 mm for fields, none for wheat."""
LARGEST = 0.45
"""Brightest 1 in 100 of the ground: a photograph is exposed for itself, and taken as it is much of
its ground would be as bright as paper."""


def photographs(
    data: Path, name: str, n: int, *, back: bool = False
) -> list[tuple[Path, np.ndarray, np.ndarray]]:
    """Return paths, linear pictures and one-hot masks (h, w, 3), evenly spaced in the set.

    With ``back`` only those of groups that `train.py --hold` keeps back.
    """
    from lawnscore.card.colourspace import decode_srgb

    paths = [p for part in FOLDERS[name] for p in sorted((data / "cover" / part / "img").iterdir())]
    if back:
        plots: dict[str, int] = {}
        for path in paths:
            plots.setdefault(path.stem.split("_")[0], len(plots))
        group = [int(p.stem) // 50 if name == "field" else plots[p.stem.split("_")[0]]
                 for p in paths]  # fmt: skip
        kept = kept_back("field" if name == "field" else "wheat", np.array(group))
        paths = [paths[i] for i in np.flatnonzero(kept)]
    found = []
    for path in paths[:: max(1, len(paths) // n)]:
        mask = cv2.imread(str(path.parents[1] / "mask" / f"{path.stem}.png"), cv2.IMREAD_UNCHANGED)
        label = np.array([2, 0, 1])[mask] if name == "field" else np.where(mask > 127, 0, 2)
        linear = decode_srgb(cv2.imread(str(path))[..., ::-1] / 255.0)
        linear = linear * min(1.0, LARGEST / np.percentile(linear.max(axis=2), 99))
        found.append((path, linear.astype(np.float32), np.eye(3, dtype=np.float32)[label]))
    return found


def truth_of(views, one_hot: np.ndarray) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Return the true shares (3,) of the measured ground, from the mask as it lies in the photo."""
    ground = views.ground
    step, (x, y) = ground.mm_per_px, ground.origin_mm
    place = np.array([[step, 0, x], [0, step, y], [0, 0, 1.0]])
    flat = cv2.warpPerspective(
        one_hot, views.card_fit.pose.homography @ place, ground.mask.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )  # fmt: skip
    shares = flat[~ground.mask].mean(axis=0)
    return np.asarray(shares / shares.sum())


def laid_in(
    data: Path, name: str, n: int, *, back: bool = False
) -> Iterator[tuple[PhotoScore, np.ndarray]]:
    """Yield the score of each photograph with the card laid in, and its true shares (3,)."""
    from benchmarks.accuracy import real_compose as lay
    from lawnscore import score_photo
    from lawnscore.card.design import card_design
    from lawnscore.card.reference import ReferenceCard
    from lawnscore.demo.geometry import scene_to_photo
    from lawnscore.demo.printed_card import printed_reference

    design = card_design("turf-a5")
    known = printed_reference(design)
    card = ReferenceCard(design, "composed card", known, "measured", np.zeros_like(known))
    lights = list(lay.LIGHTS)[:3]
    with tempfile.TemporaryDirectory() as folder:
        for k, (path, linear, one_hot) in enumerate(photographs(data, name, n, back=back)):
            span = linear.shape[0] * MM_PER_PX[name]
            light, file = lights[k % len(lights)], Path(folder) / f"{path.stem}.jpg"
            lay.compose(linear, span, light, seed=k, width_px=2400).save(file)
            score = score_photo(file, card, keep_views=True)
            if score.views is None:
                yield score, np.full(3, np.nan)
                continue
            rng = np.random.default_rng(k)
            camera = lay._camera(rng)
            view = lay._view(rng, 2400)
            seen = lay._seen(one_hot, span, scene_to_photo(view, camera.focal_35mm), view)
            yield score, truth_of(score.views, seen)


def rendered(n: int) -> Iterator[tuple[PhotoScore, np.ndarray]]:
    """Yield the score of each rendered lawn of the set `choosing`, and its true shares (3,)."""
    from benchmarks.accuracy.cases import cover_cases
    from benchmarks.accuracy.rendered import SEEDS

    for case in cover_cases(n, SEEDS["choosing"]):
        score, true = scored_render(case)
        yield score, true[:3]


def scored_render(case: Case) -> tuple[PhotoScore, np.ndarray]:
    """Return the score of a rendered case and its true shares (5,), NaN where it is refused."""
    from benchmarks.accuracy.render import reference, render
    from benchmarks.accuracy.truth import true_map
    from lawnscore import score_photo

    with tempfile.TemporaryDirectory() as folder:
        known = render(case, Path(folder))
        score = score_photo(known.photo, reference("measured"), keep_views=True)
        if score.views is None:
            return score, np.full(5, np.nan)
        true = true_map(known, case, score)
    weight = true.weight[..., None]
    return score, (true.shares * weight).sum((0, 1)) / weight.sum()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--data", type=Path, default=os.environ.get("LAWNSCORE_DATA"))
    parser.add_argument("--set", choices=(*FOLDERS, "renders"), default="field")
    parser.add_argument("--photos", type=int, default=30)
    parser.add_argument("--back", action="store_true", help="groups kept back alone")
    parser.add_argument("--net", type=Path, help="network in place of the one that ships")
    a = parser.parse_args()
    if a.net is not None:
        look_with(a.net)
    rows, reasons = [], []
    seen = (
        rendered(a.photos) if a.set == "renders" else laid_in(a.data, a.set, a.photos, back=a.back)
    )
    for score, true in seen:
        if score.views is None:
            reasons.append(f"{score.row['reason']} ({score.row['detail']})")
            continue
        stated = [(score.row[c], score.row[f"{c}_se"]) for c in COLUMNS]
        rows.append([(*v, t) for v, t in zip(stated, 100 * true, strict=True)])
    found = np.array(rows, float)
    print(f"{a.set}: {len(found)} scored, refused: {', '.join(reasons) or 'none'}")
    for k, surface in enumerate(SURFACES):
        value, se, true = found[:, k].T
        off = value - true
        print(
            f"  {surface:6s} bias {off.mean():+5.1f}  RMSE {np.sqrt((off**2).mean()):5.1f}  "
            f"95 % interval +- {1.96 * np.median(se):4.1f} "
            f"holds {100 * (abs(off) <= 1.96 * se).mean():.0f} %"
        )


if __name__ == "__main__":
    main()
