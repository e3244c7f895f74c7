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

import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from benchmarks.accuracy import real_compose as lay
from benchmarks.studies.same_lawn import INKS, season
from benchmarks.training import sketches
from lawnscore import score_photo
from lawnscore.card.colourspace import encode_srgb, linear_to_lab
from lawnscore.card.reference import ReferenceCard, nominal_reference
from lawnscore.contract.measures import MEASURES
from lawnscore.demo import develop, spectra
from lawnscore.demo.camera import Camera, Light
from lawnscore.demo.cases import random_camera, random_light
from lawnscore.demo.geometry import View, card_to_scene, scene_to_photo
from lawnscore.demo.ink import Ink
from lawnscore.demo.materials import palette
from lawnscore.demo.photograph import lit_card, photograph
from lawnscore.demo.printed_card import PrintedCard, print_card
from lawnscore.demo.scene import Scene, grow_lawn
from lawnscore.photo.measures import dgci
from lawnscore.photo.method import method_version
from lawnscore.photo.score import PhotoScore

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
DESIGN = "2"
"""Raised whenever the design changes, so that rows kept from an earlier one are not taken."""


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
    Condition("phone", "own", 1, 0),
    Condition("other phone", "own", 2, 0),
    Condition("print", "other", 0, 0),
    Condition("aged", "aged", 0, 0),
    Condition("all", "other", 1, 3),
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
        Where rows are kept for a later run of the same method; ``None`` keeps none.
    states
        How many of :data:`STATES`.
    """
    work = [(world, seed, folder, states) for seed in seeds]
    with ProcessPoolExecutor(jobs) as pool:
        return pd.concat(list(pool.map(_score_lawn, work)), ignore_index=True)


def _score_lawn(job: tuple[str, int, Path | None, int]) -> pd.DataFrame:
    world, seed, folder, states = job
    cv2.setNumThreads(1)
    name = f"{world}-{seed}-{states}-{DESIGN}-{method_version()}.csv".replace("/", "-")
    kept = None if folder is None else folder / name
    if kept is not None and kept.is_file():
        return pd.read_csv(kept)
    lawn = _lawn(world, seed)
    with tempfile.TemporaryDirectory() as spare:
        rows = [row for job in _photos(states) for row in _rows(lawn, *job, Path(spare))]
    table = pd.DataFrame(rows)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        table.to_csv(kept, index=False)
    return table


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
                Condition("phone", "own", 1 + state % 2, 10 * state + 1),
            )
            for condition in later if state else CONDITIONS:
                yield state, spot, condition


def _rows(
    lawn: _Lawn, state: int, spot: int, condition: Condition, folder: Path
) -> Iterator[dict[str, object]]:
    key = [lawn.seed, state, spot, condition.day, condition.phone, len(condition.card)]
    rng = np.random.default_rng(key)
    camera = _for_one_photo(lawn.phones[condition.phone], rng)
    light, view = lawn.light(condition.day), _view(rng, camera)
    path = folder / "photo.jpg"
    take = _take_render if lawn.world == "renders" else _take_sketch
    truth = take(lawn, state, spot, condition.card, light, camera, view, int(rng.integers(2**31)))
    known, truth_of = truth(path)
    both = condition.name in ("base", "print", "aged", "all")
    for source in ("nominal", "measured")[: 1 + both]:
        score = score_photo(path, _reference(known, source), keep_views=True)
        row: dict[str, object] = {
            "world": lawn.world, "lawn": f"{lawn.world}-{lawn.seed}", "state": state,
            "spot": "AB"[spot], "print": condition.card, "phone": condition.phone,
            "day": condition.day, "source": source, "status": score.row["status"],
            "reason": score.row["reason"], "area_m2": score.row["area_m2"],
        }  # fmt: skip
        true = {} if score.refused else truth_of(score)
        for name in MEASURES:
            row |= {name: score.row[name], f"{name}_se": score.row[f"{name}_se"]}
            row[f"{name}_true"] = true.get(name, np.nan)
        yield row


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


def _reference(card: PrintedCard, source: str) -> ReferenceCard:
    nominal = nominal_reference(card.design)
    if source == "nominal":
        return nominal
    linear = spectra.to_linear_srgb(card.patch_reflectance)
    return ReferenceCard(card.design, "printed", linear, "measured", np.zeros_like(linear))


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


def _take_render(lawn, state, spot, card, light, camera, view, seed):  # type: ignore[no-untyped-def]
    printed = lawn.cards[card]
    photo = photograph(_piece(lawn.seed, state, spot), light, camera, view, seed=seed, card=printed)

    def write(path: Path):  # type: ignore[no-untyped-def]
        photo.save_jpeg(path)
        return printed, true_of

    def true_of(score: PhotoScore) -> dict[str, float]:
        true = dict(photo.truth_within(np.array(score.measured_polygon_px)))
        leaf = ("colour_index", "leaf_L", "leaf_a", "leaf_b")
        return true | {name: true[f"{name}_overcast"] for name in leaf}

    return write


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


def _take_sketch(lawn, state, spot, card, light, camera, view, seed):  # type: ignore[no-untyped-def]
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

    def write(path: Path):  # type: ignore[no-untyped-def]
        develop.save_jpeg(rgb, path, camera, exif)
        return printed, true_of

    def true_of(score: PhotoScore) -> dict[str, float]:
        return _sketch_truth(ground, span, score, view, camera)

    return write


def _sketch_truth(
    ground: sketches.Sketch, span: float, score: PhotoScore, view: View, camera: Camera
) -> dict[str, float]:
    """Return shares and leaf colour of the ground that was measured, as it lies in the photo."""
    assert score.views is not None
    fit, flat = score.views.card_fit, score.views.ground
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
