"""Lay the printed card on photographs of real turf and soil, and photograph that.

A picture of ground from straight above is taken as the colours of a surface (linear sRGB under
D65). Each colour becomes a reflectance spectrum (a mix of the three main spectra of leaf, straw
and soil that has exactly this colour), so that light and camera act on ground and card alike.
The ground keeps the small shadows that the picture has; the card brings its own at the rim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import decode_srgb
from lawnscore.demo import develop, lighting, spectra
from lawnscore.demo.camera import CAMERAS, Camera, Light
from lawnscore.demo.geometry import View, card_to_scene, scale_at, scene_to_photo
from lawnscore.demo.photograph import lit_card
from lawnscore.demo.printed_card import PrintedCard, print_card

Floats = NDArray[np.float32]
Range = tuple[float, float]

_VISIBLE_MM = 4000.0
"""Ground that is filled, mirrored, about the middle of the photo."""


@dataclass(frozen=True)
class Picture:
    """A photograph of ground and what a person sees in it.

    Parameters
    ----------
    file
        Below the data folder's ``texture``.
    span_mm
        Ground along its side: 2 m where the publisher says so of the family; otherwise assumed
        to be 1 m, or read off the width of blades.
    green, straw, soil, litter
        Lowest and highest share, per cent, that a person would accept; read by eye before any
        was scored. Not a truth. No picture shows worm casts.
    """

    file: str
    span_mm: float
    green: Range
    straw: Range
    soil: Range
    litter: Range

    @property
    def name(self) -> str:
        """Short name."""
        return Path(self.file).stem.removesuffix("_2k").removesuffix("_1k").removesuffix("_diff")


PICTURES: tuple[Picture, ...] = (
    Picture("turf/grass_1.png", 1000, (92, 100), (0, 6), (0, 6), (0, 2)),
    Picture("turf/grass_2.png", 1000, (92, 100), (0, 6), (0, 6), (0, 2)),
    Picture("turf/openart_grass.png", 350, (30, 60), (35, 65), (0, 12), (0, 3)),
    Picture("turf/leafy_grass_diff_1k.jpg", 2000, (35, 65), (5, 25), (0, 20), (15, 45)),
    Picture("turf/sparse_grass_diff_2k.jpg", 2000, (8, 25), (5, 20), (60, 85), (0, 5)),
    Picture("turf/moss_on_stones.jpg", 1000, (40, 80), (0, 5), (20, 60), (0, 5)),
    Picture("soil_and_litter/brown_mud_leaves_01_diff_2k.jpg", 2000,
            (20, 45), (0, 8), (50, 75), (0, 8)),
    Picture("soil_and_litter/mud_forest_diff_2k.jpg", 2000, (1, 6), (0, 4), (80, 96), (2, 10)),
    Picture("soil_and_litter/dirt_brown.jpg", 1000, (0, 2), (0, 6), (94, 100), (0, 3)),
    Picture("soil_and_litter/sand_desert.jpg", 1000, (0, 1), (0, 3), (95, 100), (0, 2)),
    Picture("soil_and_litter/burned_ground_01_diff_2k.jpg", 2000,
            (0, 2), (8, 30), (60, 92), (0, 8)),
    Picture("soil_and_litter/leaves_forest_ground_diff_1k.webp", 2000,
            (0, 4), (0, 10), (10, 45), (50, 90)),
)  # fmt: skip

LIGHTS: dict[str, Light] = {
    "overcast": Light(sun_share=0.0, sky_cct_k=6800),
    "sun": Light(sun_share=0.75, sun_cct_k=5300, sky_cct_k=11000, sun_elevation_deg=50),
    "low sun": Light(sun_share=0.6, sun_cct_k=3900, sky_cct_k=9000, sun_elevation_deg=22),
    "shadow edge": Light(sun_share=0.7, sun_cct_k=5400, sky_cct_k=12000, shade="edge",
                         shade_share=0.3, shade_soft_mm=15),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Composed:
    """A composed photo; ``exif`` has what a phone would write."""

    rgb: NDArray[np.uint8]
    camera: Camera
    light_name: str

    def save(self, path: Path) -> None:
        """Write it as JPEG."""
        exif: dict[str, object] = {
            "make": "Composed",
            "model": f"invented camera {self.camera.name}",
            "taken": "2024:05:14 10:30:00",
            "offset": "+01:00",
            "focal_35mm": round(self.camera.focal_35mm),
        }
        develop.save_jpeg(self.rgb, path, self.camera, exif)


def read_picture(data: Path, picture: Picture) -> Floats:
    """Return the ground's colours, (h, w, 3) linear sRGB."""
    image = cv2.imread(str(data / "texture" / picture.file), cv2.IMREAD_COLOR)
    if image is None:
        raise FileNotFoundError(data / "texture" / picture.file)
    table = decode_srgb(np.arange(256) / 255.0).astype(np.float32)
    return table[image[..., ::-1]]


