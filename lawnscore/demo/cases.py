"""Random lawns, lights, cameras and views, over the whole range that is met outdoors.

Two families share nothing but their ranges: cameras, soils and leaf make-up of ``train`` do not
occur in ``report``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lawnscore.demo.camera import CAMERAS, Camera, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.materials import LITTER_KINDS, SOIL_KINDS, Tint
from lawnscore.demo.scene import LawnSpec

Family = Literal["train", "report"]

KINDS = ("any", "plain", "shade", "casts", "patches", "leaves")
"""Good photos."""

ODD_KINDS = ("carpet", "mossy", "weedy", "stony", "bare")
"""Ground at the rim of what a lawn is: under leaves, moss, weeds, stones, or nearly none."""

BAD_KINDS = (
    "cardless",
    "mirrored",
    "blurred",
    "overexposed",
    "underexposed",
    "covered",
    "glaring",
    "tilted",
    "coarse",
    "shaded",
)
"""Photos that deserve a refusal, by its reason."""


@dataclass(frozen=True)
class Case:
    """One random case: what grows, in which light, with what and from where it is taken."""

    lawn: LawnSpec
    light: Light
    camera: Camera
    view: View
    card: str | None = "turf-a5"

    def __iter__(self):  # type: ignore[no-untyped-def]
        """Unpack as lawn, light, camera, view."""
        return iter((self.lawn, self.light, self.camera, self.view))


def random_case(
    rng: np.random.Generator,
    *,
    kind: str = "any",
    family: Family = "train",
    size_px: tuple[int, int] = (4000, 3000),
) -> Case:
    """Draw one case.

    Parameters
    ----------
    rng
        Source of randomness.
    kind
        One of :data:`KINDS` or :data:`BAD_KINDS`.
    family
        ``train`` or ``report``.
    size_px
        Width and height of the photo.

    Raises
    ------
    ValueError
        For a kind that is not known.
    """
    if kind not in KINDS and kind not in BAD_KINDS:
        raise ValueError(f"unknown kind {kind!r}: use one of {', '.join((*KINDS, *BAD_KINDS))}")
    shaded = kind == "shade" or (kind == "any" and rng.random() < 0.25)
    light = random_light(rng, shade=shaded)
    camera = random_camera(rng, family=family)
    lawn = random_lawn(rng, kind=kind, family=family)
    view, size_mm = random_view(rng, camera, size_px=size_px)
    lawn = replace(lawn, width_mm=size_mm[0], height_mm=size_mm[1])
    view = lit_like_the_lawn(view, light, rng)
    case = Case(lawn, light, camera, view)
    return spoil(case, kind, rng) if kind in BAD_KINDS else case


def random_lawn(
    rng: np.random.Generator, *, kind: str = "any", family: Family = "train"
) -> LawnSpec:
    """Draw a lawn; green cover is even over 0 to 100 %."""
    green = float(rng.uniform(0.0, 1.0))
    if kind == "patches":
        green = float(rng.uniform(0.75, 0.99))
    straw = float((1.0 - green) * rng.beta(1.0, 1.3))
    soil = str(rng.choice(SOIL_KINDS))
    wet = float(rng.beta(1.2, 1.5))
    tint = Tint(
        family=family,
        soil=soil,
        soil_wet=wet,
        cast_wet=float(np.clip(wet + rng.normal(0.1, 0.3), 0, 1)),
        chlorophyll=float(rng.uniform(1.0, 5.0)),
        dew=float(rng.beta(0.5, 2.0) if rng.random() < 0.3 else 0.0),
        litter=str(rng.choice(LITTER_KINDS)),
        straw_pigment=float(rng.lognormal(0.0, 0.4)),
        straw_weathering=float(rng.beta(1.0, 2.5)),
    )
    casting = kind == "casts" or (kind == "any" and rng.random() < 0.3)
    leafy = kind == "leaves" or (kind == "any" and rng.random() < 0.25)
    patchy = kind == "patches" or (kind == "any" and rng.random() < 0.25)
    return LawnSpec(
        green=green,
        straw=straw,
        thatch=float(rng.beta(1.0, 1.6)),
        patchiness=float(rng.uniform(0.1, 1.6)),
        patch_mm=float(rng.uniform(60, 400)),
        yellowing=float(rng.beta(0.7, 6.0)),
        blade_width_mm=float(rng.uniform(1.0, 3.6)),
        mowing_height_mm=float(rng.uniform(12, 55)),
        stripes=float(rng.uniform(0.3, 1.0) if rng.random() < 0.25 else 0.0),
        stripe_mm=float(rng.uniform(300, 560)),
        casts_per_m2=float(rng.uniform(2, 120) if casting else 0.0),
        cast_mm=float(rng.uniform(14, 34)),
        cast_state=str(rng.choice(["dry", "wet", "smeared"], p=[0.4, 0.4, 0.2])),
        cast_clusters=float(rng.choice([0.0, 0.5])),
        bare_patches_per_m2=float(rng.uniform(1, 8) if patchy else 0.0),
        bare_patch_cm2=float(rng.uniform(30, 250)),
        leaves_per_m2=float(rng.uniform(1, 60) if leafy else 0.0),
        leaf_mm=float(rng.uniform(25, 80)),
        weeds_per_m2=float(rng.uniform(0, 8) if rng.random() < 0.25 else 0.0) * min(green * 2, 1),
        clover_per_m2=float(rng.uniform(0, 3) if rng.random() < 0.2 else 0.0) * min(green * 2, 1),
        moss=float(rng.uniform(0.02, 0.4) if rng.random() < 0.2 else 0.0) * min(green * 2, 1),
        stones_per_m2=float(rng.uniform(0, 60) if rng.random() < 0.4 else 0.0),
        grain=float(rng.choice([0.6, 1.0, 1.5])),
        tint=tint,
    )


def odd_lawn(
    rng: np.random.Generator, *, kind: str = "plain", family: Family = "train"
) -> LawnSpec:
    """Draw a lawn whose materials lie far outside the usual: leaf, moss, soil, litter.

    Leaf from yellow-green and nearly without chlorophyll to bluish with wax, soil from char to
    chalk, every spectrum a little strange. ``kind`` is one of :data:`KINDS` or
    :data:`ODD_KINDS`.
    """
    lawn = random_lawn(rng, kind=kind if kind in KINDS else "plain", family=family)
    tint = replace(
        lawn.tint,
        chlorophyll=float(np.exp(rng.uniform(np.log(0.35), np.log(6.0)))),
        wax=float(rng.beta(0.5, 1.6)),
        carotene=float(rng.lognormal(0.0, 0.5)),
        leaf_light=float(rng.lognormal(0.05, 0.25)),
        browning=float(rng.beta(0.6, 2.0)),
        moss_gold=float(rng.uniform(0.7, 2.8)),
        strangeness=float(rng.uniform(0.0, 0.1)),
        litter=str(rng.choice([*LITTER_KINDS, "grey", "mixed", "mixed"])),
    )
    if rng.random() < 0.6:
        tint = replace(tint, soil_make=random_soil(rng))
    lawn = replace(
        lawn, tint=tint, leaves_under=float(rng.choice([0.0, rng.uniform(0.2, 0.8)])),
        soil_smooth=float(rng.choice([0.0, rng.uniform(0.2, 1.0)])),
    )  # fmt: skip
    if kind == "carpet":
        size = float(rng.uniform(25, 80))
        most = 6.0e6 / size**2  # leaves of this size that would cover the ground thrice
        many = float(np.exp(rng.uniform(np.log(0.02 * most), np.log(most))))
        return replace(lawn, leaves_per_m2=many, leaf_mm=size)
    if kind == "mossy":
        return replace(lawn, moss=float(rng.uniform(0.1, 0.95)))
    if kind == "weedy":
        many = float(np.exp(rng.uniform(np.log(80), np.log(2500))))
        return replace(lawn, broadleaf_per_m2=many, weeds_per_m2=float(rng.uniform(0, 15)))
    if kind == "stony":
        return replace(lawn, stones_per_m2=float(np.exp(rng.uniform(np.log(20), np.log(500)))))
    if kind == "bare":
        return replace(lawn, green=0.06 * rng.random(), straw=float(0.3 * rng.beta(0.6, 3.0)))
    return lawn


def random_soil(rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Draw absorption strengths (humus, goethite, haematite, base), from chalk to char."""
    return (
        float(np.exp(rng.uniform(np.log(0.05), np.log(4.0)))),
        float(rng.gamma(1.5, 0.9)),
        float(rng.gamma(1.0, 0.4)),
        float(np.exp(rng.uniform(np.log(0.08), np.log(1.5)))),
    )


