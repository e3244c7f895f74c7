"""Take a photo of a scene: pose, card in perspective, lens, sensor and phone processing."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import CardDesign
from lawnscore.demo import develop, lighting
from lawnscore.demo.camera import Camera, Light
from lawnscore.demo.geometry import View, bounds_mm, card_to_scene, pose, scale_at, scene_to_photo
from lawnscore.demo.printed_card import RASTER_DPI, PrintedCard, print_card
from lawnscore.demo.scene import Scene
from lawnscore.demo.spectra import Floats


@dataclass(frozen=True, eq=False)
class Photograph:
    """A rendered photo and how it came about.

    Parameters
    ----------
    rgb
        (h, w, 3) uint8 as the phone shows it, upright.
    scene, light, camera, view, card
        What was photographed, how; ``card`` is None when none lay there.
    scene_to_px
        (3, 3) homography from scene mm to photo px.
    card_to_px
        (3, 3) homography from card mm to photo px.
    mm_per_px, tilt_deg
        At the centre of the card (or of the photo without one).
    taken_at
        ISO 8601, with offset.
    """

    rgb: NDArray[np.uint8]
    scene: Scene
    light: Light
    camera: Camera
    view: View
    card: PrintedCard | None
    scene_to_px: Floats
    card_to_px: Floats
    mm_per_px: float
    tilt_deg: float
    seed: int
    taken_at: str = ""
    exif: dict[str, object] = field(default_factory=dict)

    def save_jpeg(self, path: Path | str, *, exif: bool = True) -> None:
        """Write the photo as JPEG with the camera's quality, chroma sampling and EXIF."""
        develop.save_jpeg(self.rgb, Path(path), self.camera, self.exif if exif else None)

    def truth_within(
        self, polygon_px: Floats | None = None, *, rim_mm: float = 0.0
    ) -> dict[str, float]:
        """Return true measures of the ground inside a polygon of the photo.

        Parameters
        ----------
        polygon_px
            (k, 2) corners x, y in photo px; None is the whole photo.
        rim_mm
            Ground around the card that is left out beside the card itself.
        """
        from lawnscore.demo.truth import measures_within

        return measures_within(self, polygon_px, rim_mm=rim_mm)


def photograph(
    scene: Scene,
    light: Light,
    camera: Camera,
    view: View,
    *,
    seed: int,
    card: PrintedCard | str | None = "turf-a5",
    taken_at: str = "2024-05-14T10:30:00+01:00",
) -> Photograph:
    """Photograph a scene.

    Parameters
    ----------
    scene, light, camera, view
        What, in which light, with what, from where. Beyond the scene's edge its mirror image
        goes on.
    seed
        Of noise and of what lies on the card.
    card
        A printed card, the name of a design (printed by the usual office printer), or None.

    Returns
    -------
    Photograph
    """
    printed = print_card(card) if isinstance(card, str) else card
    to_px = scene_to_photo(view, camera.focal_35mm)
    to_rgb = camera.to_linear(light)
    linear = _ground_image(scene, light, to_rgb, view, to_px)
    card_px = to_px @ card_to_scene(view, printed.design if printed else None)
    if printed is not None:
        _lay_card(linear, printed, light, to_rgb, view, card_px, seed)
    rgb = develop.develop(linear, camera, seed=seed)
    if view.mirrored:
        rgb = np.ascontiguousarray(rgb[:, ::-1])
    centre = np.asarray(view.card_centre_mm if printed else view.aim_mm)
    return Photograph(
        rgb, scene, light, camera, view, printed, to_px, card_px,
        scale_at(to_px, centre), view.tilt_deg, seed, taken_at,
        _exif(camera, taken_at),
    )  # fmt: skip


def _exif(camera: Camera, taken_at: str) -> dict[str, object]:
    moment = datetime.fromisoformat(taken_at)
    return {
        "make": "Rendered",
        "model": f"invented camera {camera.name}",
        "taken": moment.strftime("%Y:%m:%d %H:%M:%S"),
        "offset": moment.strftime("%z")[:3] + ":" + moment.strftime("%z")[3:]
        if moment.tzinfo
        else "",
        "focal_35mm": round(camera.focal_35mm),
    }


