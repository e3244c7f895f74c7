"""Score the photo of a case through the public API and set it beside the truth."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from benchmarks.accuracy.cases import shade_seen
from benchmarks.accuracy.draws import Case
from benchmarks.accuracy.render import SECONDS, Known, reference, render, timed
from lawnscore import score_photo
from lawnscore.contract.settings import ScoringSettings
from lawnscore.demo.geometry import card_to_scene
from lawnscore.demo.scene import SURFACES
from lawnscore.photo import checks
from lawnscore.photo.casts import Casts
from lawnscore.photo.classes import ClassMap
from lawnscore.photo.condition import condition
from lawnscore.photo.measures import measure
from lawnscore.photo.patches import BarePatches, find_patches
from lawnscore.photo.score import PhotoScore

PATCH_CM2 = 25.0
"""Smallest bare patch that is asked for, cm2."""

NEAR_PATCH_CM2 = 20.0
"""Smallest that may be the partner of one that is asked for, cm2."""

SURE = 0.5
"""A cast counts as found when it is surer than this."""


ANY_TILT = ScoringSettings(max_tilt_deg=80.0)


def run_case(case: Case, folder: Path, *, keep: bool = False) -> dict[str, Any]:
    """Render, score and judge one case; how much processor time each part took is in it.

    A refused photo is scored once more with the quality checks switched off, to know by how much
    it would have been wrong: ``unchecked`` holds its row and truth, where a number can be made.
    """
    SECONDS.clear()
    known = render(case, folder, keep=keep)
    with timed("score"):
        score = score_photo(known.photo, reference(case.card), keep_views=True)
    out: dict[str, Any] = {
        "study": case.study,
        "name": case.name,
        "key": case.key,
        "tags": dict(case.tags),
        "made": made_of(case),
        "row": score.row,
        "true_mm_per_px": known.mm_per_px,
        "true_tilt_deg": known.tilt_deg,
        "true_shade_pct": 100 * shade_seen(case),
    }
    if not score.refused:
        with timed("truth"):
            out.update(judged(score, known, case))
    else:
        with timed("score again"), unchecked():
            score = score_photo(
                known.photo, reference(case.card), settings=ANY_TILT, keep_views=True
            )
        if not score.refused:
            with timed("truth"):
                out["unchecked"] = {"row": score.row, "truth": judged(score, known, case)["truth"]}
    out["row"]["photo"] = case.name
    out["seconds"] = {part: round(value, 3) for part, value in SECONDS.items()}
    return json.loads(json.dumps(out, default=float))


def made_of(case: Case) -> dict[str, Any]:
    """What was photographed, how: for tables by condition."""
    camera = {k: v for k, v in asdict(case.camera).items() if k != "bands"}
    parts = {"spec": asdict(case.spec), "light": asdict(case.light), "view": asdict(case.view)}
    return parts | {"camera": camera}


@contextmanager
def unchecked() -> Iterator[None]:
    """Let photos pass that fail a quality check; what a stage cannot do it still refuses."""
    refuse = checks.refuse_failed
    checks.refuse_failed = lambda made: None
    try:
        yield
    finally:
        checks.refuse_failed = refuse


def _far_scale_error(score: PhotoScore, known: Known, case: Case) -> float:
    """Relative error of a length of 10 cm, a metre from the card towards the middle."""
    fit = score.views.card_fit
    centre = np.asarray(fit.design.centre_mm)
    to_scene = card_to_scene(case.view, fit.design)
    aim = cv2.perspectiveTransform(
        np.asarray(case.view.aim_mm, float).reshape(1, 1, 2), np.linalg.inv(to_scene)
    ).reshape(2)
    toward = (aim - centre) / np.linalg.norm(aim - centre)
    ends = centre + np.array([[950.0], [1050.0]]) * toward
    pixels = cv2.perspectiveTransform(ends[None], known.card_to_px)
    seen = cv2.perspectiveTransform(pixels, np.linalg.inv(fit.pose.homography))[0]
    return float(np.linalg.norm(seen[1] - seen[0]) / 100.0 - 1.0)


def true_map(known: Known, case: Case, score: PhotoScore) -> ClassMap:
    """The true shares on the very cells that were measured, and their weights."""
    views = score.views
    seen, ground = views.classes, views.ground
    to_scene = card_to_scene(case.view, views.card_fit.design)
    step = known.scene_mm_per_px
    corner = np.asarray(ground.origin_mm) - 0.5 * ground.mm_per_px
    fine = seen.cell_mm / 8
    # pixel of an eight-fold finer grid of cells -> card mm -> scene mm -> scene pixel
    from_fine = np.array(
        [[fine, 0, corner[0] + fine / 2], [0, fine, corner[1] + fine / 2], [0, 0, 1]]
    )
    to_px = np.array([[1 / step, 0, -0.5], [0, 1 / step, -0.5], [0, 0, 1]])
    matrix = (to_px @ to_scene @ from_fine)[:2]
    rows, cols = seen.weight.shape
    labels = cv2.warpAffine(
        known.surface,
        matrix,
        (cols * 8, rows * 8),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )
    shares = np.stack(
        [
            cv2.resize((labels == k).astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
            for k in range(len(SURFACES))
        ],
        axis=-1,
    )
    return replace(
        seen,
        shares=shares,
        cast_score=shares[..., 3],
        model_se=np.zeros(5),
        shade=np.zeros_like(seen.shade),
    )


def judged(score: PhotoScore, known: Known, case: Case) -> dict[str, Any]:
    """Truth on the measured cells, errors of the scale, casts and patches paired."""
    views = score.views
    true = true_map(known, case, score)
    patches = find_patches(true)
    casts = true_casts(known, case, score)
    values = measure(true, casts, patches, views.ground, ScoringSettings()).values
    values["casts_per_m2"] = casts.expected_count / max(score.row["area_m2"], 1e-9)
    values.update(known.leaf)
    values["condition"] = condition(values, ScoringSettings().condition)
    return {
        "truth": values,
        "far_scale_error": _far_scale_error(score, known, case),
        "scale_rel_se": float(views.ground.scale_rel_se),
        "model_error": _cell_errors(true, views.classes),
        "casts": match_casts(views.casts, casts),
        "patches": match_patches(
            find_patches(views.classes, min_area_cm2=NEAR_PATCH_CM2),
            find_patches(true, min_area_cm2=NEAR_PATCH_CM2),
        ),
    }


def _cell_errors(true: ClassMap, seen: ClassMap) -> list[float]:
    weight = seen.weight / max(float(seen.weight.sum()), 1e-9)
    return [
        float((np.abs(true.shares[..., k] - seen.shares[..., k]) * weight).sum()) for k in range(5)
    ]


def true_casts(known: Known, case: Case, score: PhotoScore) -> Casts:
    """True casts whose centre lies on measured ground, in the card frame."""
    views = score.views
    casts = np.asarray(known.casts, dtype=float).reshape(-1, 3)
    back = np.linalg.inv(card_to_scene(case.view, views.card_fit.design))
    place = cv2.perspectiveTransform(casts[None, :, :2], back)[0] if len(casts) else casts[:, :2]
    corner = np.asarray(views.ground.origin_mm) - 0.5 * views.ground.mm_per_px
    cell = np.floor((place - corner) / views.classes.cell_mm).astype(int)
    rows, cols = views.classes.weight.shape
    inside = ((cell >= 0) & (cell < [cols, rows])).all(axis=1)
    inside[inside] = views.classes.weight[cell[inside, 1], cell[inside, 0]] >= 0.5
    place, diameter = place[inside], casts[inside, 2]
    return Casts(place[:, 0], place[:, 1], diameter, np.ones(len(place)))


def match_casts(found: Casts, true: Casts) -> dict[str, float]:
    """Pair sure casts with true ones; a pair lies within a radius of the cast or 15 mm."""
    from scipy.optimize import linear_sum_assignment

    sure = found.probability >= SURE
    if not sure.any() or not true.probability.size:
        hits = 0
        ratio = float("nan")
    else:
        apart = np.hypot(
            found.x_mm[sure, None] - true.x_mm[None], found.y_mm[sure, None] - true.y_mm[None]
        )
        near = np.maximum(true.diameter_mm / 2, 15.0)[None]
        cost = np.where(apart <= near, apart, 1e6)
        rows, cols = linear_sum_assignment(cost)
        good = cost[rows, cols] < 1e6
        hits = int(good.sum())
        size = found.diameter_mm[sure][rows[good]] / true.diameter_mm[cols[good]]
        ratio = float(np.median(size)) if hits else float("nan")
    return {
        "hits": hits,
        "found": int(sure.sum()),
        "true": int(true.probability.size),
        "expected": found.expected_count,
        "size_ratio": ratio,
    }


def match_patches(found: BarePatches, true: BarePatches) -> dict[str, Any]:
    """Pair patches that share half of the smaller one's cells; areas of pairs and of the others.

    A patch of 24 cm2 measured as 26 is no mistake: what lies a little under the limit may serve
    as a partner, but is not asked for.
    """
    pairs = []
    used: set[int] = set()
    for i, area in enumerate(true.area_cm2):
        inside = true.labels == i + 1
        overlap = np.bincount(found.labels[inside], minlength=found.area_cm2.size + 1)
        overlap[0] = 0
        best = int(overlap.argmax())
        if best == 0 or best in used:
            continue
        smaller = min(int(inside.sum()), int((found.labels == best).sum()))
        if overlap[best] >= 0.5 * smaller:
            used.add(best)
            pairs.append((float(found.area_cm2[best - 1]), float(area)))
    return {
        "pairs": pairs,
        "found": int((found.area_cm2 >= PATCH_CM2).sum()),
        "true": int((true.area_cm2 >= PATCH_CM2).sum()),
    }
