"""Lawns whose cards, phones, lights, spots and sward are changed one at a time and together.

Two worlds, each with its own renderer. `renders`: scenes of `lawnscore.demo`, family ``report``
(cameras, soils and leaf make-up that no training scene has). `sketches`: ground drawn in colour
space (`benchmarks/training/sketches.py`) with the printed card laid on it. Each lawn has five
states: as found, some weeks on (dew, moisture and growth alone), a drought, after scarifying, and
grown back with other grass. As found it is photographed under every condition of
:data:`CONDITIONS`; in each later state on another day with the first phone and with another one.
Every photo is of one of two spots and goes through `score_photo`, with the card's colours as
measured off the print and as nominal.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from benchmarks.accuracy import real_compose as lay
from benchmarks.studies.same_lawn import INKS, season
from benchmarks.training import sketches
from lawnscore import score_photo
from lawnscore.card.colourspace import encode_srgb, linear_to_lab
from lawnscore.card.design import card_design
from lawnscore.card.reference import ReferenceCard, nominal_reference
from lawnscore.contract.errors import PhotoRefused
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.demo import develop, spectra
from lawnscore.demo.camera import Camera, Light
from lawnscore.demo.cases import random_camera, random_light
from lawnscore.demo.geometry import View, card_to_scene, scene_to_photo
from lawnscore.demo.ink import Ink
from lawnscore.demo.materials import palette
from lawnscore.demo.photograph import lit_card, photograph
from lawnscore.demo.printed_card import PrintedCard, print_card
from lawnscore.demo.scene import Scene, grow_lawn
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.class_net import GROUND_MM_PER_PX
from lawnscore.photo.find import find_card
from lawnscore.photo.ground import Ground, flatten
from lawnscore.photo.measures import dgci
from lawnscore.photo.method import method_version
from lawnscore.photo.read import read_photo

WORLDS = ("renders", "sketches")
SPOTS = 2
CARD = "turf-a5"
FADED = 0.25
"""How far a card fades in a season of use, 0 to 1; assumed."""
SIZE_PX = (1360, 1020)
MM_PER_PX = 0.65
"""As a phone at chest height sees it; the frame is 0.9 m wide, to keep a run short."""
SIDE_MM = (940.0, 800.0)
STATES = ("found", "weeks on", "drought", "scarified", "regrown")
_OF_SEASON = (0, 1, 5, 7, 8)  # which visits of `same_lawn.season` these are
DESIGN = "3"
"""Raised whenever the design changes, so that rows kept from an earlier one are not taken."""
TAKEN = "taken.json"
SAME_PX = 25.0
"""How far a corner of the ground that is measured may lie from where the truth was measured, px."""


@dataclass(frozen=True)
class Condition:
    """What a photo is taken with: numbers of card, phone and day among those of its lawn."""

    name: str
    card: str
    phone: int
    day: int


CONDITIONS = (
    Condition("base", "own", 0, 0),
    Condition("light", "own", 0, 1),
    Condition("light again", "own", 0, 2),
    Condition("third light", "own", 0, 3),
    Condition("phone", "own", 1, 0),
    Condition("other phone", "own", 2, 0),
    Condition("print", "other", 0, 0),
    Condition("aged", "aged", 0, 0),
    Condition("all", "other", 1, 4),
)
"""Of a lawn as it was found."""


@dataclass(frozen=True, eq=False)
class _Lawn:
    """What all photos of a lawn draw on."""

    world: str
    seed: int
    cards: dict[str, PrintedCard]
    phones: list[Camera]

    def light(self, day: int) -> Light:
        return random_light(np.random.default_rng([self.seed, day, 17]))


def scored_lawns(
    world: str, seeds: range, *, folder: Path | None = None, jobs: int = 2, states: int = 5
) -> pd.DataFrame:
    """Return a row a photo and reference: what was scored, what is true, and how it was taken.

    Parameters
    ----------
    world
        One of :data:`WORLDS`.
    seeds
        One a lawn.
    folder
        Where photos with their truth, and rows by method, are kept for a later run; ``None``
        keeps none. Rendering takes two thirds of the time, and another method needs it no more.
    states
        How many of :data:`STATES`.
    """
    work = [(world, seed, folder, states) for seed in seeds]
    with ProcessPoolExecutor(jobs) as pool:
        return pd.concat(list(pool.map(_score_lawn, work)), ignore_index=True)


def _score_lawn(job: tuple[str, int, Path | None, int]) -> pd.DataFrame:
    world, seed, folder, states = job
    cv2.setNumThreads(1)
    if folder is None:
        with tempfile.TemporaryDirectory() as spare:
            return _score_lawn((world, seed, Path(spare), states))
    name = f"{world}-{seed}-{states}-{DESIGN}"
    kept = folder / f"{name}-{method_version()}.csv".replace("/", "-")
    if kept.is_file():
        return pd.read_csv(kept)
    photos = folder / "photos" / name
    rows = _rows(photos, _taken(world, seed, states, photos))
    if rows is None:  # the ground is measured elsewhere now than when the truth was
        (photos / TAKEN).unlink()
        rows = _rows(photos, _taken(world, seed, states, photos))
    table = pd.DataFrame(rows)
    table.to_csv(kept, index=False)
    return table


def _taken(world: str, seed: int, states: int, photos: Path) -> list[dict[str, Any]]:
    """Return what is known of the photos of a lawn; take them if they do not lie there."""
    made = photos / TAKEN
    if not made.is_file():
        photos.mkdir(parents=True, exist_ok=True)
        lawn = _lawn(world, seed)
        known = [_take(lawn, *job, photos) for job in _photos(states)]
        made.write_text(json.dumps(known), encoding="utf-8")
    found: list[dict[str, Any]] = json.loads(made.read_text("utf-8"))
    return found


def _rows(photos: Path, taken: list[dict[str, Any]]) -> list[dict[str, Any]] | None:
    """Return the scored rows; ``None`` where other ground is measured than the truth is of."""
    rows = []
    for known in taken:
        how, true = known["how"], known["true"]
        both = how["taken_as"] in ("base", "print", "aged", "all")
        for source in ("nominal", "measured")[: 1 + both]:
            score = score_photo(photos / known["file"], _reference(known["card"], source))
            here = np.asarray(score.measured_polygon_px)
            if not score.refused and not _alike(here, np.asarray(known["polygon"])):
                return None
            row = how | {"source": source}
            row |= {name: score.row[name] for name in ("status", "reason", "area_m2")}
            for name in MEASURES:
                row |= {name: score.row[name], f"{name}_se": score.row[f"{name}_se"]}
                row[f"{name}_true"] = np.nan if score.refused else true.get(name, np.nan)
            rows.append(row)
    return rows


def _alike(here: np.ndarray, there: np.ndarray) -> bool:
    return here.shape == there.shape and bool(np.abs(here - there).max() < SAME_PX)


def _lawn(world: str, seed: int) -> _Lawn:
    rng = np.random.default_rng([seed, 31])
    own, other = (Ink(**INKS[i]) if INKS[i] else Ink() for i in rng.permutation(len(INKS))[:2])
    inks = {"own": own, "other": other, "aged": replace(own, fade=min(own.fade + FADED, 1.0))}
    cards = {name: print_card(CARD, ink) for name, ink in inks.items()}
    return _Lawn(world, seed, cards, [random_camera(rng, family="report") for _ in range(3)])


def _photos(states: int) -> Iterator[tuple[int, int, Condition]]:
    """Yield state, spot and condition; photos of one piece of ground follow each other."""
    for state in range(states):
        for spot in range(SPOTS):
            later = (
                Condition("same phone", "own", 0, 10 * state),
                Condition("same phone again", "own", 0, 10 * state + 1),
                Condition("phone", "own", 1 + state % 2, 10 * state + 1),
            )
            for condition in later if state else CONDITIONS:
                yield state, spot, condition


def _take(lawn: _Lawn, state: int, spot: int, condition: Condition, folder: Path) -> dict[str, Any]:
    """Take one photo and return how, and what is true of the ground that is measured in it."""
    key = [lawn.seed, state, spot, condition.day, condition.phone, len(condition.card)]
    rng = np.random.default_rng(key)
    camera = _for_one_photo(lawn.phones[condition.phone], rng)
    light, view = lawn.light(condition.day), _view(rng, camera)
    path = folder / f"{state}{'AB'[spot]}-{condition.name.replace(' ', '-')}.jpg"
    take = _take_render if lawn.world == "renders" else _take_sketch
    true_of = take(lawn, state, spot, condition.card, light, camera, view, int(rng.integers(2**31)),
                   path)  # fmt: skip
    printed = lawn.cards[condition.card]
    polygon: list[list[float]] = []
    true: dict[str, float] = {}
    try:
        fit = find_card(read_photo(path), printed.design)
        settings = ScoringSettings()
        ground = flatten(read_photo(path), fit, mm_per_px=GROUND_MM_PER_PX,
                         max_distance_m=settings.max_distance_m)  # fmt: skip
    except PhotoRefused:
        pass  # it is refused when scored, too
    else:
        polygon = [[float(x), float(y)] for x, y in ground.measured_polygon_px]
        true = {k: float(v) for k, v in true_of(fit, ground).items() if np.isfinite(v)}
    how = {
        "world": lawn.world, "lawn": f"{lawn.world}-{lawn.seed}", "state": state,
        "spot": "AB"[spot], "taken_as": condition.name, "print": condition.card,
        "phone": condition.phone, "day": condition.day, "sun_share": light.sun_share,
        "sun_elevation_deg": light.sun_elevation_deg,
    }  # fmt: skip
    linear = spectra.to_linear_srgb(printed.patch_reflectance)
    return {"file": path.name, "how": how, "card": linear.tolist(), "polygon": polygon,
            "true": true}  # fmt: skip


def _for_one_photo(phone: Camera, rng: np.random.Generator) -> Camera:
    """Return a phone as it was set for one photo: white balance, exposure and focus wander."""
    warmth, tint = rng.normal(0, 0.05), rng.normal(0, 0.02)
    balance = np.asarray(phone.white_balance) * np.exp([warmth, tint, -warmth])
    return replace(
        phone,
        white_balance=tuple(balance.tolist()),
        exposure_ev=float(rng.normal(0.0, 0.25)),
        blur_px=float(np.clip(phone.blur_px * rng.lognormal(0, 0.2), 0.4, 1.3)),
    )


def _view(rng: np.random.Generator, camera: Camera) -> View:
    """Return a view from which a pixel is about 0.65 mm."""
    return View(
        width_px=SIZE_PX[0],
        height_px=SIZE_PX[1],
        distance_mm=float(
            rng.uniform(0.97, 1.05) * MM_PER_PX * SIZE_PX[0] * camera.focal_35mm / 36
        ),
        tilt_deg=float(rng.uniform(0, 12)),
        tilt_azimuth_deg=float(rng.uniform(0, 360)),
        yaw_deg=float(rng.normal(0, 5)),
        aim_mm=(SIDE_MM[0] / 2, SIDE_MM[1] / 2),
        card_centre_mm=(
            SIDE_MM[0] / 2 + float(rng.uniform(-150, 150)),
            SIDE_MM[1] / 2 + float(rng.uniform(-80, 80)),
        ),
        card_angle_deg=float(rng.uniform(0, 360)),
    )


def _reference(linear: list[list[float]], source: str) -> ReferenceCard:
    nominal = nominal_reference(card_design(CARD))
    if source == "nominal":
        return nominal
    known = np.asarray(linear)
    return ReferenceCard(nominal.design, "printed", known, "measured", np.zeros_like(known))


# --- renders -------------------------------------------------------------------------------------


@cache
def _season(seed: int):  # type: ignore[no-untyped-def]
    visits = season(seed, "report", odd=False)[0]
    rng = np.random.default_rng([seed, 71])
    casts = float(rng.uniform(2, 40)) if rng.random() < 0.5 else 0.0
    size = {"width_mm": SIDE_MM[0], "height_mm": SIDE_MM[1]}
    out = []
    for i in _OF_SEASON:
        more = casts * float(rng.lognormal(0, 0.5))
        out.append((replace(visits[i].spec, casts_per_m2=more, **size), visits[i].palette_seed))
    return out


_scene: dict[tuple[int, int, int], Scene] = {}


def _piece(seed: int, state: int, spot: int) -> Scene:
    key = (seed, state, spot)
    if key not in _scene:
        _scene.clear()  # photos of one piece follow each other, so one is kept
        spec, palette_seed = _season(seed)[state]
        scene = grow_lawn(spec, seed=1000 * seed + spot)
        own = palette(spec.tint, np.random.default_rng(palette_seed))
        _scene[key] = replace(scene, reflectance=own)
    return _scene[key]


def _take_render(lawn, state, spot, card, light, camera, view, seed, path):  # type: ignore[no-untyped-def]
    printed = lawn.cards[card]
    photo = photograph(_piece(lawn.seed, state, spot), light, camera, view, seed=seed, card=printed)
    photo.save_jpeg(path)

    def true_of(fit: CardFit, ground: Ground) -> dict[str, float]:
        true = dict(photo.truth_within(np.asarray(ground.measured_polygon_px)))
        leaf = ("colour_index", "leaf_L", "leaf_a", "leaf_b")
        return true | {name: true[f"{name}_overcast"] for name in leaf}

    return true_of


# --- sketches ------------------------------------------------------------------------------------

_DENSITY = ((1.0, 1.0), (1.0, 1.0), (0.55, 1.3), (0.3, 0.35), (0.8, 0.5))
"""Leaf and straw of each state against the lawn as found; assumed."""


@dataclass(frozen=True, eq=False)
class _Look:
    """How a drawn lawn looks: its strokes, how many of them, and its soil."""

    leaf: sketches._Blades
    straw: sketches._Blades
    thick: float
    dead: float
    soil_seed: int


@cache
def _look(seed: int) -> _Look:
    """Draw leaf, straw and soil until they are such as lawns have."""
    rng = np.random.default_rng([seed, 4243])

    def such(draw, light, hue, width):  # type: ignore[no-untyped-def]
        while True:
            made = draw(rng)
            lab = linear_to_lab(made.colours.mean(axis=0))
            turn = float(np.degrees(np.arctan2(lab[2], lab[1])))
            if (light[0] < lab[0] < light[1] and hue[0] < turn < hue[1]
                    and width[0] < made.width_mm < width[1] and made.length_mm > 8):  # fmt: skip
                return made

    leaf = such(sketches._Blades.of_leaf, (30, 56), (112, 138), (1.2, 4.0))
    straw = such(sketches._Blades.of_straw, (48, 80), (65, 96), (0.8, 3.0))
    while True:
        soil_seed = int(rng.integers(2**31))
        lightness = linear_to_lab(_soiled(96, soil_seed).colour.mean(axis=(0, 1)))[0]
        if 22 < lightness < 52:
            break
    return _Look(leaf, straw, float(rng.uniform(1.0, 3.5)), float(1.2 * rng.beta(0.8, 1.5)),
                 soil_seed)  # fmt: skip


def _soiled(side: int, seed: int) -> sketches._Canvas:
    canvas = sketches._Canvas(side, np.random.default_rng(seed))
    sketches._soil(canvas)
    return canvas


def _sketch(seed: int, state: int, spot: int) -> sketches.Sketch:
    """Draw a spot of a lawn: the same leaf, straw and soil at each, other strokes."""
    side = 2 * round(SIDE_MM[1] / sketches.MM_PER_PX)
    look = _look(seed)
    of_state = np.random.default_rng([seed, 4244, state])
    leaf = look.leaf
    if state == 4:
        leaf = replace(leaf, colours=_look(seed + 500_000).leaf.colours)
    drift = 0.0 if state == 0 else 0.06
    leaf = replace(leaf, colours=leaf.colours * np.exp(of_state.normal(0, drift, 3)))
    # soil is the lawn's, and alike at both spots
    canvas = _soiled(side, look.soil_seed)
    canvas.colour *= np.float32(np.exp(of_state.normal(0, 0.0 if state == 0 else 0.15)))
    canvas.rng = np.random.default_rng([seed, 4245, spot])
    wobble = np.exp(of_state.normal(0, 0.0 if state == 0 else 0.08, 2))
    thick, dead = np.array(_DENSITY[state]) * wobble
    layers = 5
    for k in range(layers):
        early = 1 - k / (layers - 1)
        amount = 2 * (0.2 + 0.6 * early) / layers
        sketches._strokes(
            canvas, max(look.dead * dead * amount, 1e-4), look.straw, sketches.STRAW,
            0.5 + 1.5 * k / layers,
        )  # fmt: skip
        sketches._strokes(
            canvas, max(look.thick * thick * (2 / layers - amount), 1e-4), leaf, sketches.GREEN,
            0.8 + 3.0 * k / layers,
        )  # fmt: skip
    linear = canvas.colour * min(1.0, 0.5 / float(canvas.colour.mean()))
    half = (side // 2, side // 2)
    green = canvas.label == sketches.GREEN
    return sketches.Sketch(
        np.asarray(cv2.resize(linear, half, interpolation=cv2.INTER_AREA), np.float32),
        np.ascontiguousarray(canvas.label[::2, ::2]),
        np.zeros((side // 2, side // 2), np.uint8),
        np.zeros((0, 3), np.float32),
        np.asarray(linear[green].mean(axis=0) if green.any() else np.full(3, np.nan), np.float32),
    )


_drawn: dict[tuple[int, int, int], sketches.Sketch] = {}


def _take_sketch(lawn, state, spot, card, light, camera, view, seed, path):  # type: ignore[no-untyped-def]
    key = (lawn.seed, state, spot)
    if key not in _drawn:
        _drawn.clear()
        _drawn[key] = _sketch(*key)
    ground, printed = _drawn[key], lawn.cards[card]
    to_px, to_rgb = scene_to_photo(view, camera.focal_35mm), camera.to_linear(light)
    span = ground.linear.shape[0] * sketches.MM_PER_PX
    linear = lay._seen(ground.linear, span, to_px, view)
    mix = lay.natural_spectra_of(np.eye(3)) * (light.sky_spectrum() + light.sun_spectrum())
    lit = linear @ (mix @ to_rgb).astype(np.float32)
    sheet = lit_card(printed, light, to_rgb, view, seed)
    lay._lay(lit, sheet, printed, to_px @ card_to_scene(view, printed.design), light)
    rgb = develop.develop(lit, camera, seed=seed)
    exif = {"make": "Drawn", "model": camera.name, "taken": "2024:05:14 10:30:00",
            "offset": "+01:00", "focal_35mm": round(camera.focal_35mm)}  # fmt: skip

    develop.save_jpeg(rgb, path, camera, exif)

    def true_of(fit: CardFit, flat: Ground) -> dict[str, float]:
        return _sketch_truth(ground, span, fit, flat, view, camera)

    return true_of


def _sketch_truth(
    ground: sketches.Sketch, span: float, fit: CardFit, flat: Ground, view: View, camera: Camera
) -> dict[str, float]:
    """Return shares and leaf colour of the ground that was measured, as it lies in the photo."""
    one_hot = np.eye(5, dtype=np.float32)[ground.label]
    planes = np.dstack([one_hot, ground.linear * one_hot[..., :1]])
    to_px = scene_to_photo(view, camera.focal_35mm)
    seen = np.dstack([lay._seen(planes[..., k : k + 3], span, to_px, view) for k in (0, 3, 5)])
    seen = seen[..., [0, 1, 2, 3, 4, 6, 7, 8]]
    step, (x, y) = flat.mm_per_px, flat.origin_mm
    place = np.array([[step, 0, x], [0, step, y], [0, 0, 1.0]])
    on_ground = cv2.warpPerspective(
        seen, fit.pose.homography @ place, flat.mask.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )  # fmt: skip
    mean = on_ground[~flat.mask].mean(axis=0).astype(float)
    shares = 100 * mean[:5] / mean[:5].sum()
    names = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct", "cast_cover_pct", "litter_pct")
    true = dict(zip(names, shares.tolist(), strict=True))
    if mean[0] > 0.01:
        leaf = np.clip(mean[5:] / mean[0], 0, 1)
        lab = linear_to_lab(leaf)
        true |= {"colour_index": float(dgci(encode_srgb(leaf)))}
        true |= {f"leaf_{c}": float(v) for c, v in zip("Lab", lab, strict=True)}
    return true
