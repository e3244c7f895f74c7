"""Cases of the accuracy study: which photos answer which question."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import cv2
import numpy as np

from benchmarks.accuracy.draws import (
    FRAME_PX,
    MM_PER_PX,
    REPORT_CAMERAS,
    SCENE_MM,
    TEXTURES,
    Case,
    random_camera,
    random_lawn,
    random_light,
    random_view,
    shot,
)
from lawnscore.demo.camera import Camera, Light
from lawnscore.demo.cases import ODD_KINDS, odd_lawn
from lawnscore.demo.geometry import scene_to_photo
from lawnscore.demo.lighting import sun_visibility


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


def phone_cases(n: int, seed: int) -> Iterator[Case]:
    """Whole photos of a phone: 12 megapixels, 2.4 x 1.8 m of lawn."""
    rng = np.random.default_rng(seed)
    scene_mm = (2 * SCENE_MM[0], 2 * SCENE_MM[1])
    frame_px = (2 * FRAME_PX[0], 2 * FRAME_PX[1])
    for i in range(n):
        green = 0.02 + 0.95 * (i + rng.random()) / n
        spec = random_lawn(rng, green=green)
        spec = replace(spec, width_mm=scene_mm[0], height_mm=scene_mm[1])
        camera = random_camera(rng)
        view = random_view(rng, camera.focal_35mm, frame_px=frame_px, scene_mm=scene_mm)
        yield shot(rng, "phone", f"{i:03d}", spec, camera=camera, view=view)


def odd_cases(n: int, seed: int) -> Iterator[Case]:
    """Lawns of unusual leaf, soil and litter, and ground at the rim of what a lawn is."""
    rng = np.random.default_rng(seed)
    kinds = ("any", *ODD_KINDS)
    for i in range(n):
        kind = kinds[i % len(kinds)]
        spec = odd_lawn(rng, kind=kind, family="report")
        spec = replace(spec, width_mm=SCENE_MM[0], height_mm=SCENE_MM[1])
        spec = replace(spec, texture=int(rng.choice(TEXTURES)))
        yield shot(rng, "odd", f"{i:03d}", spec, tags=(("kind", kind),))


def shade_seen(case: Case) -> float:
    """Share (0 to 1) of the ground in the frame of a case that lies in large shadows."""
    if case.light.shade == "none":
        return 0.0
    coarse_mm = 20.0
    size = np.array([case.spec.width_mm, case.spec.height_mm])
    shape = tuple(np.ceil(size[::-1] / coarse_mm).astype(int))
    sun = sun_visibility(case.light, shape, mm_per_px=coarse_mm)
    x, y = np.meshgrid(
        (np.arange(32) + 0.5) / 32 * case.view.width_px,
        (np.arange(24) + 0.5) / 24 * case.view.height_px,
    )
    back = np.linalg.inv(scene_to_photo(case.view, case.camera.focal_35mm))
    at = cv2.perspectiveTransform(np.stack([x, y], axis=-1).reshape(1, -1, 2), back)[0]
    at = size - np.abs(
        size - at % (2 * size)
    )  # beyond its edge a scene goes on as its mirror image
    cell = np.minimum((at / coarse_mm).astype(int), np.array(shape)[::-1] - 1)
    return 1.0 - float(sun[cell[:, 1], cell[:, 0]].mean())


def shaded(case: Case, share: float) -> Case:
    """A case whose frame is shaded over the share asked for, found by halving."""
    low, high = 0.0, 1.0
    for _ in range(12):
        middle = (low + high) / 2
        case = replace(case, light=replace(case.light, shade_share=middle))
        low, high = (middle, high) if shade_seen(case) < share else (low, middle)
    return case


def shade_cases(n: int, seed: int) -> Iterator[Case]:
    """Dapple and hard shadow edges over 10 to 60 % of the frame; the card in full sun or not."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        kind = ("edge", "dapple")[i % 2]
        share = 0.10 + 0.50 * (i // 2 + float(rng.random())) / max((n + 1) // 2, 1)
        spec = random_lawn(rng, green=float(rng.uniform(0.3, 0.97)))
        light = random_light(rng, shade=kind)
        case = shot(rng, "shade", f"{i:03d}", spec, light=light, tags=(("kind", kind),))
        yield shaded(case, share)


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
    """The same lawns at 0.5, 1, 1.5 and 2 mm a pixel."""
    rng = np.random.default_rng(seed)
    for i in range(n):
        spec = random_lawn(rng, green=float(rng.uniform(0.2, 0.95)))
        case = shot(rng, "scale", f"{i:02d}", spec)
        for scale in (0.5, 1.0, 1.5, 2.0):
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


PLAIN_LIGHT = Light(sun_share=0.0, sky_cct_k=6500.0)
"""An overcast sky near D65."""

SOURCES = ("light", "camera", "card")


def plain_camera(focal_35mm: float) -> Camera:
    """A camera that does next to nothing to the light it gets."""
    return replace(
        REPORT_CAMERAS[0], focal_35mm=focal_35mm, saturation=1.0, tone=0.0, local_tone=0.0,
        blur_px=0.5, noise=0.002, sharpen=0.0, vignetting=0.0, jpeg_quality=95,
    )  # fmt: skip


def source_cases(n: int, seed: int) -> Iterator[Case]:
    """The same lawns with every set of the error sources light, camera and card taken away.

    The card taken away means its colours measured, not nominal.
    """
    rng = np.random.default_rng(seed)
    for i in range(n):
        spec = random_lawn(rng, green=float(rng.uniform(0.2, 0.95)))
        case = shot(rng, "sources", f"{i:02d}", spec)
        for there in product((True, False), repeat=3):
            light, camera, card = there
            yield replace(
                case,
                name=f"{i:02d}-{''.join('-+'[t] for t in there)}",
                light=case.light if light else PLAIN_LIGHT,
                camera=case.camera if camera else plain_camera(case.camera.focal_35mm),
                card="nominal" if card else "measured",
                tags=tuple(zip(SOURCES, map(int, there), strict=True)),
            )


def spoilt_cases(
    repeats: int, good: int, seed: int, kinds: tuple[str, ...] | None = None
) -> Iterator[Case]:
    """Photos spoilt from slightly to badly in every way that can be refused, and good ones."""
    rng = np.random.default_rng(seed)
    for kind in kinds or tuple(SPOILS):
        levels = SPOILS[kind]
        for j in range(good if kind == "none" else repeats):
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
    "no card": (1.0,),
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
    elif kind == "no card":
        return replace(case, card="none")
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
        light = replace(light, sun_share=0.8, shade="edge")
        return shaded(replace(case, light=light), level)
    return replace(case, camera=camera, view=view, light=light)