def random_light(rng: np.random.Generator, *, shade: bool = False) -> Light:
    """Draw a light: overcast, hazy or clear, noon or low sun; sky 5500 to 14000 K."""
    overcast = not shade and rng.random() < 0.4
    elevation = float(rng.uniform(12, 62))
    clear = float(rng.uniform(0.35, 0.85)) * min(1.0, 0.55 + elevation / 80.0)
    warm = 2900.0 + 2700.0 * min(1.0, elevation / 40.0)
    pattern = str(rng.choice(["edge", "dapple"])) if shade else "none"
    return Light(
        sun_elevation_deg=elevation,
        sun_azimuth_deg=float(rng.uniform(0, 360)),
        sun_share=0.0 if overcast else clear,
        sun_cct_k=float(np.clip(warm + rng.normal(0, 250), 2600, 6000)),
        sky_cct_k=float(rng.uniform(5000, 9000) if overcast else rng.uniform(7000, 14000)),
        shade=pattern,
        shade_share=float(rng.uniform(0.1, 0.6)) if shade else 0.0,
        shade_soft_mm=float(rng.lognormal(np.log(14), 0.6)),
        shade_angle_deg=float(rng.uniform(0, 360)),
        shade_green=float(rng.uniform(0, 1) if pattern == "dapple" else 0.0),
        shade_seed=int(rng.integers(0, 2**31)),
    )


