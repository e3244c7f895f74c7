"""Was the photo taken by daylight? What the camera wrote, the paper and the ground say.

A correction by a card holds for one light, and leaf was only ever measured by day: a lamp has
another spectrum, falls off over the ground, and a camera at night is noisy.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import LUMINANCE, decode_srgb, linear_to_lab
from lawnscore.photo.checks import Check

if TYPE_CHECKING:
    from lawnscore.photo.card_fit import CardFit
    from lawnscore.photo.colour import ColourFit
    from lawnscore.photo.ground import Ground
    from lawnscore.photo.read import Photo

MIN_LUX = 300.0
"""Light on the card below which it was no day. A dark overcast day has 1,000 lux and more, a street
at night 10 to 30, a work lamp some hundred, civil twilight ends at 3 (from memory)."""

MIN_LUX_WITH_FLASH = 3000.0
"""With less light than this the flash did the lighting (our own choice, no source)."""

PAPER = 0.85
"""Luminance of the card's paper relative to a white that reflects everything, about."""

MAX_FALL = 3.0
"""Light at the brightest over that at the darkest place of the ground, of what a smooth surface of
the second order says. Ten sample photos have 1.1 to 1.5; a lamp 0.7 m above has 3 to 5."""

MIN_FALL_PART = 0.6
"""Part of the differences over the ground that the smooth surface must explain: 0.03 to 0.15 in
sample photos, 0.5 to 0.95 under such a lamp; an edge of shade explains less."""

MAX_PAPER_CHROMA = 30.0
"""CIELAB chroma of the paper as the camera shows it, from which the light is called coloured."""

_BLOCK_PX = 32
_LEAST_BLOCKS = 40


def check_daylight(photo: Photo, card_fit: CardFit) -> Check:
    """Light on the card, lux, by the exposure and how bright the paper came out.

    Passed where the camera did not write how it exposed. Burnt-out paper makes the light come out
    too low by no more than the card's other patches would show, and is refused elsewhere.
    """
    limit = MIN_LUX_WITH_FLASH if photo.flash else MIN_LUX
    lux = math.nan
    if photo.exposed_for_lux is not None:
        lux = photo.exposed_for_lux * float(_paper(card_fit) @ LUMINANCE) / PAPER
    return Check(
        "lamplit",
        "light on the card, by flash," if photo.flash else "light on the card",
        lux,
        f"from {limit:g}",
        " lux",
        not lux < limit,
    )


def light_doubt(ground: Ground, colour_fit: ColourFit, card_fit: CardFit) -> str:
    """Return in words why the light may not have been daylight; empty where nothing says so."""
    fall, part = light_fall(ground, colour_fit)
    if fall > MAX_FALL and part > MIN_FALL_PART:
        return (
            f"the light falls off over the ground by a factor of {fall:.1f}, as under a lamp: "
            "retake the photo by daylight before you trust its colours"
        )
    _, a, b = linear_to_lab(_paper(card_fit))
    if math.hypot(a, b) > MAX_PAPER_CHROMA:
        return (
            "the light was strongly coloured, as from a lamp or under a coloured roof: retake the "
            "photo by daylight before you trust its colours"
        )
    return ""


def light_fall(ground: Ground, colour_fit: ColourFit) -> tuple[float, float]:
    """Return how far light falls over the ground, and the part of all differences that is so.

    A surface of the second order is laid through the logarithm of the luminance of blocks of 4 cm;
    its 97th over its 3rd percentile is the first number, its share of the variance the second.
    """
    rows, cols = (side // _BLOCK_PX for side in ground.mask.shape)
    if rows * cols < _LEAST_BLOCKS:
        return 1.0, 0.0
    inner = (slice(0, rows * _BLOCK_PX), slice(0, cols * _BLOCK_PX))
    size = (cols, rows)
    rgb = cv2.resize(ground.rgb[inner], size, interpolation=cv2.INTER_AREA)
    left_out = cv2.resize(ground.mask[inner].view(np.uint8), size, interpolation=cv2.INTER_AREA)
    y, x = np.nonzero(left_out == 0)
    if len(x) < _LEAST_BLOCKS:
        return 1.0, 0.0
    level = np.log(np.maximum(colour_fit.correct(rgb[y, x] / 255.0) @ LUMINANCE, 1e-4))
    u, v = x - x.mean(), y - y.mean()
    surface = np.stack([np.ones(len(u)), u, v, u * u, u * v, v * v], axis=1)
    smooth = surface @ np.linalg.lstsq(surface, level, rcond=None)[0]
    low, high = np.percentile(smooth, [3, 97])
    return float(np.exp(high - low)), float(smooth.var() / max(level.var(), 1e-12))


def _paper(card_fit: CardFit) -> NDArray[np.float64]:
    """Return linear sRGB (3,) of the brightest patch that was read, as the camera shows it."""
    rgb = np.asarray(card_fit.patch_rgb)[np.asarray(card_fit.patch_ok)]
    if not len(rgb):
        return np.full(3, np.nan)
    linear = decode_srgb(rgb)
    brightest: NDArray[np.float64] = linear[np.argmax(linear @ LUMINANCE)]
    return brightest
