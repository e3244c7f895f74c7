"""From linear light to the JPEG of a phone: lens, noise, tone, sharpening, compression."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import LUMINANCE, encode_srgb
from lawnscore.demo import spectra
from lawnscore.demo.camera import Camera, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.spectra import Floats

_STEPS = 4096  # of the tone table, spaced by the square root of light
_MIDDLE_GREY = 0.18


def develop(
    linear: NDArray[np.float32], camera: Camera, *, seed: int, gain: float | None = None
) -> NDArray[np.uint8]:
    """Return the camera's picture (h, w, 3) uint8 of linear light (h, w, 3).

    The input is spoiled. ``gain`` sets the exposure; None is automatic.
    """
    rng = np.random.default_rng(seed + 1)
    image = _blur(linear, camera)
    thumb = _f32(cv2.resize(image, (96, 72), interpolation=cv2.INTER_AREA))
    if gain is None:
        gain = automatic_gain(thumb, camera)
    if camera.vignetting > 0 or camera.local_tone > 0:
        field = gain * _light_field(thumb * gain, camera)
        wide = cv2.resize(field, image.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        image *= wide[..., None]
    else:
        image *= np.float32(gain)
    np.maximum(image, 0.0, out=image)
    cv2.sqrt(image, image)
    _add_noise(image, camera, rng)
    rgb = tone_table(camera)[_to_index(image)]
    return _sharpen(rgb, camera)


def automatic_gain(thumb: NDArray[np.float32], camera: Camera) -> float:
    """Return the exposure: middle grey in the mean, highlights mostly kept."""
    luma = np.clip(thumb @ LUMINANCE.astype(np.float32), 1e-4, None)
    metered = _MIDDLE_GREY / float(np.mean(luma))
    bright = float(np.quantile(luma, 0.993))  # white paper, when a card is in view
    gain = min(metered, float(np.sqrt(metered * 0.9 / bright)), 1.1 / bright)
    return float(gain * 2.0**camera.exposure_ev)


def _f32(values: object) -> NDArray[np.float32]:
    return np.asarray(values, dtype=np.float32)


def _blur(image: NDArray[np.float32], camera: Camera) -> NDArray[np.float32]:
    if camera.motion_px >= 1.0:
        n = round(camera.motion_px) | 1
        kernel = np.zeros((n, n), np.float32)
        cv2.line(kernel, (0, n // 3), (n - 1, n - 1 - n // 3), 1.0, 1)
        image = _f32(cv2.filter2D(image, -1, kernel / kernel.sum()))
    if camera.blur_px >= 0.3:
        size = 3 if camera.blur_px < 0.8 else 0
        image = _f32(cv2.GaussianBlur(image, (size, size), camera.blur_px))
    return image


def _light_field(thumb: NDArray[np.float32], camera: Camera) -> NDArray[np.float32]:
    """Return vignetting times the gain of local tone mapping, on the thumbnail's grid."""
    h, w = thumb.shape[:2]
    yy, xx = np.mgrid[:h, :w].astype(np.float32)
    r2 = ((xx - w / 2 + 0.5) ** 2 + (yy - h / 2 + 0.5) ** 2) / (w * w + h * h) * 4.0
    field = 1.0 - camera.vignetting * r2
    if camera.local_tone > 0:
        luma = np.clip(thumb @ LUMINANCE.astype(np.float32), 1e-3, 4.0)
        local = cv2.GaussianBlur(np.log(luma).astype(np.float32), (0, 0), 6)
        field = field * np.exp(-camera.local_tone * (local - local.mean()))
    return np.asarray(field, dtype=np.float32)


@lru_cache(maxsize=1)
def _noise_tile() -> NDArray[np.float32]:
    """Return noise of unit spread, part white and part blotchy as after noise reduction."""
    rng = np.random.default_rng(99)
    fine = rng.normal(size=(1031, 1031, 3)).astype(np.float32)
    blotchy = cv2.GaussianBlur(fine[::-1], (0, 0), 1.3)
    mixed = 0.6 * fine + 0.8 * blotchy / float(blotchy.std())
    return np.ascontiguousarray(mixed / float(mixed.std()))


def _add_noise(image: NDArray[np.float32], camera: Camera, rng: np.random.Generator) -> None:
    """Add noise to the square root of light, where shot noise is even."""
    if camera.noise <= 0:
        return
    tile = _noise_tile()
    side = tile.shape[0] - 7
    amount = camera.noise / (2.0 * np.sqrt(_MIDDLE_GREY))
    for y in range(0, image.shape[0], side):
        for x in range(0, image.shape[1], side):
            oy, ox = rng.integers(0, 8, 2)
            part = image[y : y + side, x : x + side]
            piece = tile[oy : oy + part.shape[0], ox : ox + part.shape[1]]
            cv2.scaleAdd(np.ascontiguousarray(piece), float(amount), part, part)


