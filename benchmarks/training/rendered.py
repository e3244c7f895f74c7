"""Rendered ground for training: `lawnscore.demo`, family `train`, corrected by its card."""

from __future__ import annotations

from dataclasses import fields, replace

import cv2
import numpy as np

SIDE_PX = 352
MM_PER_PX = 1.25
SIDE_MM = SIDE_PX * MM_PER_PX
TEXTURES = 6
MOST_CASTS = 96


def training_scene(seed: int, family: str = "train") -> dict[str, np.ndarray]:
    """Render one piece of flattened ground and fit its colours as the scoring does.

    The family `report` has cameras, soils and leaf that no network was trained on.
    """
    from lawnscore.card.colourspace import encode_srgb
    from lawnscore.demo.cases import random_camera
    from lawnscore.demo.ground_sample import photograph_ground
    from lawnscore.demo.ink import Ink
    from lawnscore.demo.printed_card import print_card
    from lawnscore.demo.scene import grow_lawn

    rng = np.random.default_rng([seed, 77])
    room_mm = SIDE_MM + 25.0
    lawn, light = training_lawn(rng, room_mm, family)
    camera = random_camera(rng, family=family)
    if family == "train":
        camera = another_sensor(camera, rng)
    ink = INKS[seed % len(INKS)]
    card = print_card("turf-a5", Ink(**ink) if ink else None)
    coarse = rng.random() < 0.2
    native = float(rng.uniform(0.75, 2.2) if coarse else rng.uniform(0.4, 0.75))
    seen = native * (2.0 if native < 0.62 else 1.0)
    scene = grow_lawn(lawn, seed=int(rng.integers(2**31)))
    sample = photograph_ground(
        scene, light, camera, seed=int(rng.integers(2**31)), mm_per_px=seen,
        native_mm_per_px=native, card=card,
    )  # fmt: skip
    rgb = to_ground(sample.rgb, seen, cv2)
    room = (round(room_mm / MM_PER_PX),) * 2
    sun = cv2.resize(sample.sun, room, interpolation=cv2.INTER_AREA)[:SIDE_PX, :SIDE_PX]
    casts = np.full((MOST_CASTS, 3), np.nan, np.float32)
    found = np.asarray(sample.casts, np.float32).reshape(-1, 3)
    inside = found[(found[:, :2] < SIDE_MM).all(1)]
    casts[: len(inside)] = inside[:MOST_CASTS]
    cells = (SIDE_PX // 4,) * 2
    shade = cv2.resize(1.0 - sun, cells, interpolation=cv2.INTER_AREA)
    linear = colour_fit_of(sample, card, rng).correct(rgb)
    label = cv2.resize(scene.surface, room, interpolation=cv2.INTER_NEAREST)[:SIDE_PX, :SIDE_PX]
    return {
        "rgb": np.rint(255 * encode_srgb(np.clip(linear, 0, 1))).astype(np.uint8),
        "label": np.ascontiguousarray(label),
        "shade": np.rint(255 * np.clip(shade, 0, 1)).astype(np.uint8),
        "casts": casts,
        "leaf": np.asarray(sample.leaf, np.float32),
    }


def training_lawn(rng: np.random.Generator, room_mm: float, family: str = "train"):
    """Draw what grows and the light on it: half as lawns are, half far outside."""
    from lawnscore.demo.cases import odd_lawn, random_lawn, random_light

    if rng.random() < 0.6:
        kind = str(
            rng.choice(
                ["any", "shade", "casts", "patches", "leaves"], p=[0.42, 0.16, 0.24, 0.1, 0.08]
            )
        )
        lawn = random_lawn(rng, kind=kind, family=family)
    else:
        kind = str(
            rng.choice(
                ["any", "shade", "casts", "carpet", "mossy", "weedy", "stony", "bare"],
                p=[0.28, 0.1, 0.14, 0.18, 0.07, 0.1, 0.06, 0.07],
            )
        )
        lawn = odd_lawn(rng, kind=kind, family=family)
    lawn = replace(lawn, texture=int(rng.integers(0, TEXTURES)))
    if rng.random() < 0.5:  # straw from white-grey to red-brown
        straw = replace(
            lawn.tint,
            straw_pigment=float(np.exp(rng.uniform(np.log(0.25), np.log(3.5)))),
            straw_weathering=float(rng.uniform(0.0, 1.5)),
        )
        lawn = replace(lawn, tint=straw)
    if rng.random() < 0.15:  # trodden or sieved soil between: no lawn is all crumbs
        lawn = replace(lawn, soil_smooth=float(rng.uniform(0.2, 1.0)))
    light = random_light(rng, shade=kind == "shade" or rng.random() < 0.22)
    # A light is made for a whole photo; here the edge must cross half a metre.
    inside = tuple(float(v) for v in rng.uniform(0, room_mm, 2))
    light = replace(light, shade_at_mm=inside)
    if light.shade == "edge" and rng.random() < 0.7:
        light = replace(light, shade_share=0.5)
    return replace(lawn, width_mm=room_mm, height_mm=room_mm), light


def another_sensor(camera, rng: np.random.Generator):
    """Shift and widen the bands of a camera: five sensors are too few to learn from."""

    def moved(bands):
        return tuple(
            (centre + rng.normal(0, 5), width * rng.lognormal(0, 0.12), height)
            for centre, width, height in bands
        )

    b = camera.bands
    bands = type(b)(moved(b.red), moved(b.green), moved(b.blue), float(b.cut_nm + rng.normal(0, 5)))
    return replace(camera, bands=bands)


def to_ground(rgb: np.ndarray, mm_per_px: float, cv2) -> np.ndarray:
    """Flatten as the scoring does: bilinear, from the photo's scale to the ground's."""
    step = MM_PER_PX / mm_per_px
    shift = 0.5 * step - 0.5  # centre of ground pixel 0 in the photo's pixels
    matrix = np.array([[step, 0, shift], [0, step, shift]])
    return cv2.warpAffine(
        rgb, matrix, (SIDE_PX, SIDE_PX), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip


def colour_fit_of(sample, card, rng: np.random.Generator):
    """Fit the colours by the card: measured references in two of three scenes, else nominal."""
    from lawnscore.card.reference import ReferenceCard, nominal_reference
    from lawnscore.photo.card_fit import CardFit
    from lawnscore.photo.colour import fit_colour

    design, n = card.design, len(card.design.patches)
    reference = nominal_reference(design)
    if rng.random() < 0.67:
        known = np.asarray(sample.patch_linear)
        reference = ReferenceCard(design, "printed", known, "measured", np.zeros((n, 3)))
    values = np.asarray(sample.patch_rgb)
    blank = dict.fromkeys(f.name for f in fields(CardFit))
    seen = CardFit(**{
        **blank, "design": design, "patch_rgb": values, "patch_sd": np.asarray(sample.patch_sd),
        "patch_ok": values.max(1) < 0.985, "patch_state": ("used",) * n,
    })  # fmt: skip
    return fit_colour(seen, reference)


INKS: list[dict[str, object]] = [
    {},
    {"strength": (1.0, 1.0, 1.0, 1.0), "dot_gain": 0.0},
    {"strength": (1.06, 0.94, 0.97, 1.05), "dot_gain": 0.04, "paper": 0.84},
    {"strength": (0.9, 0.97, 1.1, 1.0), "dot_gain": -0.02, "paper": 0.9},
    {"strength": (0.97, 0.9, 0.9, 0.9), "dot_gain": 0.03, "fade": 0.35},
]
"""Printers and ages of the card."""