def random_camera(rng: np.random.Generator, *, family: Family = "train") -> Camera:
    """Draw a camera of a family and its settings for one photo."""
    names = sorted(name for name, camera in CAMERAS.items() if camera.family == family)
    warmth, tint = rng.normal(0, 0.07), rng.normal(0, 0.03)
    return replace(
        CAMERAS[str(rng.choice(names))],
        white_balance=(float(np.exp(warmth)), float(np.exp(tint)), float(np.exp(-warmth))),
        saturation=float(rng.uniform(0.95, 1.3)),
        exposure_ev=float(rng.normal(0.0, 0.25)),
        tone=float(rng.uniform(0.0, 1.0)),
        local_tone=float(rng.choice([0.0, rng.uniform(0.05, 0.4)])),
        blur_px=float(rng.uniform(0.4, 1.3)),
        noise=float(rng.lognormal(np.log(0.006), 0.6)),
        sharpen=float(rng.uniform(0.0, 1.0)),
        vignetting=float(rng.uniform(0.0, 0.3)),
        jpeg_quality=int(rng.integers(80, 96)),
        chroma=str(rng.choice(["4:2:0", "4:4:4"], p=[0.75, 0.25])),
    )


def random_view(
    rng: np.random.Generator, camera: Camera, *, size_px: tuple[int, int] = (4000, 3000)
) -> tuple[View, tuple[float, float]]:
    """Draw a view with the card wholly inside, and the size (mm) of the scene it needs."""
    distance = float(rng.uniform(1050, 1550))
    diagonal = distance * 43.2666 / camera.focal_35mm
    aspect = np.hypot(*size_px)
    width, height = diagonal * size_px[0] / aspect, diagonal * size_px[1] / aspect
    tilt = (
        float(min(abs(rng.normal(0, 9)), 34.0)) if rng.random() < 0.7 else float(rng.uniform(0, 35))
    )
    yaw = float(rng.choice([0.0, 0.0, 90.0, 180.0]) + rng.normal(0, 12))
    room = 1.0 + 0.5 * np.tan(np.deg2rad(tilt))
    reach = float(np.hypot(width, height) if abs(yaw % 180) > 15 else max(width, height)) * room
    scene = (float(min(reach, 2400.0)), float(min(reach * 0.85, 2000.0)))
    aim = (scene[0] / 2, scene[1] / 2)
    # The card stays in the part of the frame that is inside for every yaw.
    free_x, free_y = max(width / 2 - 190.0, 40.0), max(height / 2 - 190.0, 40.0)
    turn = np.deg2rad(yaw)
    u, v = rng.uniform(-free_x, free_x), rng.uniform(-free_y, free_y)
    centre = (
        float(aim[0] + u * np.cos(turn) - v * np.sin(turn)),
        float(aim[1] + u * np.sin(turn) + v * np.cos(turn)),
    )
    view = View(
        width_px=size_px[0], height_px=size_px[1], distance_mm=distance, tilt_deg=tilt,
        tilt_azimuth_deg=float(rng.uniform(0, 360)), yaw_deg=yaw, aim_mm=aim, card_centre_mm=centre,
        card_angle_deg=float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 15)) % 360.0,
    )  # fmt: skip
    return view, scene


