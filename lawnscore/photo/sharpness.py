"""Whether a photo is sharp enough to tell leaf from straw, by the card's own edges."""

from __future__ import annotations

import numpy as np

from lawnscore.photo.card_blur import card_blur_mm, grey_card
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.checks import Check
from lawnscore.photo.read import Photo
from lawnscore.photo.softness import edge_blur_px

MAX_BLUR_MM = 1.5
"""Blur (standard deviation of the edge spread) on the ground above which leaf and straw run
together, mm. Blades are 1 to 3 mm wide; chosen on rendered photos, see ACCURACY.md."""

_SURELY_SHARP = 0.6
"""Part of the greatest blur below which burnt-out paper cannot hide that it is passed."""
_CARD_EDGES = 0.005
"""Share of the pixels of a card, of each direction, that are taken to be its edges."""


def check_sharpness(photo: Photo, card_fit: CardFit) -> Check:
    """Blur in mm on the card's own edges, whose true shape is a known step.

    Where white paper is burnt out its edges look steeper than they are, so that the steepness of
    all edges on the card is asked as well; the worse counts.
    """
    blur = card_blur_mm(photo, card_fit)
    if not blur <= _SURELY_SHARP * MAX_BLUR_MM:
        grey, _ = grey_card(photo, card_fit)
        all_edges = edge_blur_px(grey, share=_CARD_EDGES) * card_fit.mm_per_px * photo.reduction
        blur = float(np.fmax(blur, all_edges))
    passed = not blur > MAX_BLUR_MM
    return Check("blurred", "blur", blur, f"up to {MAX_BLUR_MM:g}", " mm", passed)
