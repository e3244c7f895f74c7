"""Cases of the accuracy study: lawns, lights, cameras and viewpoints, all of the report family.

The soils, leaf make-up and cameras here are those that no method was chosen or trained on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
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
    )


def random_light(rng: np.random.Generator, *, shade: str = "none", share: float = 0.0) -> Light:
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
        shade_share=share,
        shade_soft_mm=float(rng.uniform(4, 40)),
        shade_angle_deg=float(rng.uniform(0, 180)),
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
    max_tilt_deg: float = 20.0,
    mm_per_px: float = MM_PER_PX,
) -> View:
    """A hand-held view from above, the card near an edge of the frame."""
    wide, high = FRAME_PX
    focal_px = focal_35mm / 43.2666 * float(np.hypot(wide, high))
    side = rng.choice([-1, 1], 2)
    aim = np.array(SCENE_MM) / 2 + rng.uniform(-40, 40, 2)
    offset = np.array([rng.uniform(0.24, 0.30) * wide, rng.uniform(0.20, 0.27) * high]) * mm_per_px
    yaw = float(rng.normal(0, 6) + rng.choice([0, 180]))
    return View(
        width_px=wide,
        height_px=high,
        distance_mm=mm_per_px * focal_px,
        tilt_deg=float(rng.uniform(0, max_tilt_deg)),
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


def cover_cases(n: int, seed: int) -> Iterator[Case]:
    """Lawns of 2 to 97 % green in all lights and cameras."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        green = 0.02 + 0.95 * (i + rng.random()) / n
        yield shot(rng, "cover", f"{i:03d}", random_lawn(rng, green=green))


def same_lawn_cases(lawns: int, conditions: int, seed: int) -> Iterator[Case]:
    """The same lawns under different lights and cameras, from four viewpoints."""
    rng = np.random.default_rng(seed)
    for i in range(lawns):
        spec = random_lawn(rng, green=float(rng.uniform(0.5, 0.95)))
        lawn_seed = int(rng.integers(1, 2**31))
        for j in range(conditions):
            case = shot(rng, "same", f"{i}-{j:02d}", spec, lawn_seed=lawn_seed)
            view = replace(
                case.view,
                aim_mm=(SCENE_MM[0] / 2, SCENE_MM[1] / 2),
                tilt_deg=(2.0, 10.0, 18.0, 25.0)[j % 4],
                yaw_deg=float(90 * 2 * (j % 2)),
                card_centre_mm=(SCENE_MM[0] / 2 - 330, SCENE_MM[1] / 2 - 210),
            )
            yield replace(case, view=view, tags=(("lawn", i),))


def shade_cases(n: int, seed: int) -> Iterator[Case]:
    """Dapple and hard shadow edges over 10 to 60 % of the ground; the card in full sun or not."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        kind = ("edge", "dapple")[i % 2]
        share = float(rng.uniform(0.10, 0.60))
        spec = random_lawn(rng, green=float(rng.uniform(0.3, 0.97)))
        light = random_light(rng, shade=kind, share=share)
        yield shot(
            rng, "shade", f"{i:03d}", spec, light=light, tags=(("kind", kind), ("share", share))
        )


CAST_DENSITIES = (0.0, 5.0, 10.0, 20.0, 40.0, 80.0, 120.0)
"""Casts per m2; surveyed fairways had up to 119 (Binns, Baker & Piearce 1999, abstract)."""


def cast_cases(
    repeats: int, seed: int, densities: tuple[float, ...] = CAST_DENSITIES
) -> Iterator[Case]:
    """Lawns with 0 to 120 casts per m2, dry, wet and smeared."""
    rng = np.random.default_rng(seed)
    for density in densities:
        for j in range(repeats):
            spec = replace(
                random_lawn(rng, green=float(rng.uniform(0.6, 0.95))),
                casts_per_m2=density,
                cast_state=("dry", "wet", "smeared")[j % 3],
            )
            yield shot(rng, "casts", f"{density:.0f}-{j}", spec, tags=(("density", density),))


def patch_cases(n: int, seed: int) -> Iterator[Case]:
    """Closed lawns with bare patches."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        spec = replace(
            random_lawn(rng, green=float(rng.uniform(0.7, 0.95))),
            bare_patches_per_m2=float(rng.uniform(3, 8)),
            bare_patch_cm2=float(rng.uniform(50, 160)),
            patchiness=float(rng.uniform(0.1, 0.5)),
        )
        yield shot(rng, "patches", f"{i:03d}", spec)