def lit_like_the_lawn(view: View, light: Light, rng: np.random.Generator) -> View:
    """Move the card to where the sun falls on all of it, as its words ask; or nearly so."""
    if light.shade == "none":
        return view
    from lawnscore.card.design import card_design
    from lawnscore.demo.photograph import card_sun

    best, best_seen = view, -1.0
    # The frame of the longest lens we have, less the card and its rim.
    diagonal = view.distance_mm * 43.2666 / 28.0
    shape = np.array([view.width_px, view.height_px]) / np.hypot(view.width_px, view.height_px)
    free = np.maximum(0.5 * diagonal * shape - 150.0, 20.0)
    turn = np.deg2rad(view.yaw_deg)
    for _ in range(80):
        seen = float(np.quantile(card_sun(card_design("turf-a5"), light, view), 0.02))
        if seen > best_seen:
            best, best_seen = view, seen
        if best_seen > 0.97:
            break
        u, v = (float(rng.uniform(-f, f)) for f in free)
        x = view.aim_mm[0] + u * float(np.cos(turn)) - v * float(np.sin(turn))
        y = view.aim_mm[1] + u * float(np.sin(turn)) + v * float(np.cos(turn))
        view = replace(view, card_centre_mm=(x, y))
    return best


def spoil(case: Case, kind: str, rng: np.random.Generator) -> Case:
    """Make a good case deserve a refusal."""
    camera, view, light = case.camera, case.view, case.light
    if kind == "cardless":
        return replace(case, card=None)
    if kind == "mirrored":
        return replace(case, view=replace(view, mirrored=True))
    if kind == "blurred":
        px = view.width_px / 4000.0
        soft = replace(camera, blur_px=float(rng.uniform(6, 12) * px), sharpen=0.0)
        moved = replace(camera, motion_px=float(rng.uniform(18, 40) * px))
        return replace(case, camera=soft if rng.random() < 0.5 else moved)
    if kind == "overexposed":
        return replace(case, camera=replace(camera, exposure_ev=float(rng.uniform(2.2, 3.2))))
    if kind == "underexposed":
        return replace(case, camera=replace(camera, exposure_ev=float(rng.uniform(-5.5, -4.0))))
    if kind == "covered":
        return replace(case, view=replace(view, card_covered=float(rng.uniform(0.45, 0.75))))
    if kind == "glaring":
        return replace(case, view=replace(view, card_glare=float(rng.uniform(0.7, 1.2))))
    if kind == "tilted":
        return replace(
            case, view=replace(view, tilt_deg=float(rng.uniform(48, 58)), tilt_azimuth_deg=90.0)
        )
    if kind == "coarse":
        far = replace(view, distance_mm=view.distance_mm * float(rng.uniform(4.0, 6.0)))
        return replace(case, view=far)
    sunny = replace(light, sun_share=float(rng.uniform(0.6, 0.8)), shade="edge", shade_share=0.02)
    return replace(case, light=sunny, view=replace(view, card_in_shade=True))
