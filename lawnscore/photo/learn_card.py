"""One photo of the turf card beside a classic chart -> the card's own colours."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.learn import combine_references, se_delta_e
from lawnscore.card.reference import ReferenceCard, load_reference
from lawnscore.contract.errors import LawnscoreError
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.colour import ColourFit, fit_colour
from lawnscore.photo.find import find_card
from lawnscore.photo.read import Photo, read_photo

Array = NDArray[np.float64]

_MIN_PATCHES = 30
_STEP = 0.5 / 255
_BLANK = 60


@dataclass(frozen=True, eq=False)
class LearnedCard:
    """A learned card and how well it is known.

    Parameters
    ----------
    reference
        The card with its colours.
    n_patches
        Patches that were read.
    chart_delta_e
        Median left-one-out CIEDE2000 of what the photo was corrected by.
    se_delta_e
        Median standard error of a patch, CIEDE2000.
    """

    reference: ReferenceCard
    n_patches: int
    chart_delta_e: float
    se_delta_e: float


def learn_card(
    photo: Path | str, *, beside: str = "chart24", card: str = "auto", name: str = "learned"
) -> LearnedCard:
    """Return the colours of a turf card from a photo that shows a known card beside it.

    Parameters
    ----------
    photo
        Both lie flat, in the same even light.
    beside
        The card whose colours are known: a classic chart, or an older turf card by its file, so
        that a new card is linked to the old one.
    card
        The card to learn: ``auto`` or a design's name. Where both are of one design, name it; the
        known card then lies in the left half of the photo (in the upper, of an upright one).
    name
        Name of the learned card.

    Raises
    ------
    LawnscoreError
        When either cannot be found, or it cannot be told which is which.
    """
    known = load_reference(beside)
    wanted = load_reference(card)
    if known is None:
        raise LawnscoreError("`auto` is no known card", "Name the card whose colours are known.")
    picture = read_photo(photo)
    own_design = None if wanted is None else wanted.design
    if own_design is not None and own_design.name == known.design.name:
        first, second = _halves(picture)
        other, own = find_card(first, known.design), find_card(second, own_design)
    else:
        other, own = find_card(picture, known.design), find_card(picture, own_design)
    fit = fit_colour(other, known)
    if own_design is None and own.design.name == other.design.name:
        raise LawnscoreError(
            "the card to learn and the known card are of one design",
            "Name the card to learn, too, and lay the known one left of it (or above it).",
            photo,
        )
    reference = combine_references([_learned(own, fit, name)], name)
    n = int(np.isfinite(reference.linear_srgb).all(axis=1).sum())
    if n < _MIN_PATCHES:
        raise LawnscoreError(
            f"only {n} of {len(own.patch_ok)} patches can be read",
            "Photograph the card clean, flat and without glare.",
            photo,
        )
    return LearnedCard(reference, n, fit.card_delta_e, se_delta_e(reference))


def _halves(picture: Photo) -> tuple[Photo, Photo]:
    """Return the photo with its right (lower) half blank, and with its left (upper) half blank."""
    axis = int(picture.rgb.shape[1] > picture.rgb.shape[0])
    middle = picture.rgb.shape[axis] // 2
    first, second = picture.rgb.copy(), picture.rgb.copy()
    np.moveaxis(first, axis, 0)[middle:] = _BLANK
    np.moveaxis(second, axis, 0)[:middle] = _BLANK
    return replace(picture, rgb=first), replace(picture, rgb=second)


def _learned(own: CardFit, fit: ColourFit, name: str) -> ReferenceCard:
    linear = np.asarray(fit.correct(own.patch_rgb), dtype=np.float64)
    # What the correction leaves on the known card, patch by patch, is what it may be off here.
    relative = 0.03 * fit.card_delta_e  # a unit of L* at half way is 4.5 % of the light
    slope = (fit.correct(np.clip(own.patch_rgb + _STEP, 0, 1)) - linear) / _STEP
    reading = np.abs(slope) * own.patch_sd / 8.0  # 64 samples, half of them independent
    se = np.hypot(relative * np.maximum(linear, 0.02), reading)
    unread = ~own.patch_ok
    linear[unread] = np.nan
    return ReferenceCard(own.design, name, linear, "learned", se)
