"""What makes a photo not worth measuring, checked beyond what the stages themselves refuse.

One function a reason; each returns a :class:`Check` with what was found, so that `inspect` can
show all of them, and :func:`refuse_failed` raises for the first that failed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import MARKER_MODULES
from lawnscore.contract.errors import PhotoRefused

if TYPE_CHECKING:
    from lawnscore.card.design import CardDesign
    from lawnscore.photo.classes import ClassMap
    from lawnscore.photo.colour import ColourFit
    from lawnscore.photo.find import CardFit
    from lawnscore.photo.ground import Ground
    from lawnscore.photo.read import Photo

Floats = NDArray[np.float64]

MAX_BLUR_MM = 1.5
"""Blur (standard deviation of the edge spread) on the ground above which leaf and straw run
together, mm. Blades are 1 to 3 mm wide; chosen on rendered photos, see ACCURACY.md."""

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

LEAF_RANGE = (15.0, 53.0)
"""CIELAB L* of green leaf lit like the card. Rendered lawns from pale to dark turf, in all lights,
hold 29 to 44; a leaf this bright beside the card stands in more sun than the card."""

MAX_SHADED_SHARE = 0.90
"""Share of the ground in cast shade above which the card must have been in other light."""

_THINNING = 8
_FLAT_PART = 0.8
"""Part of a marker's black border, one module wide, that a profile reaches into."""
_GAP_PART = 0.15
"""Part of a chart patch, and of the gap beside it, that a profile reaches into."""
_PROFILE_STEPS = 33
_EDGE_SAMPLES = 16
_MIN_CONTRAST = 25.0
_SURELY_SHARP = 0.6
"""Part of the greatest blur below which burnt-out paper cannot hide that it is passed."""
_CARD_EDGES = 0.005
"""Share of the pixels of a card, of each direction, that are taken to be its edges."""


CARD_UNEVEN_L = 2.5
"""Smooth spread of L* over the card beyond which its light is uneven. Rendered cards in even
light have up to 0.7, cards partly in shade 3.4 and more (14 photos of the study `shade`)."""

UNEVEN_DELTA_E = {"measured": 2.0, "learned": 2.5, "nominal": 4.0}
"""Largest colour error of a card in uneven light, by where its reference colours come from. Of
rendered photos in even light 96 of 96 are below 1.5 with measured colours."""


@dataclass(frozen=True)
class Check:
    """One quality check: its reason word, what was measured, the limit, and whether it passed."""

    reason: str
    what: str
    value: float
    limit: str
    unit: str
    passed: bool

    def sentence(self) -> str:
        """Return what was found against what is allowed, in words."""
        return f"{self.what} {self.value:.3g}{self.unit}, allowed {self.limit}{self.unit}"


def refuse_failed(checks: Iterable[Check]) -> None:
    """Raise for the first check that failed.

    Raises
    ------
    PhotoRefused
        With the reason of that check and its figures.
    """
    for check in checks:
        if not check.passed:
            raise PhotoRefused(check.reason, check.sentence())


def check_sharpness(photo: Photo, card_fit: CardFit) -> Check:
    """Blur in mm on the card's own edges, whose true shape is a known step.

    Where white paper is burnt out its edges look steeper than they are, so that the steepness of
    all edges on the card is asked as well; the worse counts.
    """
    blur = card_blur_mm(photo, card_fit)
    if not blur <= _SURELY_SHARP * MAX_BLUR_MM:
        from lawnscore.photo.softness import edge_blur_px

        grey, _ = _grey_card(photo, card_fit)
        all_edges = edge_blur_px(grey, share=_CARD_EDGES) * card_fit.mm_per_px * photo.reduction
        blur = float(np.fmax(blur, all_edges))
    passed = not blur > MAX_BLUR_MM
    return Check("blurred", "blur", blur, f"up to {MAX_BLUR_MM:g}", " mm", passed)


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
    luminance = _median(linear @ np.array([0.2126, 0.7152, 0.0722]))
    low, high = LIT_RANGE
    return Check(
        "shaded",
        "brightness of the lawn in the light of the card",
        luminance,
        f"{low:g} to {high:g}",
        "",
        not (luminance < low or luminance > high),
    )


def check_leaf_light(class_map: ClassMap) -> Check:
    """Lightness of the leaf by the card's light; passed where hardly any leaf is seen."""
    from lawnscore.card.colourspace import linear_to_lab

    seen = (
        class_map.leaf_linear if class_map.leaf_seen_linear is None else class_map.leaf_seen_linear
    )
    lightness = float(linear_to_lab(np.clip(seen, 0.0, None))[0])
    low, high = LEAF_RANGE
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
    from lawnscore.photo.colour import MISCOLOURED_DELTA_E

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
    from lawnscore.photo.colour import patch_places

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
    weight = float(class_map.weight.sum())
    share = float((class_map.shade * class_map.weight).sum()) / weight if weight else math.nan
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


