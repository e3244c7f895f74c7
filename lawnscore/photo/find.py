"""Find the card: which one, where the camera stood, and what colours the camera saw on it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import CardDesign
from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.chart import find_chart
from lawnscore.photo.checks import refuse_failed
from lawnscore.photo.markers import find_markers
from lawnscore.photo.pose import Pose, pose_errors, solve_pose, tilt_deg
from lawnscore.photo.read import Photo
from lawnscore.photo.sharpness import check_sharpness

Array = NDArray[np.float64]

_PATCH_CORE = 0.62
"""Share of a patch's side that is sampled: clear of its edges at the blur of a phone photo."""
_SAMPLES = 8
"""Samples along the side of a patch."""
_CLIP_HIGH, _CLIP_LOW = 253, 2
"""Camera values beyond which a sample carries no colour (8 bit; common practice, no source)."""
_MAX_CLIPPED = 0.03
"""Share of clipped samples that a patch may have."""
_UNEVEN = 4.0
"""A patch whose samples spread this many times the usual is not one flat colour."""
_UNEVEN_FLOOR = 0.02
_MIN_NEAR = 0.6
_GLARE_STEP = 40
"""A burnt patch this much darker (sRGB 0-255) than bright ones that are not burnt glares."""
_MIN_GLARING = 4
_MIN_PATCHES = 18
_MIN_NEUTRALS = 4
_MAX_TILT_DEG = 60.0

COARSEST_MM = 2.2
"""Ground under one pixel of the photo as read beyond which leaf and straw blend, mm (measured)."""


def find_card(photo: Photo, design: CardDesign | None = None) -> CardFit:
    """Return the card in the photo.

    Parameters
    ----------
    photo
        The photo.
    design
        The card that must be there; ``None`` takes the turf card whose markers are in sight.

    Raises
    ------
    PhotoRefused
        ``cardless``, ``mirrored``, ``covered``, ``glaring``, ``tilted``, ``coarse``, ``blurred``,
        ``overexposed`` or ``underexposed``.
    """
    if design is not None and not design.markers:
        chart = find_chart(photo, design)
        points_mm, pixels = chart.points_mm, chart.points_px
        step, n_markers = chart.pixel_step, 0
    else:
        seen = find_markers(photo, design)
        design = seen.design
        points_mm, pixels = seen.points_mm, seen.corners_px
        step, n_markers = seen.pixel_step, len(seen.ids)
    pose = solve_pose(
        points_mm,
        pixels,
        (photo.width_px, photo.height_px),
        focal_35mm=photo.focal_35mm,
        pixel_step=step,
    )
    if tilt_deg(pose.rotation) > _MAX_TILT_DEG:
        raise PhotoRefused("tilted", where=photo.path)
    homography, _ = cv2.findHomography(points_mm.reshape(-1, 2), pixels.reshape(-1, 2))
    return _card_fit(photo, design, pose, np.asarray(homography, dtype=np.float64), n_markers)


def _card_fit(
    photo: Photo, design: CardDesign, pose: Pose, homography: Array, n_markers: int
) -> CardFit:
    rgb, sd, state = sample_patches(photo, homography, design)
    scale, scale_se, tilt_se = pose_errors(
        pose, (photo.width_px, photo.height_px), design.centre_mm
    )
    corners = np.array(design.corners_mm).reshape(-1, 1, 2)
    sheet = cv2.perspectiveTransform(corners, homography)
    fit = CardFit(
        design=design,
        pose=pose,
        mm_per_px=scale,
        mm_per_px_se=scale_se,
        tilt_deg=tilt_deg(pose.rotation),
        tilt_se_deg=tilt_se,
        n_markers=n_markers,
        sheet_px=np.asarray(sheet, dtype=np.float64).reshape(4, 2),
        patch_rgb=rgb,
        patch_sd=sd,
        patch_ok=state == "ok",
        patch_state=tuple(state.tolist()),
    )
    refuse_unreadable(photo, fit)
    return fit