def _ground_image(
    scene: Scene, light: Light, to_rgb: Floats, view: View, to_px: Floats
) -> NDArray[np.float32]:
    """Return the lit ground as the lens sees it, (h, w, 3) linear."""
    left, top, right, bottom = _crop_px(scene, view, to_px)
    part = (slice(top, bottom), slice(left, right))
    fall = lighting.fall_of_light(
        np.ascontiguousarray(scene.number[part]), np.ascontiguousarray(scene.height[part]),
        np.ascontiguousarray(scene.code[part]), light, mm_per_px=scene.mm_per_px,
        origin_mm=(left * scene.mm_per_px, top * scene.mm_per_px),
    )  # fmt: skip
    ground = lighting.radiance(fall, scene.reflectance, light, to_rgb)
    scale = scale_at(to_px, np.asarray(view.aim_mm)) / scene.mm_per_px
    shrink = max(1, round(scale)) if scale >= 1.5 else 1
    if shrink > 1:
        size = (ground.shape[1] // shrink, ground.shape[0] // shrink)
        trimmed = ground[: size[1] * shrink, : size[0] * shrink]
        ground = _f32(cv2.resize(trimmed, size, interpolation=cv2.INTER_AREA))
    else:
        ground = _f32(cv2.GaussianBlur(ground, (3, 3), 0.6))  # scene pixels are hard-edged
    step = scene.mm_per_px * shrink
    from_part = np.array([
        [step, 0.0, left * scene.mm_per_px + step / 2],
        [0.0, step, top * scene.mm_per_px + step / 2],
        [0.0, 0.0, 1.0],
    ])  # fmt: skip
    return np.asarray(
        cv2.warpPerspective(
            ground, to_px @ from_part, (view.width_px, view.height_px),
            flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT,
        ),
        dtype=np.float32,
    )  # fmt: skip


def _crop_px(scene: Scene, view: View, to_px: Floats) -> tuple[int, int, int, int]:
    """Return the part of the scene that is in view, with a margin for shadows."""
    x0, y0, x1, y1 = bounds_mm(view, to_px)
    margin = 40.0
    h, w = scene.number.shape
    left = int(np.clip((x0 - margin) / scene.mm_per_px, 0, w - 2))
    top = int(np.clip((y0 - margin) / scene.mm_per_px, 0, h - 2))
    right = int(np.clip((x1 + margin) / scene.mm_per_px, left + 2, w))
    bottom = int(np.clip((y1 + margin) / scene.mm_per_px, top + 2, h))
    # Where the view leaves the scene its mirror image goes on: keep enough to mirror.
    if x0 < 0:
        right = max(right, int(min(w, (margin - x0) / scene.mm_per_px)))
    if y0 < 0:
        bottom = max(bottom, int(min(h, (margin - y0) / scene.mm_per_px)))
    if x1 > w * scene.mm_per_px:
        left = min(left, int(max(0, 2 * w - (x1 + margin) / scene.mm_per_px)))
    if y1 > h * scene.mm_per_px:
        top = min(top, int(max(0, 2 * h - (y1 + margin) / scene.mm_per_px)))
    return left, top, right, bottom


def _lay_card(
    linear: NDArray[np.float32],
    card: PrintedCard,
    light: Light,
    to_rgb: Floats,
    view: View,
    card_px: Floats,
    seed: int,
) -> None:
    """Lay the lit card over the ground, in place."""
    sheet = lit_card(card, light, to_rgb, view, seed)
    photo_mm = scale_at(card_px, np.asarray(card.design.centre_mm))
    shrink = max(1, int(photo_mm / card.mm_per_px / 1.1))
    if shrink > 1:
        size = (sheet.shape[1] // shrink, sheet.shape[0] // shrink)
        sheet = _f32(cv2.resize(sheet, size, interpolation=cv2.INTER_AREA))
    step_x = card.design.width_mm / sheet.shape[1]
    step_y = card.design.height_mm / sheet.shape[0]
    to_mm = np.array([[step_x, 0, step_x / 2], [0, step_y, step_y / 2], [0, 0, 1.0]])
    h, w = linear.shape[:2]
    corners = cv2.perspectiveTransform(
        np.asarray(card.design.corners_mm, np.float64).reshape(1, -1, 2), card_px
    )[0]
    x0, y0 = np.clip(np.floor(corners.min(axis=0)).astype(int) - 12, 0, [w, h])
    x1, y1 = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 12, 0, [w, h])
    if x1 <= x0 or y1 <= y0:
        return
    shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
    matrix = shift @ card_px @ to_mm
    size = (int(x1 - x0), int(y1 - y0))
    image = cv2.warpPerspective(
        sheet, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    whole = np.ones(sheet.shape[:2], np.float32)
    cover = _f32(cv2.warpPerspective(whole, matrix, size, flags=cv2.INTER_LINEAR))
    below = linear[y0:y1, x0:x1]
    below *= _contact_shadow(cover, light, _shadow_direction(view, light), photo_mm)[..., None]
    below += (image - below) * cover[..., None]


def _shadow_direction(view: View, light: Light) -> tuple[float, float]:
    """Return where shadows fall in the photo, a unit vector, roughly."""
    a = np.deg2rad(light.sun_azimuth_deg + 180.0 - view.yaw_deg)
    return float(np.cos(a)), float(np.sin(a))


def _contact_shadow(
    cover: NDArray[np.float32], light: Light, along: tuple[float, float], mm_per_px: float
) -> NDArray[np.float32]:
    """Darken the turf at the card's rim: a sheet lies a few millimetres above the low leaves."""
    reach_px = 4.0 / mm_per_px
    shift = np.array([[1, 0, along[0] * reach_px], [0, 1, along[1] * reach_px]], dtype=np.float64)
    moved = cv2.warpAffine(cover, shift, cover.shape[::-1])
    soft = cv2.GaussianBlur(moved, (0, 0), max(1.5 / mm_per_px, 0.6))
    return np.asarray(1.0 - (0.25 + 0.45 * light.sun_share) * soft, dtype=np.float32)


def lit_card(
    card: PrintedCard, light: Light, to_rgb: Floats, view: View, seed: int
) -> NDArray[np.float32]:
    """Return the card as lit, (h, w, 3) linear, on its own raster."""
    sun_rows = ((card.reflectance * light.sun_spectrum()) @ to_rgb).astype(np.float32)
    sky_rows = ((card.reflectance * light.sky_spectrum()) @ to_rgb).astype(np.float32)
    table = np.zeros((256, 3), np.float32)
    table[: len(sun_rows)] = sun_rows + sky_rows
    h, w = card.number.shape
    if light.shade == "none":
        sheet = np.take(table, card.number, axis=0)
    else:
        sky = np.zeros((256, 3), np.float32)
        sky[: len(sky_rows)] = sky_rows
        seen = card_sun(card.design, light, view)[: card.number.shape[0], : card.number.shape[1]]
        sheet = np.take(sky, card.number, axis=0)
        sheet += (np.take(table, card.number, axis=0) - sheet) * seen[..., None]
    if view.card_warp_mm > 0 or view.card_curl_deg:
        sheet = _warp_sheet(sheet, card, view, seed)
    develop.spoil_card(sheet, view, light, to_rgb, seed=seed)
    return np.asarray(sheet[:h, :w], dtype=np.float32)


def card_sun(design: CardDesign, light: Light, view: View) -> NDArray[np.float32]:
    """Return the visibility of the sun over the card's raster, at least (h, w)."""
    mm_per_px = 25.4 / RASTER_DPI
    step = 8
    rows = -(-round(design.height_mm / mm_per_px) // step) + 1
    cols = -(-round(design.width_mm / mm_per_px) // step) + 1
    if view.card_in_shade:
        return np.zeros((rows * step, cols * step), np.float32)
    ys, xs = np.mgrid[0:rows, 0:cols] * step
    points = np.stack([xs, ys], axis=-1).reshape(-1, 1, 2) * mm_per_px
    scene_mm = cv2.perspectiveTransform(points.astype(np.float64), card_to_scene(view, design))
    scene_mm = scene_mm.reshape(-1, 2)
    low = np.floor(scene_mm.min(axis=0))
    high = scene_mm.max(axis=0)
    shape = (int(high[1] - low[1]) + 8, int(high[0] - low[0]) + 8)
    field_mm = lighting.sun_visibility(
        light, shape, mm_per_px=1.0, origin_mm=(float(low[0]), float(low[1]))
    )
    at = (scene_mm - low).astype(np.float32)
    seen = cv2.remap(
        field_mm, at[:, 0].reshape(xs.shape), at[:, 1].reshape(xs.shape), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    wide = cv2.resize(seen, (cols * step, rows * step), interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, dtype=np.float32)


def _warp_sheet(
    sheet: NDArray[np.float32], card: PrintedCard, view: View, seed: int
) -> NDArray[np.float32]:
    """Bend the sheet: where it lies higher it looks shifted towards the camera's foot."""
    h, w = sheet.shape[:2]
    camera_scene = pose(view)[2]
    back = np.linalg.inv(card_to_scene(view, card.design))
    foot = cv2.perspectiveTransform(camera_scene[:2].reshape(1, 1, 2), back).reshape(2)
    yy, xx = np.mgrid[:h, :w].astype(np.float32)
    x, y = xx * card.mm_per_px, yy * card.mm_per_px
    rng = np.random.default_rng(seed + 5)
    a = rng.uniform(0, np.pi)
    along = (x - card.design.width_mm / 2) * np.cos(a) + (y - card.design.height_mm / 2) * np.sin(a)
    lift = (
        view.card_warp_mm
        * (along / (0.5 * np.hypot(card.design.width_mm, card.design.height_mm))) ** 2
    )
    share = lift / view.distance_mm
    map_x = (x + (x - foot[0]) * -share) / card.mm_per_px
    map_y = (y + (y - foot[1]) * -share) / card.mm_per_px
    bent = cv2.remap(
        sheet, map_x.astype(np.float32), map_y.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    slope = np.cos(np.deg2rad(view.card_curl_deg))
    return np.asarray(bent * slope, dtype=np.float32)


def _f32(values: object) -> NDArray[np.float32]:
    return np.asarray(values, dtype=np.float32)
