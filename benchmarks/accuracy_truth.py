"""Render a case, score it through the public API and set it beside the truth."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from accuracy_cases import Case

from lawnscore import score_photo
from lawnscore.card.design import card_design
from lawnscore.card.reference import ReferenceCard, nominal_reference
from lawnscore.contract.settings import ScoringSettings
from lawnscore.demo.geometry import card_to_scene
from lawnscore.demo.photograph import Photograph, photograph
from lawnscore.demo.printed_card import printed_reference
from lawnscore.demo.scene import SURFACES, Scene, grow_lawn
from lawnscore.photo.casts import Casts
from lawnscore.photo.classes import ClassMap
from lawnscore.photo.measures import measure
from lawnscore.photo.patches import BarePatches, find_patches
from lawnscore.photo.score import PhotoScore

CARD = "turf-a5"
PATCH_CM2 = 25.0
"""Smallest bare patch that is asked for, cm2."""

NEAR_PATCH_CM2 = 20.0
"""Smallest that may be the partner of one that is asked for, cm2."""

SURE = 0.5
"""A cast counts as found when it is surer than this."""


@lru_cache(maxsize=1)
def grown(spec: Any, seed: int) -> Scene:
    """The lawn of a case; cases of one lawn follow each other, so one is kept."""
    return grow_lawn(spec, seed=seed)


@lru_cache(maxsize=2)
def reference(kind: str) -> ReferenceCard:
    """The card as a spectrophotometer would read it, or its nominal colours."""
    design = card_design(CARD)
    nominal = nominal_reference(design)
    if kind == "nominal":
        return nominal
    linear = np.asarray(printed_reference(design), dtype=np.float64)
    return replace(nominal, name="as printed", linear_srgb=linear, source="measured")


def run_case(case: Case, folder: Path) -> dict[str, Any]:
    """Render (unless done before), score and judge one case."""
    kit = render_case(case, folder)
    path = folder / "photos" / f"{case.key}.jpg"
    score = score_photo(path, reference(case.card), keep_views=True)
    out: dict[str, Any] = {
        "study": case.study,
        "name": case.name,
        "tags": dict(case.tags),
        "row": score.row,
        "true_mm_per_px": kit["mm_per_px"],
        "true_tilt_deg": kit["tilt_deg"],
        "whole_truth": kit["truth"],
        "true_shade_pct": 100 * case.light.shade_share,
    }
    if not score.refused:
        surface = _surface(case, folder)
        out.update(_judged(score, surface, kit, case))
    return json.loads(json.dumps(out, default=float))


def render_case(case: Case, folder: Path) -> dict[str, Any]:
    """What must be known of a rendered photo to judge it; rendered when it is not there yet."""
    kit_path = folder / "photos" / f"{case.key}.json"
    if kit_path.is_file():
        return json.loads(kit_path.read_text(encoding="utf-8"))
    scene = grown(case.spec, case.lawn_seed)
    photo = photograph(scene, case.light, case.camera, case.view, seed=case.seed, card=CARD)
    hidden = dict(case.tags).get("focal") == "hidden"
    photo.save_jpeg(folder / "photos" / f"{case.key}.jpg", exif=not hidden)
    surface_path = _surface_path(case, folder)
    if not surface_path.is_file():
        cv2.imwrite(str(surface_path), scene.surface)
    kit = {
        "mm_per_px": photo.mm_per_px,
        "tilt_deg": photo.tilt_deg,
        "scene_mm_per_px": scene.mm_per_px,
        "casts": scene.casts.tolist(),
        "truth": _whole_truth(photo),
        "card_to_px": photo.card_to_px.tolist(),
    }
    kit_path.write_text(json.dumps(kit, default=float), encoding="utf-8")
    return kit


def _whole_truth(photo: Photograph) -> dict[str, float]:
    return {name: float(value) for name, value in photo.truth_within(None).items()}


def _far_scale_error(score: PhotoScore, kit: dict[str, Any], case: Case) -> float:
    """Relative error of a length of 10 cm, a metre from the card towards the middle."""
    fit = score.views.card_fit
    centre = np.asarray(fit.design.centre_mm)
    to_scene = card_to_scene(case.view, fit.design)
    aim = cv2.perspectiveTransform(
        np.asarray(case.view.aim_mm, float).reshape(1, 1, 2), np.linalg.inv(to_scene)
    ).reshape(2)
    toward = (aim - centre) / np.linalg.norm(aim - centre)
    ends = centre + np.array([[950.0], [1050.0]]) * toward
    pixels = cv2.perspectiveTransform(ends[None], np.asarray(kit["card_to_px"]))
    seen = cv2.perspectiveTransform(pixels, np.linalg.inv(fit.homography))[0]
    return float(np.linalg.norm(seen[1] - seen[0]) / 100.0 - 1.0)


def _surface_path(case: Case, folder: Path) -> Path:
    lawn = replace(case, study="", name="", light=None, camera=None, view=None, seed=0, tags=())
    return folder / "lawns" / f"{replace(lawn, card='').key}.png"


@lru_cache(maxsize=1)
def _read_surface(path: Path) -> np.ndarray:
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


def _surface(case: Case, folder: Path) -> np.ndarray:
    return _read_surface(_surface_path(case, folder))


def true_map(surface: np.ndarray, kit: dict[str, Any], case: Case, score: PhotoScore) -> ClassMap:
    """The true shares on the very cells that were measured, and their weights."""
    views = score.views
    seen, ground = views.classes, views.ground
    to_scene = card_to_scene(case.view, views.card_fit.design)
    step = kit["scene_mm_per_px"]
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
        surface,
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


def _judged(
    score: PhotoScore, surface: np.ndarray, kit: dict[str, Any], case: Case
) -> dict[str, Any]:
    views = score.views
    true = true_map(surface, kit, case, score)
    patches = find_patches(true)
    casts = true_casts(kit, case, score)
    values = measure(true, casts, patches, views.ground, ScoringSettings()).values
    values["casts_per_m2"] = casts.expected_count / max(score.row["area_m2"], 1e-9)
    colours = ("colour_index", "leaf_L", "leaf_a", "leaf_b")
    values.update({name: kit["truth"].get(name) for name in colours})
    return {
        "truth": values,
        "far_scale_error": _far_scale_error(score, kit, case),
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


def true_casts(kit: dict[str, Any], case: Case, score: PhotoScore) -> Casts:
    """True casts whose centre lies on measured ground, in the card frame."""
    views = score.views
    casts = np.asarray(kit["casts"], dtype=float).reshape(-1, 3)
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
