"""Random lawns, lights, cameras and viewpoints of the accuracy study, all of the report family.

The soils, leaf make-up, textures and cameras here are those that no method was trained on.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np

from lawnscore.demo.camera import CAMERAS, Camera, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.materials import LITTER_KINDS, SOIL_KINDS, Tint
from lawnscore.demo.scene import LawnSpec

SCENE_MM = (1420.0, 1160.0)
FRAME_PX = (2000, 1500)
MM_PER_PX = 0.6
"""Ground a pixel covers: a frame of 1.2 x 0.9 m, as a phone at chest height has 4000 px over
2.4 m, but less ground, to keep a run short."""

TEXTURES = (1001, 1002, 1003, 1004)
"""Variants of soil, thatch and low sward that nothing else uses."""

REPORT_CAMERAS = tuple(c for c in CAMERAS.values() if c.family == "report")


@dataclass(frozen=True)
class Case:
    """One photo to render and score."""

    study: str
    name: str
    spec: LawnSpec
    lawn_seed: int
    light: Light
    camera: Camera
    view: View
    seed: int
    card: str = "measured"
    tags: tuple[tuple[str, float | str], ...] = ()

    @property
    def key(self) -> str:
        """Name of the case's files: changes with anything that changes the photo."""
        return hashlib.sha256(repr(self).encode()).hexdigest()[:16]


def random_tint(rng: np.random.Generator) -> Tint:
    """Soil, leaf and straw colours of a random lawn of the report family."""
    return Tint(
        family="report",
        soil=str(rng.choice(SOIL_KINDS)),
        soil_wet=float(rng.uniform(0, 1)),
        cast_wet=float(rng.uniform(0, 1)),
        chlorophyll=float(rng.uniform(1.3, 4.5)),
        dew=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.2, 1.0)])),
        litter=str(rng.choice(LITTER_KINDS)),
        straw_pigment=float(rng.uniform(0.5, 1.8)),
        straw_weathering=float(rng.uniform(0, 0.6)),
    )


def random_lawn(rng: np.random.Generator, *, green: float | None = None) -> LawnSpec:
    """A random lawn: cover from nearly none to closed, straw, and now and then other things."""
    leaf = float(rng.uniform(0.02, 0.97)) if green is None else green
    straw = float((0.98 - leaf) * rng.uniform(0.05, 0.8))
    rare = rng.random(6)
    return LawnSpec(
        width_mm=SCENE_MM[0],
        height_mm=SCENE_MM[1],
        green=leaf,
        straw=straw,
        thatch=float(rng.uniform(0, 0.9)),
        patchiness=float(rng.uniform(0.2, 1.2)),
        patch_mm=float(rng.uniform(80, 350)),
        yellowing=float(rng.choice([0.03, 0.08, 0.3])),
        blade_width_mm=float(rng.uniform(1.2, 3.2)),
        mowing_height_mm=float(rng.uniform(15, 50)),
        stripes=float(rng.choice([0.0, 0.0, 0.7])),
        casts_per_m2=float(rng.uniform(3, 60)) if rare[0] < 0.35 else 0.0,
        cast_mm=float(rng.uniform(18, 32)),
        cast_state=str(rng.choice(["dry", "wet", "smeared"])),
        bare_patches_per_m2=float(rng.uniform(1, 4)) if rare[1] < 0.35 else 0.0,
        leaves_per_m2=float(rng.uniform(2, 15)) if rare[2] < 0.3 else 0.0,
        weeds_per_m2=float(rng.uniform(2, 10)) if rare[3] < 0.3 else 0.0,
        clover_per_m2=float(rng.uniform(1, 3)) if rare[3] > 0.85 else 0.0,
        moss=float(rng.uniform(0.05, 0.3)) if rare[4] < 0.25 else 0.0,
        stones_per_m2=float(rng.uniform(5, 40)) if rare[5] < 0.25 else 0.0,
        grain=float(rng.uniform(0.6, 1.8)),
        tint=random_tint(rng),
        texture=int(rng.choice(TEXTURES)),
    )


