"""Flattened ground through a camera, with the share of each surface a cell: for training.

Cheaper than a whole photo: no perspective. The card lies beside the sample in the same frame, so
that its patches go through the same exposure, local tone mapping and JPEG as the ground.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.demo import develop, lighting, spectra
from lawnscore.demo.camera import Camera, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.photograph import lit_card
from lawnscore.demo.printed_card import PrintedCard, print_card
from lawnscore.demo.scene import Scene
from lawnscore.demo.spectra import Floats
from lawnscore.demo.truth import CELL_MM, cell_shares

_SIDE_MM = 240.0  # of the strip beside the sample in which the card lies
_OPEN = 0.9  # visibility of the sun above which leaf counts as lit like the card
_FEWEST_LEAF_PX = 2000


@dataclass(frozen=True, eq=False)
class GroundSample:
    """One sample.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, camera-encoded, flattened.
    mm_per_px
        Of ``rgb``.
    shares
        (Hc, Wc, 5) true shares: green, straw, soil, cast, litter, in cells of ``cell_mm``.
    casts
        (n, 3): x, y, diameter, mm from the top-left corner of ``rgb``.
    corrected
        (H, W, 3) float32 true linear sRGB under D65, relative to level white in open light.
    sun
        (H, W) float32 large-scale visibility of the sun, 1 in the open.
    patch_rgb, patch_sd
        (n, 3) the camera's mean values 0 to 1 of the card's patches, and their spread.
    patch_linear
        (n, 3) true linear sRGB of the printed patches under D65.
    leaf
        (3,) mean of ``corrected`` over leaf alone, in open light, pixel by pixel of the scene; NaN
        where there is hardly any.
    """

    rgb: NDArray[np.uint8]
    mm_per_px: float
    shares: NDArray[np.float32]
    cell_mm: float
    casts: Floats
    corrected: NDArray[np.float32]
    sun: NDArray[np.float32]
    patch_rgb: Floats
    patch_sd: Floats
    patch_linear: Floats
    leaf: Floats


def photograph_ground(
    scene: Scene,
    light: Light,
    camera: Camera,
    *,
    seed: int,
    mm_per_px: float = 1.0,
    native_mm_per_px: float | None = None,
    card: PrintedCard | str = "turf-a5",
) -> GroundSample:
    """Render the whole of a small scene flat, through light and camera.

    Parameters
    ----------
    seed
        Of noise and of the native scale.
    mm_per_px
        Scale of the sample.
    native_mm_per_px
        Scale at which the camera works (blur, noise, sharpening, JPEG); None draws one between
        0.45 and 0.9.
    card
        A printed card or the name of a design.
    """
    rng = np.random.default_rng(seed)
    native = native_mm_per_px or float(rng.uniform(0.45, 0.9))
    printed = print_card(card) if isinstance(card, str) else card
    fall = lighting.fall_of_light(
        scene.number, scene.height, scene.code, light, mm_per_px=scene.mm_per_px
    )
    to_rgb = camera.to_linear(light)
    linear = lighting.radiance(fall, scene.reflectance, light, to_rgb)
    size = (round(scene.spec.width_mm / mm_per_px), round(scene.spec.height_mm / mm_per_px))
    rgb, patch_rgb, patch_sd = _through_camera(
        linear, printed, light, camera, to_rgb, native=native, scene_mm=scene.mm_per_px,
        size=size, seed=seed,
    )  # fmt: skip
    true = lighting.radiance(fall, scene.reflectance, light.as_d65(), spectra.d65_matrix())
    sun = np.ones(scene.number.shape, np.float32) if fall.sun is None else fall.sun
    open_leaf = (scene.surface == 0) & (sun > _OPEN)
    enough = int(open_leaf.sum()) >= _FEWEST_LEAF_PX
    return GroundSample(
        rgb, mm_per_px, cell_shares(scene.surface, scene.mm_per_px), CELL_MM, scene.casts,
        _f32(cv2.resize(true, size, interpolation=cv2.INTER_AREA)),
        _f32(cv2.resize(sun, size, interpolation=cv2.INTER_AREA)),
        patch_rgb, patch_sd, spectra.to_linear_srgb(printed.patch_reflectance),
        np.asarray(true[open_leaf].mean(axis=0) if enough else np.full(3, np.nan), np.float64),
    )  # fmt: skip


def _through_camera(
    linear: NDArray[np.float32],
    printed: PrintedCard,
    light: Light,
    camera: Camera,
    to_rgb: Floats,
    *,
    native: float,
    scene_mm: float,
    size: tuple[int, int],
    seed: int,
) -> tuple[NDArray[np.uint8], Floats, Floats]:
    """Develop ground and card in one frame; return the ground and the card's patches."""
    h, w = round(linear.shape[0] * scene_mm / native), round(linear.shape[1] * scene_mm / native)
    ground = cv2.resize(linear, (w, h), interpolation=cv2.INTER_AREA)
    strip = round(_SIDE_MM / native)
    frame = _f32(cv2.copyMakeBorder(ground, 0, 0, strip, 0, cv2.BORDER_REFLECT))
    sheet = lit_card(printed, replace(light, shade="none"), to_rgb, View(), seed)
    card_size = (round(printed.design.width_mm / native), round(printed.design.height_mm / native))
    sheet = _f32(cv2.resize(sheet, card_size, interpolation=cv2.INTER_AREA))
    top, left = (h - card_size[1]) // 2, (strip - card_size[0]) // 2
    frame[top : top + card_size[1], left : left + card_size[0]] = sheet
    picture = jpeg_round_trip(develop.develop(frame, camera, seed=seed), camera)
    patch_rgb, patch_sd = _read_patches(picture, printed, native, (left, top))
    ground_rgb = cv2.resize(picture[:, strip:], size, interpolation=cv2.INTER_AREA)
    return np.asarray(ground_rgb, np.uint8), patch_rgb, patch_sd


def _read_patches(
    picture: NDArray[np.uint8], printed: PrintedCard, native: float, corner: tuple[int, int]
) -> tuple[Floats, Floats]:
    means, spreads = [], []
    for patch in printed.design.patches:
        (x, y), (w, h) = patch.centre_mm, patch.size_mm
        cols = slice(
            corner[0] + round((x - 0.3 * w) / native), corner[0] + round((x + 0.3 * w) / native)
        )
        rows = slice(
            corner[1] + round((y - 0.3 * h) / native), corner[1] + round((y + 0.3 * h) / native)
        )
        part = picture[rows, cols].reshape(-1, 3) / 255.0
        means.append(part.mean(axis=0))
        spreads.append(part.std(axis=0))
    return np.array(means), np.array(spreads)


def jpeg_round_trip(rgb: NDArray[np.uint8], camera: Camera) -> NDArray[np.uint8]:
    """Encode and decode a picture as the camera's JPEG."""
    sampling = {"4:4:4": 0x111111, "4:2:2": 0x211111, "4:2:0": 0x221111}[camera.chroma]
    options = [
        cv2.IMWRITE_JPEG_QUALITY, camera.jpeg_quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling,
    ]  # fmt: skip
    data = cv2.imencode(".jpg", rgb[..., ::-1], options)[1]
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)
    return np.ascontiguousarray(decoded[..., ::-1])


def _f32(values: object) -> NDArray[np.float32]:
    return np.asarray(values, dtype=np.float32)
