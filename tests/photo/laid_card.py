"""A card laid on green noise and photographed with a known pose, for tests: quick to draw."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from lawnscore.card.colourspace import decode_srgb, encode_srgb
from lawnscore.card.design import CardDesign, card_design
from lawnscore.card.draw import card_image
from lawnscore.photo.pose import focal_px, local_scale
from lawnscore.photo.read import Photo

DPI = 90.0
SIZE_PX = (1200, 900)


@dataclass(frozen=True, eq=False)
class Laid:
    """A photo and what is true of it."""

    photo: Photo
    design: CardDesign
    homography: np.ndarray
    mm_per_px: float
    tilt_deg: float


def _turn(x: float, z: float) -> np.ndarray:
    lean = cv2.Rodrigues(np.array([np.radians(x), 0.0, 0.0]))[0]
    spin = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(z)]))[0]
    return lean @ spin


def camera(
    design: CardDesign,
    *,
    tilt_deg: float = 8.0,
    spin_deg: float = 20.0,
    height_mm: float = 800.0,
    at: tuple[float, float] = (0.15, 0.1),
    focal_35mm: float = 26.0,
    size_px: tuple[int, int] = SIZE_PX,
) -> np.ndarray:
    """Return the homography from card mm to px; ``at`` is the card's place in frames off middle."""
    width, height = size_px
    focal = focal_px(focal_35mm, size_px)
    matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    rotation = _turn(tilt_deg, spin_deg)
    ray = np.linalg.inv(matrix) @ [(0.5 + at[0]) * width, (0.5 + at[1]) * height, 1.0]
    centre = ray * height_mm / (ray @ rotation[:, 2])
    translation = centre - rotation @ [*design.centre_mm, 0.0]
    h = matrix @ np.column_stack([rotation[:, 0], rotation[:, 1], translation])
    return h / h[2, 2]


def turf(size_px: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    width, height = size_px
    grain = cv2.GaussianBlur(rng.normal(size=(height, width)).astype(np.float32), (0, 0), 1.0)
    grain = grain / grain.std()
    green = decode_srgb(np.array([62, 98, 42]) / 255).astype(np.float32)
    return green * np.exp(0.5 * grain)[..., None]


def lay_card(
    name: str = "turf-a5",
    *,
    seed: int = 0,
    gain: tuple[float, float, float] | float = 0.8,
    sheet: np.ndarray | None = None,
    shade: np.ndarray | None = None,
    curve: float = 0.0,
    blur_px: float = 0.6,
    size_px: tuple[int, int] = SIZE_PX,
    focal_known: bool = True,
    **view: object,
) -> Laid:
    """Photograph a card.

    Parameters
    ----------
    gain
        Light times exposure, of each channel.
    sheet
        Raster of the card at ``DPI`` in its place.
    shade
        (h, w) share of the light that falls on each pixel of the photo.
    curve
        Strength of an S-shaped tone curve.
    blur_px
        Standard deviation of the blur of the lens, px.
    """
    rng = np.random.default_rng(seed)
    design = card_design(name)
    h = camera(design, size_px=size_px, **view)  # type: ignore[arg-type]
    sheet = card_image(design, dpi=DPI) if sheet is None else sheet
    step = 25.4 / DPI
    to_px = h @ np.array([[step, 0, step / 2], [0, step, step / 2], [0, 0, 1]])
    paper = cv2.warpPerspective(decode_srgb(sheet / 255).astype(np.float32), to_px, size_px)
    where = cv2.warpPerspective(np.ones(sheet.shape[:2], np.float32), to_px, size_px)[..., None]
    light = (turf(size_px, rng) * (1 - where) + paper * where) * np.float32(gain)
    if shade is not None:
        light = light * shade[..., None].astype(np.float32)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    light = light + rng.normal(0, 0.004, (*light.shape[:2], 1)).astype(np.float32)
    code = encode_srgb(np.clip(light, 0, 1))
    code = code + curve * (code - 0.42) * code * (1 - code)
    rgb = np.rint(255 * np.clip(code, 0, 1)).astype(np.uint8)
    focal = float(view.get("focal_35mm", 26.0)) if focal_known else None  # type: ignore[arg-type]
    photo = Photo(Path("laid.jpg"), rgb, 1, *size_px, "", None, focal, "")
    scale = local_scale(h, np.array([design.centre_mm]))[0]
    return Laid(photo, design, h, 1 / scale, float(view.get("tilt_deg", 8.0)))  # type: ignore[arg-type]
