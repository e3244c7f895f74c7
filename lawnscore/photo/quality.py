"""What makes a photo not worth measuring, checked beyond what the stages themselves refuse.

Each function returns a :class:`~lawnscore.photo.checks.Check` with what was found, so that
`inspect` can show all of them; the table of :mod:`lawnscore.photo.refusals` says when each is made.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import LUMINANCE, linear_to_lab
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.checks import Check
from lawnscore.photo.classes import ClassMap
from lawnscore.photo.colour import MISCOLOURED_DELTA_E, ColourFit, patch_places
from lawnscore.photo.ground import Ground

Floats = NDArray[np.float64]

MAX_BURNT_PCT = 10.0
"""Ground with two or more channels burnt out, %: a sunny lawn glints with 1 or 2 %."""

BURNT = 253
"""Channel value, 0 to 255, from which light may have been cut off."""

MAX_BLACK_PCT = 35.0
"""Ground that is black in all channels, %."""

BLACK = 6
"""Channel value, 0 to 255, up to which noise and quantising drown the colour."""

MIN_MEDIAN_LEVEL = 25.0
"""Median green channel of the ground, 0 to 255; darker photos have too few steps to tell hues. Of
rendered photos four stops too dark some were 10 to 12 points off at 18 to 22, with 3 stated; well
exposed ones have 80 to 110."""

LIT_RANGE = (0.010, 0.42)
"""Median luminance of ground lit like the card, relative to a white card. Turf reflects 0.03 to
0.15, soil 0.03 to 0.3, straw up to 0.4 (from memory); outside this the card had another light."""

BRIGHT = 0.5
"""Luminance of 4 mm of ground, relative to a white card, that lawn, soil and litter lit like the
card hardly ever reach."""

MAX_BRIGHT_PCT = 2.0
"""Ground brighter than that, %. By means of linear light up to 0.9 in 78 photos in right light
(rendered ones of the set `choosing`, real turf and soil beside a composed card), from 4.6 in the 7
of 77 photos in parted light whose cover was 10 points wrong; the check takes means of camera
values, which read some 0.6 to 0.8 of that."""

LEAF_RANGE = (15.0, 58.0)
"""CIELAB L* of green leaf lit like the card. Rendered lawns from pale to dark turf, in all lights,
hold 29 to 44, photographs of real turf up to 56; leaf brighter than that beside the card stands
in more sun than the card."""

SCARCE_LEAF_PCT = 20.0
"""Green cover below which the leafiest ground is leaf mixed with straw, soil and litter, %."""

MAX_SCARCE_LEAF_L = 66.0
"""Largest L* of the leafiest ground where leaf is scarce: yellow leaves among brown ones in right
light came to 62."""

MAX_SHADED_SHARE = 0.90
"""Share of the ground in cast shade above which the card must have been in other light."""

_THINNING = 8
_BLOCK_PX, _BLOCK_EVERY = 4, 4
"""Blocks of 4 x 4 pixels, as wide as a cell of the classes; one in 4 both ways is looked at."""

CARD_UNEVEN_L = 2.5
"""Smooth spread of L* over the card beyond which its light is uneven. Rendered cards in even
light have up to 0.7, cards partly in shade 3.4 and more (14 photos of the study `shade`)."""

UNEVEN_DELTA_E = {"measured": 2.0, "learned": 2.5, "nominal": 4.0}
"""Largest colour error of a card in uneven light, by where its reference colours come from. Of
rendered photos in even light 96 of 96 are below 1.5 with measured colours."""


def ground_sample(ground: Ground) -> NDArray[np.uint8]:
    """Return (3, n) camera colours of the measured ground, every eighth pixel both ways."""
    thinned = ground.rgb[::_THINNING, ::_THINNING][~ground.mask[::_THINNING, ::_THINNING]]
    return np.ascontiguousarray(thinned.T)


def check_burnt(sample: NDArray[np.uint8]) -> Check:
    """Share of the ground with two channels or more burnt out."""
    red, green, blue = sample >= BURNT
    share = 100.0 * _mean((red & green) | (green & blue) | (blue & red))
    limit = f"up to {MAX_BURNT_PCT:g}"
    return Check("overexposed", "burnt out ground", share, limit, " %", not share > MAX_BURNT_PCT)


def check_black(sample: NDArray[np.uint8]) -> Check:
    """Share of the ground that is black in all channels."""
    share = 100.0 * _mean(sample.max(axis=0) <= BLACK)
    limit = f"up to {MAX_BLACK_PCT:g}"
    return Check("underexposed", "black ground", share, limit, " %", not share > MAX_BLACK_PCT)


def check_level(sample: NDArray[np.uint8]) -> Check:
    """Median of the green channel of the ground."""
    level = _median(sample[1])
    limit = f"from {MIN_MEDIAN_LEVEL:g}"
    passed = not level < MIN_MEDIAN_LEVEL
    return Check("underexposed", "middle brightness of the ground", level, limit, "", passed)


def check_light(sample: NDArray[np.uint8], colour_fit: ColourFit) -> Check:
    """Luminance of the lawn by the card's light: turf is never as bright as paper, nor black."""
    linear = colour_fit.correct(np.ascontiguousarray(sample[:, ::3].T))
    luminance = _median(linear @ LUMINANCE)
    low, high = LIT_RANGE
    return Check(
        "shaded",
        "brightness of the lawn in the light of the card",
        luminance,
        f"{low:g} to {high:g}",
        "",
        not (luminance < low or luminance > high),
    )