def pose_cases(n: int, seed: int) -> Iterator[Case]:
    """Tilts of 0 to 35 degrees; half with the focal length hidden, a third with a warped card."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        case = shot(rng, "pose", f"{i:03d}", random_lawn(rng, green=0.85))
        tilt = 35.0 * (i + 0.5) / n
        warp = 3.0 if i % 3 == 2 else 0.0
        view = replace(case.view, tilt_deg=tilt, card_warp_mm=warp)
        focal = "exif" if i % 2 == 0 else "hidden"
        yield replace(case, view=view, tags=(("warp", warp), ("focal", focal)))


def scale_cases(n: int, seed: int) -> Iterator[Case]:
    """The same lawns at 0.5, 1 and 2 mm a pixel."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        spec = random_lawn(rng, green=float(rng.uniform(0.2, 0.95)))
        case = shot(rng, "scale", f"{i:02d}", spec)
        for scale in (0.5, 1.0, 2.0):
            ratio = MM_PER_PX / scale
            view = replace(
                case.view,
                width_px=round(FRAME_PX[0] * ratio),
                height_px=round(FRAME_PX[1] * ratio),
            )
            tags = (("mm_per_px", scale),)
            yield replace(case, name=f"{i:02d}-{scale:g}", view=view, tags=tags)


def jpeg_cases(n: int, seed: int) -> Iterator[Case]:
    """The same photos at JPEG quality 60 to 100."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        spec = random_lawn(rng, green=float(rng.uniform(0.2, 0.95)))
        case = shot(rng, "jpeg", f"{i:02d}", spec)
        for quality in (60, 75, 85, 95):
            camera = replace(case.camera, jpeg_quality=quality)
            tags = (("quality", quality),)
            yield replace(case, name=f"{i:02d}-{quality}", camera=camera, tags=tags)


def source_cases(n: int, seed: int) -> Iterator[Case]:
    """The same lawns with one source of error after another taken away."""
    rng = np.random.default_rng(seed)
    plain_light = Light(sun_share=0.0, sky_cct_k=6500.0)
    for i in range(n):
        spec = random_lawn(rng, green=float(rng.uniform(0.2, 0.95)))
        case = shot(rng, "sources", f"{i:02d}", spec)
        plain_camera = replace(REPORT_CAMERAS[0], tone=0.0, local_tone=0.0, noise=0.002)
        for source, changed in (
            ("everything", case),
            ("plain light", replace(case, light=plain_light)),
            ("plain camera", replace(case, camera=plain_camera)),
            ("plain light and camera", replace(case, light=plain_light, camera=plain_camera)),
            ("card at nominal colours", replace(case, card="nominal")),
        ):
            yield replace(changed, name=f"{i:02d}-{source}", tags=(("source", source),))


def spoilt_cases(repeats: int, seed: int, kinds: tuple[str, ...] | None = None) -> Iterator[Case]:
    """Photos spoilt from slightly to badly in every way that can be refused, and good ones."""
    rng = np.random.default_rng(seed)
    for j in range(repeats):
        for kind in kinds or tuple(SPOILS):
            levels = SPOILS[kind]
            level = levels[j % len(levels)]
            spec = random_lawn(rng, green=float(rng.uniform(0.3, 0.95)))
            case = shot(
                rng, "refusing", f"{kind}-{j}", spec, tags=(("kind", kind), ("level", level))
            )
            yield spoil(case, kind, level)


SPOILS: dict[str, tuple[float, ...]] = {
    "none": (0.0,),
    "blur": (1.5, 2.5, 4.0, 7.0),
    "motion": (4.0, 8.0, 15.0, 30.0),
    "over": (1.0, 1.8, 2.6, 3.4),
    "under": (-1.5, -2.5, -3.5, -5.0),
    "tilt": (30.0, 38.0, 46.0, 55.0),
    "covered": (0.1, 0.25, 0.45, 0.7),
    "glare": (0.2, 0.4, 0.7, 1.0),
    "card in shade": (0.2, 0.4, 0.6, 0.85),
    "lawn in shade": (0.5, 0.7, 0.9, 1.0),
    "far": (0.9, 1.2, 1.6, 2.2),
    "mirrored": (1.0,),
}
"""Ways to spoil a photo, from slightly to badly."""


def spoil(case: Case, kind: str, level: float) -> Case:
    """Spoil a case in one way."""
    camera, view, light = case.camera, case.view, case.light
    if kind == "blur":
        camera = replace(camera, blur_px=level)
    elif kind == "motion":
        camera = replace(camera, motion_px=level)
    elif kind in ("over", "under"):
        camera = replace(camera, exposure_ev=level)
    elif kind == "tilt":
        view = replace(view, tilt_deg=level)
    elif kind == "covered":
        view = replace(view, card_covered=level)
    elif kind == "glare":
        view = replace(view, card_glare=level)
    elif kind == "mirrored":
        view = replace(view, mirrored=True)
    elif kind == "far":
        ratio = MM_PER_PX / level
        size = (round(FRAME_PX[0] * ratio), round(FRAME_PX[1] * ratio))
        view = replace(view, width_px=size[0], height_px=size[1])
    elif kind == "card in shade":
        light = replace(light, sun_share=level, shade="edge", shade_share=0.02)
        view = replace(view, card_in_shade=True)
    elif kind == "lawn in shade":
        light = replace(light, sun_share=0.8, shade="edge", shade_share=level)
    return replace(case, camera=camera, view=view, light=light)
