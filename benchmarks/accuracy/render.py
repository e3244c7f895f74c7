"""Render the photo of a case and keep what must be known to judge its score."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from benchmarks.accuracy.draws import TEXTURES, Case
from lawnscore.card.colourspace import encode_srgb, linear_to_lab
from lawnscore.card.design import card_design
from lawnscore.card.reference import ReferenceCard, nominal_reference
from lawnscore.demo import sward
from lawnscore.demo.geometry import bounds_mm
from lawnscore.demo.photograph import Photograph, photograph
from lawnscore.demo.printed_card import printed_reference
from lawnscore.demo.scene import SURFACES, Scene, grow_lawn
from lawnscore.demo.truth import mean_colour
from lawnscore.photo.measures import dgci

CARD = "turf-a5"

SECONDS: Counter[str] = Counter()
"""Processor seconds of this process by part: grow, render, score, truth."""


@dataclass(frozen=True, eq=False)
class Known:
    """What is known of a rendered photo.

    Parameters
    ----------
    photo
        The JPEG.
    surface
        (H, W) uint8 index into SURFACES of each scene pixel.
    scene_mm_per_px, casts
        Of the scene; casts are (n, 3): x, y, diameter in mm.
    mm_per_px, tilt_deg, card_to_px
        True pose at the card.
    leaf
        True leaf colour in the light of the photo.
    """

    photo: Path
    surface: np.ndarray
    scene_mm_per_px: float
    casts: np.ndarray
    mm_per_px: float
    tilt_deg: float
    card_to_px: np.ndarray
    leaf: dict[str, float]


@contextmanager
def timed(part: str) -> Iterator[None]:
    """Add the processor time of a block to a part."""
    began = time.process_time()
    yield
    SECONDS[part] += time.process_time() - began


def warm() -> None:
    """Make what all photos share, before the processes part."""
    reference("measured")
    for variant in TEXTURES:
        sward.thatch_tile(variant)
        sward.understory_tile(variant)


@lru_cache(maxsize=2)
def reference(kind: str) -> ReferenceCard:
    """The card as a spectrophotometer would read it, or its nominal colours."""
    design = card_design(CARD)
    nominal = nominal_reference(design)
    if kind == "nominal":
        return nominal
    linear = np.asarray(printed_reference(design), dtype=np.float64)
    return replace(nominal, name="as printed", linear_srgb=linear, source="measured")


@lru_cache(maxsize=1)
def grown(spec: Any, seed: int) -> Scene:
    """The lawn of a case; cases of one lawn follow each other, so one is kept."""
    with timed("grow"):
        return grow_lawn(spec, seed=seed)


@lru_cache(maxsize=1)
def _photographed(case: Case) -> tuple[Photograph, dict[str, float]]:
    scene = grown(case.spec, case.lawn_seed)
    with timed("render"):
        card = None if case.card == "none" else CARD
        photo = photograph(scene, case.light, case.camera, case.view, seed=case.seed, card=card)
    with timed("truth"):
        return photo, leaf_colour(photo)


def render(case: Case, folder: Path, *, keep: bool = False) -> Known:
    """Render the photo of a case into a folder.

    With `keep` the photo and what is known of it stay there for a later run; without, nothing
    but the JPEG of the last case does.
    """
    stem = folder / (case.key if keep else "photo")
    if keep and stem.with_suffix(".json").is_file():
        return _read(case, stem)
    # The quality of the JPEG does not change the light: cases that differ in it share the rest.
    plain = replace(case, study="", name="", tags=(), card="none" if case.card == "none" else "",
                    camera=replace(case.camera, jpeg_quality=0))  # fmt: skip
    photo, leaf = _photographed(plain)
    hidden = dict(case.tags).get("focal") == "hidden"
    with timed("render"):
        path = stem.with_suffix(".jpg")
        replace(photo, camera=case.camera).save_jpeg(path, exif=not hidden)
        surface = photo.scene.surface
    known = Known(path, surface, photo.scene.mm_per_px, photo.scene.casts, photo.mm_per_px,
                  photo.tilt_deg, photo.card_to_px, leaf)  # fmt: skip
    if keep:
        _write(case, known, stem)
    return known


def _surface_path(case: Case, folder: Path) -> Path:
    lawn = replace(case, study="", name="", light=None, camera=None, view=None, seed=0, tags=())
    return folder / f"lawn-{replace(lawn, card='').key}.png"


def _write(case: Case, known: Known, stem: Path) -> None:
    surface = _surface_path(case, stem.parent)
    if not surface.is_file():
        cv2.imwrite(str(surface), known.surface, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    figures = {
        "scene_mm_per_px": known.scene_mm_per_px, "casts": known.casts.tolist(),
        "mm_per_px": known.mm_per_px, "tilt_deg": known.tilt_deg,
        "card_to_px": known.card_to_px.tolist(), "leaf": known.leaf,
    }  # fmt: skip
    stem.with_suffix(".json").write_text(json.dumps(figures), encoding="utf-8")


def _read(case: Case, stem: Path) -> Known:
    figures = json.loads(stem.with_suffix(".json").read_text(encoding="utf-8"))
    for name in ("casts", "card_to_px"):
        figures[name] = np.array(figures[name], dtype=float)
    surface = _read_surface(_surface_path(case, stem.parent))
    return Known(photo=stem.with_suffix(".jpg"), surface=surface, **figures)


@lru_cache(maxsize=1)
def _read_surface(path: Path) -> np.ndarray:
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


def leaf_colour(photo: Photograph) -> dict[str, float]:
    """True mean colour of the green leaf in view, as lit in the open, related to white paper.

    The mean goes over one scene pixel in four of the part of the scene that is in view.
    """
    scene = photo.scene
    size = np.array(scene.number.shape[::-1])
    box = np.array(bounds_mm(photo.view, photo.scene_to_px)).reshape(2, 2) / scene.mm_per_px
    # A photo that sees the horizon has no such box: then all of the scene is taken.
    steep = np.linalg.inv(photo.scene_to_px)[2]
    corners = np.array([(0, 0, 1), (1, 0, 1), (1, 1, 1), (0, 1, 1)])
    depth = corners * [photo.view.width_px, photo.view.height_px, 1] @ steep
    if (depth > 0).all() or (depth < 0).all():
        left, top = np.clip(box[0], 0, size - 2).astype(int)
        right, low = np.clip(box[1], [left + 2, top + 2], size).astype(int)
    else:
        left, top, right, low = 0, 0, *size
    part = (slice(top, low), slice(left, right))
    planes = [np.ascontiguousarray(p[part]) for p in (scene.number, scene.height, scene.code)]
    green = scene.surface[part] == SURFACES.index("green")
    pick = np.zeros_like(green)
    pick[::2, ::2] = green[::2, ::2]
    names = ("colour_index", "leaf_L", "leaf_a", "leaf_b")
    if not pick.any():
        return dict.fromkeys(names, float("nan"))
    colour = mean_colour(planes, scene, replace(photo.light, shade="none"), pick)
    lab = linear_to_lab(colour)
    index = dgci(encode_srgb(np.clip(colour, 0.0, 1.0)))
    return dict(zip(names, (float(index), *map(float, lab)), strict=True))