def compose(
    ground: Floats, span_mm: float, light_name: str, *, seed: int, width_px: int = 2800
) -> Composed:
    """Photograph the ground with the card on it.

    Parameters
    ----------
    ground
        (h, w, 3) linear sRGB; beyond its edge it goes on mirrored.
    span_mm
        Ground along the picture's height.
    light_name
        Of :data:`LIGHTS`.
    seed
        Of camera, view and noise.
    width_px
        Width of the photo; its height is three quarters.
    """
    rng = np.random.default_rng(seed)
    light, camera, view = LIGHTS[light_name], _camera(rng), _view(rng, width_px)
    card = print_card("turf-a5")
    to_px = scene_to_photo(view, camera.focal_35mm)
    to_rgb = camera.to_linear(light)
    linear = _seen(ground, span_mm, to_px, view)
    visible = _visible_sun(light, to_px, view)[..., None]
    sky, sun = (
        natural_spectra_of(np.eye(3)) * s @ to_rgb
        for s in (light.sky_spectrum(), light.sun_spectrum())
    )
    lit = linear @ sky.astype(np.float32) + visible * (linear @ sun.astype(np.float32))
    sheet = lit_card(card, light, to_rgb, view, seed)
    _lay(lit, sheet, card, to_px @ card_to_scene(view, card.design), light)
    return Composed(develop.develop(lit, camera, seed=seed), camera, light_name)


@cache
def _basis() -> NDArray[np.float64]:
    """Return (3, 31): the main spectra of leaf, straw and soil."""
    samples = [spectra.leaf(c, browning=b) for c in (0.7, 1.5, 3.0) for b in (0.0, 0.1)]
    samples += [spectra.straw(p) for p in (0.5, 1.5)]
    samples += [spectra.soil(h, goethite=g, haematite=r)
                for h, g, r in ((1.5, 0.6, 0.2), (0.3, 1.0, 0.9), (0.1, 0.3, 0.05))]  # fmt: skip
    rows = np.array([s / np.linalg.norm(s) for s in samples])
    return np.asarray(np.linalg.svd(rows, full_matrices=False)[2][:3])