def card_blur_mm(photo: Photo, card_fit: CardFit) -> float:
    """Return the blur across the card's edges, as the standard deviation of the spread, in mm.

    Edges of the markers, or of the patches of a chart that has none, are cut across; each
    profile is lined up on its own middle, so that a warped card does not look blurred. The
    worse of the two directions counts, because hands move along one. NaN when no edge has
    contrast enough.
    """
    grey, corner = _grey_card(photo, card_fit)
    edges = _edges(card_fit.design)
    spread = _edge_spreads_mm(grey, corner, (card_fit, photo.reduction), edges)
    upright = np.abs(edges[:, 2, 0]) > np.abs(edges[:, 2, 1])
    known = np.isfinite(spread)
    one, other = (_median(spread[known & way]) for way in (upright, ~upright))
    return float(np.fmax(one, other))


def _grey_card(photo: Photo, card_fit: CardFit) -> tuple[NDArray[np.uint8], Floats]:
    """Return the part of the photo around the card in grey, and where it starts (x, y)."""
    place = np.asarray(card_fit.sheet_px, dtype=np.float64) / photo.reduction
    height, width = photo.rgb.shape[:2]
    low = np.clip(np.floor(place.min(axis=0)) - 4, 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(place.max(axis=0)) + 4, low + 2, [width, height]).astype(int)
    part = np.ascontiguousarray(photo.rgb[low[1] : high[1], low[0] : high[0]])
    grey = cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)
    return np.asarray(grey, dtype=np.uint8), low.astype(np.float64)


@lru_cache(maxsize=4)
def _edges(design: CardDesign) -> Floats:
    """Return the edges to cut across ``(k, 3, 2)``, mm: start, end, and the outward vector that
    is flat on both sides.
    """
    boxes = [
        (np.asarray(m.corners_mm, dtype=float), _FLAT_PART / MARKER_MODULES) for m in design.markers
    ]
    if not boxes:
        for patch in design.patches:
            corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.asarray(patch.size_mm) / 2
            boxes.append((np.asarray(patch.centre_mm) + corner, _GAP_PART))
    edges = []
    for box, part in boxes:
        reach = part * float(np.linalg.norm(box[1] - box[0]))
        for start, end in zip(box, np.roll(box, -1, axis=0), strict=True):
            outward = (start + end) / 2 - box.mean(axis=0)
            edges.append((start, end, reach * outward / np.linalg.norm(outward)))
    return np.array(edges)


def _edge_spreads_mm(
    grey: NDArray[np.uint8], corner: Floats, view: tuple[CardFit, int], edges: Floats
) -> Floats:
    card_fit, reduction = view
    start, end, outward = edges[:, None, None].transpose(3, 0, 1, 2, 4)
    along = np.linspace(0.15, 0.85, _EDGE_SAMPLES)[:, None, None]
    across = np.linspace(-1.0, 1.0, _PROFILE_STEPS)[:, None]
    points = start + along * (end - start) + across * outward
    pixels = cv2.perspectiveTransform(points.reshape(-1, 1, 2), card_fit.homography)
    place = (pixels.reshape(-1, _PROFILE_STEPS, 2) + 0.5) / reduction - 0.5 - corner
    place = place.astype(np.float32)
    profiles = cv2.remap(grey, place[..., 0], place[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    steps = np.linalg.norm(edges[:, 2], axis=1) / (_PROFILE_STEPS // 2)
    return edge_spreads(profiles.reshape(points.shape[:-1]), steps)


def edge_spreads(profiles: Floats, steps: Floats) -> Floats:
    """Return the standard deviation of the blur of each step seen in `profiles`, (k,).

    Parameters
    ----------
    profiles
        (k, n, m) grey values across k edges; each row is lined up on its own middle.
    steps
        (k,) distance between samples, in the unit wanted.

    Notes
    -----
    The 25 to 75 % rise of a step blurred by a Gaussian is 1.349 standard deviations.
    NaN when the step is lower than 25 grey levels.
    """
    k, _, m = profiles.shape
    ends = max(2, m // 8)
    inner, outer = (
        np.median(side.reshape(k, -1), axis=1)[:, None, None]
        for side in (profiles[..., :ends], profiles[..., -ends:])
    )
    contrast = outer - inner
    rise = (profiles - inner) / np.where(contrast == 0.0, 1.0, contrast)
    high = np.argmax(rise >= 0.75, axis=2)
    # The last sample under a quarter before that: noise on the flat is no start of the edge.
    under = (rise < 0.25) & (np.arange(m) < high[..., None])
    low = m - 1 - np.argmax(under[..., ::-1], axis=2)
    clear = (high > 0) & under.any(axis=2)
    found = np.full(k, np.nan)
    for n in np.flatnonzero((np.abs(contrast.ravel()) >= _MIN_CONTRAST) & (clear.mean(1) >= 0.5)):
        row, a, b = np.flatnonzero(clear[n]), low[n][clear[n]], high[n][clear[n]]
        edge = rise[n]
        start = a + (0.25 - edge[row, a]) / (edge[row, a + 1] - edge[row, a])
        end = b - (edge[row, b] - 0.75) / (edge[row, b] - edge[row, b - 1])
        found[n] = np.median(end - start) * steps[n] / 1.349
    return found


def _mean(found: NDArray[np.bool_]) -> float:
    return float(found.mean()) if found.size else math.nan


def _median(values: NDArray[np.floating] | NDArray[np.uint8]) -> float:
    return float(np.median(values)) if values.size else math.nan