def check_bright(ground: Ground, colour_fit: ColourFit) -> Check:
    """Share of the ground too bright for a lawn in the card's light.

    Sunlit ground beside a card in shade reads 2 to 7 times too light: its palest parts pass what
    any lawn reflects long before its middle does, also where only some of it lies in the sun.
    """
    share = 100.0 * _mean(colour_fit.correct(ground_blocks(ground)) @ LUMINANCE > BRIGHT)
    return Check(
        "shaded",
        "ground too bright for the light of the card",
        share,
        f"up to {MAX_BRIGHT_PCT:g}",
        " %",
        not share > MAX_BRIGHT_PCT,
    )


def ground_blocks(ground: Ground) -> Floats:
    """Return (n, 3) mean camera colours, 0 to 1, of blocks of measured ground."""
    step = _BLOCK_PX * _BLOCK_EVERY
    rows, cols = (max(side - _BLOCK_PX, -1) // step + 1 for side in ground.mask.shape)
    total = np.zeros((rows, cols, 3))
    left_out = np.zeros((rows, cols), dtype=bool)
    for y, x in np.ndindex(_BLOCK_PX, _BLOCK_PX):
        total += ground.rgb[y::step, x::step][:rows, :cols]
        left_out |= ground.mask[y::step, x::step][:rows, :cols]
    return np.asarray(total[~left_out] / (255.0 * _BLOCK_PX**2), dtype=np.float64)


def check_leaf_light(class_map: ClassMap) -> Check:
    """Lightness of the leaf by the card's light; passed where hardly any leaf is seen."""
    seen = (
        class_map.leaf_linear if class_map.leaf_seen_linear is None else class_map.leaf_seen_linear
    )
    lightness = float(linear_to_lab(np.clip(seen, 0.0, None))[0])
    low, high = LEAF_RANGE
    if 100.0 * _weighted_mean(class_map.shares[..., 0], class_map) < SCARCE_LEAF_PCT:
        high = MAX_SCARCE_LEAF_L
    return Check(
        "shaded",
        "lightness of the leaf in the light of the card",
        lightness,
        f"{low:g} to {high:g}",
        "",
        not (lightness < low or lightness > high),
    )


def check_card_light(card_fit: CardFit, colour_fit: ColourFit) -> Check:
    """Colour error of a card on which the light is uneven; passed where it is even.

    Patches out of one light fit well even where the others are left out. Where the light is
    uneven and what is left does not fit either, the correction is that of no light at all.
    """
    uneven = _unevenness(card_fit, colour_fit) > CARD_UNEVEN_L
    limit = UNEVEN_DELTA_E[colour_fit.source] if uneven else MISCOLOURED_DELTA_E
    return Check(
        "shaded",
        f"colour error of the card in {'uneven' if uneven else 'even'} light",
        colour_fit.card_delta_e,
        f"up to {limit:g}",
        " CIEDE2000",
        not (uneven and colour_fit.card_delta_e > limit),
    )


def _unevenness(card_fit: CardFit, colour_fit: ColourFit) -> float:
    """Return the spread of lightness that changes smoothly over the card, in L*."""
    residual = colour_fit.patch_residual_lab[:, 0]
    known = np.isfinite(residual)
    x, y = patch_places(card_fit.design)[known].T
    surface = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y, x**3, x * x * y], axis=1)
    if len(x) < 2 * surface.shape[1]:
        return 0.0
    smooth = surface @ np.linalg.lstsq(surface, residual[known], rcond=None)[0]
    return float(smooth.std())


def check_shade(class_map: ClassMap) -> Check:
    """Share of the ground that is shaded where the card is not."""
    share = _weighted_mean(class_map.shade, class_map)
    return Check(
        "shaded",
        "ground in shade",
        100.0 * share,
        f"up to {100 * MAX_SHADED_SHARE:g}",
        " %",
        not share > MAX_SHADED_SHARE,
    )


def check_tilt(card_fit: CardFit, max_tilt_deg: float) -> Check:
    """Angle between the camera's axis and straight down."""
    tilt = float(card_fit.tilt_deg)
    return Check(
        "tilted", "tilt", tilt, f"up to {max_tilt_deg:g}", " degrees", tilt <= max_tilt_deg
    )


def _weighted_mean(values: NDArray[np.float32], class_map: ClassMap) -> float:
    weight = float(class_map.weight.sum())
    return float((values * class_map.weight).sum()) / weight if weight else math.nan


def _mean(found: NDArray[np.bool_]) -> float:
    return float(found.mean()) if found.size else math.nan


def _median(values: NDArray[np.floating] | NDArray[np.uint8]) -> float:
    return float(np.median(values)) if values.size else math.nan