def natural_spectra_of(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return spectra (n, 31) that have these colours (n, 3) under D65, alike natural ones."""
    basis = _basis()
    return np.asarray(linear @ np.linalg.inv(spectra.to_linear_srgb(basis)) @ basis)


def _camera(rng: np.random.Generator) -> Camera:
    from dataclasses import replace

    some = [camera for camera in CAMERAS.values() if camera.family == "report"]
    return replace(
        some[int(rng.integers(len(some)))],
        white_balance=tuple(np.exp(rng.normal(0, 0.06, 3)).tolist()),
        saturation=float(rng.uniform(1.0, 1.25)),
        tone=float(rng.uniform(0.2, 0.9)),
        local_tone=float(rng.uniform(0.0, 0.25)),
        noise=float(rng.uniform(0.004, 0.015)),
        jpeg_quality=int(rng.integers(82, 96)),
    )


def _view(rng: np.random.Generator, width_px: int) -> View:
    return View(
        width_px=width_px,
        height_px=width_px * 3 // 4,
        distance_mm=float(rng.uniform(1150, 1400)),
        tilt_deg=float(rng.uniform(4, 18)),
        tilt_azimuth_deg=float(rng.uniform(0, 360)),
        yaw_deg=float(rng.uniform(0, 360)),
        aim_mm=(1000.0, 800.0),
        card_centre_mm=(1000 + float(rng.uniform(-200, 200)), 800 + float(rng.uniform(-120, 120))),
        card_angle_deg=float(rng.uniform(0, 360)),
    )


def _seen(ground: Floats, span_mm: float, to_px: NDArray[np.float64], view: View) -> Floats:
    """Return the ground as projected, (h, w, 3)."""
    step = span_mm / ground.shape[0]
    shrink = max(1, round(scale_at(to_px, np.asarray(view.aim_mm)) / step))
    if shrink > 1:
        size = (ground.shape[1] // shrink, ground.shape[0] // shrink)
        ground = np.asarray(cv2.resize(ground, size, interpolation=cv2.INTER_AREA))
        step = span_mm / ground.shape[0]
    rim = max(0, round((_VISIBLE_MM - span_mm) / 2 / step))  # the warp mirrors once only
    ground = np.pad(ground, ((rim, rim), (rim, rim), (0, 0)), mode="symmetric")
    low_x, low_y = (aim - (0.5 * side - 0.5) * step for aim, side in
                    zip(view.aim_mm, (ground.shape[1], ground.shape[0]), strict=True))  # fmt: skip
    place = np.array([[step, 0, low_x], [0, step, low_y], [0, 0, 1.0]])
    return np.asarray(
        cv2.warpPerspective(
            ground, to_px @ place, (view.width_px, view.height_px),
            flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT,
        ).clip(0.0),
        dtype=np.float32,
    )  # fmt: skip


def _visible_sun(light: Light, to_px: NDArray[np.float64], view: View) -> Floats:
    """Return the share of the sun that reaches each pixel, (h, w)."""
    if light.shade == "none":
        return np.ones((view.height_px, view.width_px), np.float32)
    step, low = 4.0, -1000.0
    field = lighting.sun_visibility(light, (1000, 1000), mm_per_px=step, origin_mm=(low, low))
    place = np.array([[step, 0, low + step / 2], [0, step, low + step / 2], [0, 0, 1.0]])
    return np.asarray(
        cv2.warpPerspective(field, to_px @ place, (view.width_px, view.height_px),
                            borderMode=cv2.BORDER_REPLICATE), dtype=np.float32,
    )  # fmt: skip


def _lay(
    lit: Floats, sheet: Floats, card: PrintedCard, card_px: NDArray[np.float64], light: Light
) -> None:
    """Lay the lit sheet over the ground with the shadow at its rim, in place."""
    photo_mm = scale_at(card_px, np.asarray(card.design.centre_mm))
    shrink = max(1, round(photo_mm / card.mm_per_px / 1.1))
    size = (sheet.shape[1] // shrink, sheet.shape[0] // shrink)
    sheet = np.asarray(cv2.resize(sheet, size, interpolation=cv2.INTER_AREA))
    sx, sy = card.design.width_mm / size[0], card.design.height_mm / size[1]
    matrix = card_px @ np.array([[sx, 0, sx / 2], [0, sy, sy / 2], [0, 0, 1.0]])
    frame = lit.shape[1::-1]
    image = cv2.warpPerspective(sheet, matrix, frame, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpPerspective(np.ones(sheet.shape[:2], np.float32), matrix, frame)
    angle = np.deg2rad(light.sun_azimuth_deg + 180.0)
    reach = 4.0 / photo_mm
    shift = np.array([[1, 0, reach * np.cos(angle)], [0, 1, reach * np.sin(angle)]])
    rim = cv2.GaussianBlur(cv2.warpAffine(cover, shift, frame), (0, 0), max(1.5 / photo_mm, 0.6))
    lit *= (1.0 - (0.25 + 0.45 * light.sun_share) * rim)[..., None]
    lit += (image - lit) * cover[..., None]


def within(value: float, low_high: Sequence[float]) -> float:
    """Return how far a value is outside a range, 0 inside.

    Examples
    --------
    >>> within(5.0, (8, 25)), within(10.0, (8, 25)), within(30.0, (8, 25))
    (-3.0, 0.0, 5.0)
    """
    low, high = low_high
    return min(value - low, 0.0) + max(value - high, 0.0)