def _to_index(root: NDArray[np.float32]) -> NDArray[np.uint16]:
    root *= np.float32((_STEPS - 1) / 1.25)
    np.clip(root, 0.0, _STEPS - 1.0, out=root)
    return root.astype(np.uint16)


def tone_table(camera: Camera) -> NDArray[np.uint8]:
    """Return the 8-bit code of each step of the square root of linear light (0 to 1.25)."""
    root = np.arange(_STEPS) / (_STEPS - 1) * 1.25
    linear = root**2
    # A shoulder: strong curves keep highlights up to 1.25 below white.
    shoulder = 0.25 * camera.tone
    level = np.clip(linear / (1.0 + shoulder * linear**2), 0.0, 1.0)
    code = encode_srgb(level)
    curved = code + 1.4 * camera.tone * (code - 0.42) * code * (1.0 - code)
    return np.clip(np.round(255.0 * np.clip(curved, 0.0, 1.0)), 0, 255).astype(np.uint8)


def _sharpen(rgb: NDArray[np.uint8], camera: Camera) -> NDArray[np.uint8]:
    if camera.sharpen <= 0:
        return rgb
    soft = cv2.GaussianBlur(rgb, (5, 5), 1.1)
    return np.asarray(
        cv2.addWeighted(rgb, 1.0 + camera.sharpen, soft, -camera.sharpen, 0.0), dtype=np.uint8
    )


def spoil_card(
    sheet: NDArray[np.float32], view: View, light: Light, to_rgb: Floats, *, seed: int
) -> None:
    """Put glare, a fallen leaf or a finger on the lit card, in place."""
    rng = np.random.default_rng(seed + 3)
    h, w = sheet.shape[:2]
    if view.card_glare > 0:
        yy, xx = np.mgrid[:h, :w].astype(np.float32)
        cx, cy = rng.uniform(0.25, 0.75) * w, rng.uniform(0.25, 0.75) * h
        spot = np.exp(-(((xx - cx) / (0.55 * w)) ** 2 + ((yy - cy) / (0.5 * h)) ** 2) * 2.0)
        mirror = (light.total_spectrum() @ to_rgb).astype(np.float32)
        sheet += (view.card_glare * 1.3 * spot)[..., None] * mirror
    if view.card_covered > 0:
        _cover_card(sheet, view.card_covered, light, to_rgb, rng)


def _cover_card(
    sheet: NDArray[np.float32], share: float, light: Light, to_rgb: Floats, rng: np.random.Generator
) -> None:
    h, w = sheet.shape[:2]
    skin = spectra.leaf(0.0, car=0.25, browning=0.05, antho=0.25) + 0.15
    leaf = spectra.leaf(0.0, car=1.0, browning=0.5, antho=0.4)
    reflectance = skin if rng.random() < 0.4 else leaf
    colour = (reflectance * light.total_spectrum()) @ to_rgb
    corner = np.array([rng.choice([0.0, 1.0]) * w, rng.uniform(0.15, 0.85) * h])
    size = np.sqrt(share * 1.6 / np.pi * w * h * 1.3)
    t = np.linspace(0, 2 * np.pi, 40)
    ragged = 1.0 + 0.12 * np.sin(5 * t + rng.uniform(0, 6)) + 0.06 * np.sin(9 * t)
    outline = corner + size * np.column_stack([np.cos(t), np.sin(t)]) * ragged[:, None]
    cv2.fillPoly(sheet, [np.round(outline).astype(np.int32)], colour.tolist())


def save_jpeg(
    rgb: NDArray[np.uint8], path: Path, camera: Camera, exif: dict[str, object] | None
) -> None:
    """Write a JPEG as the camera would."""
    from PIL import ExifTags, Image

    image = Image.fromarray(rgb)
    extra: dict[str, object] = {}
    if exif:
        tags = Image.Exif()
        tags[ExifTags.Base.Make] = exif["make"]
        tags[ExifTags.Base.Model] = exif["model"]
        tags[ExifTags.Base.Software] = "lawnscore demo (rendered, not a photograph)"
        inner = tags.get_ifd(ExifTags.IFD.Exif)
        inner[ExifTags.Base.DateTimeOriginal] = exif["taken"]
        if exif["offset"]:
            inner[ExifTags.Base.OffsetTimeOriginal] = exif["offset"]
        inner[ExifTags.Base.FocalLengthIn35mmFilm] = exif["focal_35mm"]
        extra["exif"] = tags
    subsampling = {"4:4:4": 0, "4:2:2": 1, "4:2:0": 2}[camera.chroma]
    image.save(path, "JPEG", quality=camera.jpeg_quality, subsampling=subsampling, **extra)