def random_light(rng: np.random.Generator, *, shade: str = "none") -> Light:
    """Overcast, hazy, clear or low sun; 4000 to 9000 K and more in the sky."""
    kind = "sun" if shade != "none" else str(rng.choice(["overcast", "hazy", "sun", "low"]))
    sun = {"overcast": 0.0, "hazy": rng.uniform(0.2, 0.6), "low": rng.uniform(0.4, 0.7)}
    elevation = rng.uniform(8, 20) if kind == "low" else rng.uniform(25, 62)
    return Light(
        sun_elevation_deg=float(elevation),
        sun_azimuth_deg=float(rng.uniform(0, 360)),
        sun_share=float(sun.get(kind, rng.uniform(0.65, 0.85))),
        sun_cct_k=float(rng.uniform(3600, 4600) if kind == "low" else rng.uniform(4700, 5800)),
        sky_cct_k=float(rng.uniform(5500, 9000) if kind != "sun" else rng.uniform(8000, 16000)),
        shade=shade,
        shade_soft_mm=float(rng.uniform(4, 40)),
        shade_angle_deg=float(rng.uniform(0, 360)),
        shade_seed=int(rng.integers(1, 2**31)),
        shade_at_mm=(SCENE_MM[0] / 2, SCENE_MM[1] / 2),
        shade_green=float(rng.uniform(0, 0.6)) if shade == "dapple" else 0.0,
    )


def random_camera(rng: np.random.Generator) -> Camera:
    """A camera of the report family with a setting of its own."""
    body = REPORT_CAMERAS[int(rng.integers(len(REPORT_CAMERAS)))]
    balance = np.exp(rng.normal(0, 0.06, 3))
    return replace(
        body,
        white_balance=tuple(float(b) for b in balance / balance[1]),
        saturation=float(rng.uniform(1.0, 1.3)),
        exposure_ev=float(rng.normal(0, 0.3)),
        tone=float(rng.uniform(0, 1)),
        local_tone=float(rng.uniform(0, 0.4)),
        blur_px=float(rng.uniform(0.4, 1.1)),
        noise=float(rng.uniform(0.003, 0.018)),
        sharpen=float(rng.uniform(0, 1.0)),
        vignetting=float(rng.uniform(0, 0.35)),
        jpeg_quality=int(rng.integers(80, 96)),
    )


def random_view(
    rng: np.random.Generator,
    focal_35mm: float,
    *,
    mm_per_px: float = MM_PER_PX,
    frame_px: tuple[int, int] = FRAME_PX,
    scene_mm: tuple[float, float] = SCENE_MM,
) -> View:
    """A hand-held view from above, the card near an edge of the frame."""
    wide, high = frame_px
    focal_px = focal_35mm / 43.2666 * float(np.hypot(wide, high))
    side = rng.choice([-1, 1], 2)
    aim = np.array(scene_mm) / 2 + rng.uniform(-40, 40, 2)
    offset = np.array([rng.uniform(0.24, 0.30) * wide, rng.uniform(0.20, 0.27) * high]) * mm_per_px
    yaw = float(rng.normal(0, 6) + rng.choice([0, 180]))
    return View(
        width_px=wide,
        height_px=high,
        distance_mm=mm_per_px * focal_px,
        tilt_deg=float(rng.uniform(0, 20)),
        tilt_azimuth_deg=float(rng.uniform(0, 360)),
        yaw_deg=yaw,
        aim_mm=(float(aim[0]), float(aim[1])),
        card_centre_mm=tuple(float(v) for v in aim + side * offset),
        card_angle_deg=float(rng.normal(0, 8) + rng.choice([0, 180])),
    )


def shot(
    rng: np.random.Generator, study: str, name: str, spec: LawnSpec, **changes: object
) -> Case:
    """A case with a random light, camera and view, some of them given."""
    camera = changes.pop("camera", None) or random_camera(rng)
    light = changes.pop("light", None) or random_light(rng)
    view = changes.pop("view", None) or random_view(rng, camera.focal_35mm)
    seeds = rng.integers(1, 2**31, 2)
    lawn_seed = int(changes.pop("lawn_seed", seeds[0]))
    return Case(study, name, spec, lawn_seed, light, camera, view, int(seeds[1]), **changes)