def _patch_samples(photo: Photo, homography: Array, design: CardDesign) -> tuple[Array, Array]:
    """Return camera values ``(n, s, 3)`` 0-255 of each patch and which lie in the frame."""
    centres = np.array([p.centre_mm for p in design.patches])
    sizes = np.array([p.size_mm for p in design.patches])
    at = (np.arange(_SAMPLES) + 0.5) / _SAMPLES - 0.5
    unit = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2) * _PATCH_CORE
    points = centres[:, None] + sizes[:, None] * unit
    pixels = cv2.perspectiveTransform(points.reshape(-1, 1, 2), homography).reshape(-1, 2)
    pixels = (pixels + 0.5) / photo.reduction - 0.5
    height, width = photo.rgb.shape[:2]
    inside = np.all((pixels >= 0) & (pixels <= [width - 1, height - 1]), axis=1)
    maps = pixels.reshape(len(centres), -1, 2).astype(np.float32)
    values = cv2.remap(
        photo.rgb, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return values.astype(np.float64), inside.reshape(len(centres), -1)


def sample_patches(
    photo: Photo, homography: Array, design: CardDesign
) -> tuple[Array, Array, NDArray[np.str_]]:
    """Return mean and spread of each patch, ``(n, 3)`` 0 to 1, and how it reads, ``(n,)``."""
    values, inside = _patch_samples(photo, homography, design)
    middle = np.median(values, axis=1, keepdims=True)
    sd = 1.4826 * np.median(np.abs(values - middle), axis=1)  # robust, normal-consistent
    # Mean of what lies within three spreads: a blade or a grain of soil on the patch drops out.
    near = np.all(np.abs(values - middle) <= 3 * np.maximum(sd, 1.5)[:, None], axis=2)
    weight = near / np.maximum(near.sum(axis=1, keepdims=True), 1)
    mean = np.einsum("ns,nsc->nc", weight, values)
    mean = np.where(near.any(axis=1)[:, None], mean, middle[:, 0])
    high = np.any(values >= _CLIP_HIGH, axis=2).mean(axis=1) > _MAX_CLIPPED
    low = np.any(values <= _CLIP_LOW, axis=2).mean(axis=1) > _MAX_CLIPPED
    spread = sd.max(axis=1) / 255
    flat = spread <= np.maximum(_UNEVEN * np.median(spread), _UNEVEN_FLOOR)
    flat &= near.mean(axis=1) > _MIN_NEAR
    state = np.select(
        [~inside.all(axis=1), high & _dark_ink(design, high), high | low, ~flat],
        ["outside", "glaring", "clipped", "uneven"],
        "ok",
    )
    return mean / 255, np.maximum(sd, 0.5) / 255, state


def _dark_ink(design: CardDesign, high: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which patches are darker than others that are not burnt out.

    Too much light burns the bright patches first; the sun in the gloss burns any.
    """
    nominal = np.array([max(p.srgb) for p in design.patches])
    if high.all():
        return np.zeros_like(high)
    return np.asarray(nominal < np.percentile(nominal[~high], 80) - _GLARE_STEP, dtype=np.bool_)


def refuse_unreadable(photo: Photo, fit: CardFit) -> None:
    """Raise when too few patches can be read, with what hides them.

    Raises
    ------
    PhotoRefused
        ``coarse``, ``blurred``, ``covered``, ``glaring``, ``overexposed`` or ``underexposed``.
    """
    state = np.array(fit.patch_state)
    neutral = np.array([p.kind == "neutral" for p in fit.design.patches])
    ok = state == "ok"
    if ok.sum() >= min(_MIN_PATCHES, len(ok) // 2) and (ok & neutral).sum() >= _MIN_NEUTRALS:
        return
    count = {word: int(np.count_nonzero(state == word)) for word in ("glaring", "clipped")}
    detail = f"only {int(ok.sum())} of {len(ok)} patches can be read"
    if count["glaring"] + count["clipped"] <= len(ok) / 3:
        if fit.mm_per_px > COARSEST_MM:
            raise PhotoRefused("coarse", f"a pixel covers {fit.mm_per_px:.1f} mm", photo.path)
        refuse_failed([check_sharpness(photo, fit)])
        raise PhotoRefused("covered", detail, photo.path)
    if count["glaring"] >= _MIN_GLARING:
        raise PhotoRefused("glaring", detail, photo.path)
    bright = float(np.median(photo.rgb[::8, ::8])) > 100
    raise PhotoRefused("overexposed" if bright else "underexposed", detail, photo.path)
