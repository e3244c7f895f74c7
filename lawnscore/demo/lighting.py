"""Light a scene: what each ground pixel sends up, per channel of any linear response.

Modelled: direct sun on tilted facets with hard shadows from a walk over the height field, light
that passes through leaves, a neutral gloss, sky light dimmed in the gaps of the sward, green light
that filters into the gaps, and large shadows (an edge, or dapple). Not modelled: mutual
reflection between neighbouring things, polarisation, and the direction of view.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from lawnscore.demo import spectra
from lawnscore.demo.camera import Light
from lawnscore.demo.materials import GREEN, LITTER, MOSS, WEED, YELLOWING
from lawnscore.demo.spectra import Floats
from lawnscore.demo.sward import HEIGHT_STEP_MM, TILT_LEVELS_DEG, normals_of_codes, strips

_AO_LEVELS = 16
_CREVICES = ((14.0, 9.0, 0.12), (3.5, 4.0, 0.45))  # reach, depth that closes, least openness
_SHADOW_WALK_MM = (1.0, 2.0, 3.5, 5.5, 8.0, 12.0, 18.0, 27.0)
_GAP_LIGHT = 0.10  # light that reaches the floor of a deep gap through leaves, share of all light
_TRANSLUCENT = (GREEN, YELLOWING, MOSS, WEED, LITTER)
_PASSED = 0.55  # light passed by a leaf over light reflected (half and half, less absorption)


@dataclass(frozen=True, eq=False)
class GroundLight:
    """How light falls on a scene, before any colour.

    Parameters
    ----------
    facet
        (H, W) uint16: palette number, code of direction and micro-shadow packed in 15 bits.
    sky
        (H, W) uint16: palette number, openness to the sky and tilt packed in 14 bits.
    sun
        (H, W) float32 large-scale visibility of the sun 0 to 1, or None where it is 1.
    """

    facet: NDArray[np.uint16]
    sky: NDArray[np.uint16]
    sun: NDArray[np.float32] | None

    def at(self, pick: NDArray[np.bool_], *, every: int = 1) -> GroundLight:
        """Return the picked pixels in a row, in open light.

        ``pick`` is a mask (h, w) of every n-th pixel each way.
        """
        thin = (slice(None, None, every), slice(None, None, every))
        return GroundLight(self.facet[thin][pick][None], self.sky[thin][pick][None], None)


def fall_of_light(
    number: NDArray[np.uint8],
    height: NDArray[np.uint8],
    code: NDArray[np.uint8],
    light: Light,
    *,
    mm_per_px: float,
    origin_mm: tuple[float, float] = (0.0, 0.0),
) -> GroundLight:
    """Work out shadows and openness of a piece of scene.

    Parameters
    ----------
    number, height, code
        (H, W) uint8 of a scene or of a part of it.
    origin_mm
        Place of the part in its scene, so that large shadows stay where they are.
    """
    facet = code.astype(np.uint16)
    facet <<= 8
    facet |= number
    if light.sun_share > 0:
        shadow = _micro_shadow(height, light, mm_per_px)
        facet |= (shadow & np.uint8(64)).astype(np.uint16) << 8
    sky = (code & np.uint8(48)).astype(np.uint16)  # the tilt alone: the sky is even all round
    sky |= _openness_level(height, mm_per_px)
    sky <<= 8
    sky |= number
    sun = None
    if light.shade != "none":
        sun = sun_visibility(light, number.shape, mm_per_px=mm_per_px, origin_mm=origin_mm)
    return GroundLight(facet, sky, sun)


def _openness_level(height: NDArray[np.uint8], mm_per_px: float) -> NDArray[np.uint8]:
    """Return how open to the sky each pixel lies, 0 to 15: the lesser of gap and crevice."""
    least: NDArray[np.uint8] | None = None
    for reach_mm, closed_mm, floor in _CREVICES:
        around = cv2.blur(height, (round(reach_mm / mm_per_px) | 1,) * 2)
        depth = cv2.subtract(around, height)  # 0.25 mm steps; 0 where the pixel stands out
        openness = np.clip(1.0 - np.arange(256) * HEIGHT_STEP_MM / closed_mm, floor, 1.0)
        level = cv2.LUT(depth, np.round(openness * (_AO_LEVELS - 1)).astype(np.uint8))
        least = np.asarray(level if least is None else cv2.min(least, level), np.uint8)
    assert least is not None
    return least


def _micro_shadow(height: NDArray[np.uint8], light: Light, mm_per_px: float) -> NDArray[np.uint8]:
    """Return 255 where something nearby hides the sun, else 0."""
    rise = np.tan(np.deg2rad(max(light.sun_elevation_deg, 4.0)))
    dx, dy = light.sun_direction()[:2] / max(np.cos(np.deg2rad(light.sun_elevation_deg)), 1e-6)
    h, w = height.shape
    blocker = np.zeros_like(height)
    for step_mm in _SHADOW_WALK_MM:
        sx, sy = round(dx * step_mm / mm_per_px), round(dy * step_mm / mm_per_px)
        drop = step_mm * rise / HEIGHT_STEP_MM + 3.0
        if drop > 200 or (sx == 0 and sy == 0) or abs(sx) >= w or abs(sy) >= h:
            continue
        to = (slice(max(-sy, 0), h - max(sy, 0)), slice(max(-sx, 0), w - max(sx, 0)))
        source = (slice(max(sy, 0), h - max(-sy, 0)), slice(max(sx, 0), w - max(-sx, 0)))
        # Not below 0; a number is as good as an array, which the stubs do not know.
        lowered = cv2.subtract(height[source], float(np.ceil(drop)))  # type: ignore[call-overload]
        np.maximum(blocker[to], lowered, out=blocker[to])
    return np.asarray(cv2.compare(blocker, height, cv2.CMP_GT), dtype=np.uint8)


def sun_visibility(
    light: Light,
    shape: tuple[int, ...],
    *,
    mm_per_px: float,
    origin_mm: tuple[float, float] = (0.0, 0.0),
) -> NDArray[np.float32]:
    """Return the large-scale visibility of the sun, (H, W), 0 in full shade to 1.

    An edge divides the plane so that ``shade_share`` of 2 m around ``shade_at_mm`` is shaded;
    dapple is a threshold on smooth noise, its rim as wide as ``shade_soft_mm``.
    """
    step_px = max(1, round(4.0 / mm_per_px))
    rows, cols = -(-shape[0] // step_px) + 1, -(-shape[1] // step_px) + 1
    y = origin_mm[1] + (np.arange(rows, dtype=np.float64) + 0.5) * step_px * mm_per_px
    x = origin_mm[0] + (np.arange(cols, dtype=np.float64) + 0.5) * step_px * mm_per_px
    field = _shade_field(light, x, y)
    wide = cv2.resize(field, (cols * step_px, rows * step_px), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(wide[: shape[0], : shape[1]])


def _shade_field(light: Light, x_mm: Floats, y_mm: Floats) -> NDArray[np.float32]:
    soft = max(light.shade_soft_mm, 2.0)
    if light.shade == "none":
        return np.ones((y_mm.size, x_mm.size), np.float32)
    if light.shade == "edge":
        a = np.deg2rad(light.shade_angle_deg)
        x0, y0 = light.shade_at_mm
        along = (x_mm[None, :] - x0) * np.cos(a) + (y_mm[:, None] - y0) * np.sin(a)
        signed = along - 1900.0 * (light.shade_share - 0.5)
        return np.asarray(np.clip(0.5 + signed / soft, 0.0, 1.0), dtype=np.float32)
    # Dapple: waves of many directions and lengths, the same function everywhere on the plane.
    rng = np.random.default_rng(light.shade_seed)
    total = np.zeros((y_mm.size, x_mm.size))
    n_waves = 40
    for _ in range(n_waves):
        k = 2 * np.pi / rng.lognormal(np.log(320.0), 0.7)
        a, phase = rng.uniform(0, 2 * np.pi, 2)
        total += np.cos(k * (x_mm[None, :] * np.cos(a) + y_mm[:, None] * np.sin(a)) + phase)
    total /= np.sqrt(n_waves / 2.0)
    # A sum of many waves is nearly normal; the level must not hang on the piece looked at.
    level = float(ndtri(np.clip(light.shade_share, 1e-3, 1.0 - 1e-3)))
    slope = soft / 110.0  # the noise changes by its spread over about 110 mm
    return np.asarray(np.clip(0.5 + (total - level) / slope, 0.0, 1.0), dtype=np.float32)


def radiance(
    fall: GroundLight, reflectance: Floats, light: Light, to_rgb: Floats
) -> NDArray[np.float32]:
    """Return what each pixel sends up, (H, W, 3), linear, white level ground in the open is 1.

    Parameters
    ----------
    fall
        From :func:`fall_of_light`.
    reflectance
        (256, 31) of the palette.
    to_rgb
        (31, 3): a camera's :meth:`~lawnscore.demo.camera.Camera.to_linear`.
    """
    sun_table = _sun_table(reflectance, light, to_rgb)
    sky_table = _sky_table(reflectance, light, to_rgb)
    out = np.empty((*fall.sky.shape, 3), np.float32)
    for rows in strips(out.shape):
        part = out[rows]
        # clip: unbuffered, thrice as fast
        np.take(sky_table, fall.sky[rows], axis=0, mode="clip", out=part)
        if light.sun_share > 0:
            direct = np.take(sun_table, fall.facet[rows], axis=0, mode="clip")
            if fall.sun is not None:
                direct *= fall.sun[rows][..., None]
            cv2.add(part, direct, part)
    if light.sun_share > 0 and fall.sun is not None and light.shade_green > 0:
        passed = 0.12 * light.shade_green * light.sun_share * spectra.leaf_transmittance()
        leafy = np.take((reflectance * passed) @ to_rgb, fall.sky & 255, axis=0)
        out += leafy.astype(np.float32) * (1.0 - fall.sun[..., None])
    return out


def mean_radiance(fall: GroundLight, reflectance: Floats, light: Light, to_rgb: Floats) -> Floats:
    """Return the mean (3,) of :func:`radiance` over all pixels, large shadows left aside.

    How often each entry of the tables occurs is counted, so that no pixel is coloured.
    """
    sky_table = _sky_table(reflectance, light, to_rgb)
    total = _sum_of(sky_table, fall.sky)
    if light.sun_share > 0:
        total += _sum_of(_sun_table(reflectance, light, to_rgb), fall.facet)
    return np.asarray(total / max(fall.sky.size, 1))


def _sum_of(table: NDArray[np.float32], index: NDArray[np.uint16]) -> Floats:
    n = np.bincount(index.ravel(), minlength=len(table)).astype(np.float64)
    return np.asarray(n @ table.astype(np.float64))


def _sun_table(reflectance: Floats, light: Light, to_rgb: Floats) -> NDArray[np.float32]:
    """Return the sun's part for each packed facet, (32768, 3); zero in micro-shadow."""
    normals, sun = normals_of_codes(), light.sun_direction()
    facing = normals @ sun / max(sun[2], 0.07)
    coloured = (reflectance * light.sun_spectrum()) @ to_rgb
    passed = np.zeros((256, 3))
    for block in _TRANSLUCENT:
        rows = slice(block.first, block.first + block.count)
        through = np.clip(reflectance[rows] - 0.02, 0.0, 1.0)
        passed[rows] = _PASSED * ((through * light.sun_spectrum()) @ to_rgb)
    front = np.clip(facing, 0.0, 3.0)[:, None, None] * coloured[None]
    behind = np.clip(-facing, 0.0, 3.0)[:, None, None] * passed[None]
    half = sun + np.array([0.0, 0.0, 1.0])
    half /= np.linalg.norm(half)
    gloss = np.zeros((64, 256, 1))
    shiny = [b for b in _TRANSLUCENT if b is not MOSS]
    lobe = 0.22 * np.clip(normals @ half, 0, 1) ** 24 / max(sun[2], 0.15) * sun[2]
    for block in shiny:
        gloss[:, block.first : block.first + block.count, 0] = lobe[:, None]
    mirror = gloss * (light.sun_spectrum() @ to_rgb)
    lit = front + behind + mirror
    dark = np.zeros_like(lit)
    for block in _TRANSLUCENT:  # a shaded leaf still gets what passes through its neighbours
        rows = slice(block.first, block.first + block.count)
        dark[:, rows] = 0.10 * passed[rows]
    return np.concatenate([lit, dark]).reshape(-1, 3).astype(np.float32)


def _sky_table(reflectance: Floats, light: Light, to_rgb: Floats) -> NDArray[np.float32]:
    """Return the sky's part for each packed tilt and openness, (4 * 16 * 256, 3).

    A facet tilted by t sees (1 + cos t) / 2 of an even sky; under clouds, whose light falls
    from overhead (CIE overcast sky: the zenith is three times the horizon), it loses a quarter
    more of the rest.
    """
    openness = (np.arange(_AO_LEVELS) / (_AO_LEVELS - 1))[None, :, None, None]
    lean = (1.0 - np.cos(np.deg2rad(np.array(TILT_LEVELS_DEG) - TILT_LEVELS_DEG[0]))) / 2.0
    seen = (1.0 - 1.25 * lean)[:, None, None, None]
    open_sky = ((reflectance * light.sky_spectrum()) @ to_rgb)[None, None]
    leafy = _GAP_LIGHT * spectra.leaf_transmittance()
    gap = ((reflectance * leafy) @ to_rgb)[None, None]
    table = openness * seen * open_sky + (1.0 - openness) * gap
    return table.reshape(-1, 3).astype(np.float32)
