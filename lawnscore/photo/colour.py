"""Correct the colours: fit the card's patches to its reference, each judged left out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lawnscore.card.colourspace import ciede2000, linear_to_lab
from lawnscore.card.design import CardDesign
from lawnscore.card.reference import ReferenceCard
from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.colour_model import (
    Model,
    ModelChoice,
    fit_model,
    leave_one_out,
    root_terms,
    tone_curve,
)
from lawnscore.photo.find import CardFit

Array = NDArray[np.float64]

MISCOLOURED_DELTA_E = 10.0
"""Left-out median CIEDE2000 beyond which the patches are not those of this card."""
_OUTLIER_DELTA_E = 6.0
_OUTLIER_SPREADS = 4.0
_MIN_PATCHES = 14
_MIN_SHARE = 0.5
_ROUGH, _FINAL = ModelChoice(degree=1), ModelChoice()


@dataclass(frozen=True, eq=False)
class ColourFit:
    """A colour correction: camera values -> linear sRGB (D65), relative to the card.

    Parameters
    ----------
    card_delta_e
        Median CIEDE2000 of the used patches, each left out of its own fit.
    left_out_delta_e
        ``(n,)`` of each patch; NaN where it was not readable.
    source
        Where the reference colours come from: ``measured``, ``learned``, ``nominal``.
    model
        Tone curve, matrix and slope of the light.
    used
        ``(n,)``; False where a patch is left out.
    patch_residual_lab
        ``(n, 3)`` CIELAB of the corrected patch less its reference; NaN where not readable.
    patch_state
        Why each patch is used or not: ``used``, ``unread`` (outside, clipped or uneven), ``unlike``
        (hidden, glaring, shaded: its colour does not go with the others).
    """

    card_delta_e: float
    left_out_delta_e: Array
    source: str
    model: Model
    used: NDArray[np.bool_]
    patch_residual_lab: Array
    patch_state: tuple[str, ...]

    @cached_property
    def _curve(self) -> NDArray[np.float32]:
        """Linear light of the 256 camera values."""
        levels = np.linspace(0.0, 1.0, 256)
        grid = tone_curve(self.model.curve)
        return np.interp(levels, np.linspace(0.0, 1.0, len(grid)), grid).astype(np.float32)

    def correct(self, rgb: ArrayLike) -> NDArray[np.float32]:
        """Return linear sRGB (D65) of camera values, ``(..., 3)`` uint8 or float 0 to 1.

        Values outside 0 to 1 mean colours that sRGB does not hold; they are kept.
        """
        values = np.asarray(rgb)
        if values.dtype == np.uint8:
            linear = self._curve[values]
        else:
            linear = np.interp(values, np.linspace(0.0, 1.0, 256), self._curve).astype(np.float32)
        terms = root_terms(linear, self.model.choice.degree).astype(np.float32)
        return np.asarray(terms @ self.model.matrix.astype(np.float32), dtype=np.float32)

    def table(self, bits: int = 5) -> NDArray[np.float32]:
        """Return the corrected linear sRGB of each bin's centre, ``(2**(3 bits), 3)``.

        The index is ``r << 2 * bits | g << bits | b`` of the leading bits of each channel.
        """
        n = 1 << bits
        centres = (np.arange(n) + 0.5) * (256 // n) - 0.5
        linear = np.interp(centres, np.arange(256), self._curve).astype(np.float32)
        return _table(linear, self.model)


def _table(linear: NDArray[np.float32], model: Model) -> NDArray[np.float32]:
    """Sum the terms axis by axis: few of them need all three channels at once."""
    n = len(linear)
    if model.choice.degree > 2:
        grid = np.stack(np.meshgrid(linear, linear, linear, indexing="ij"), axis=-1)
        terms = root_terms(grid.reshape(-1, 3), model.choice.degree)
        return np.asarray(terms @ model.matrix, dtype=np.float32)
    matrix = model.matrix.astype(np.float32)
    root = np.sqrt(linear)
    pair = (root[:, None] * root[None, :])[..., None]
    r, g, b = (linear[:, None] * matrix[c] for c in range(3))
    rg = r[:, None] + g[None, :]
    gb = np.broadcast_to(b[None, :], (n, n, 3)).copy()
    rb = np.zeros((n, n, 3), np.float32)
    if model.choice.degree == 2:
        rg, gb, rb = rg + pair * matrix[3], gb + pair * matrix[4], pair * matrix[5]
    cube = rg[:, :, None] + gb[None, :, :] + rb[:, None, :]
    return np.ascontiguousarray(cube.reshape(-1, 3), dtype=np.float32)


def patch_places(design: CardDesign) -> Array:
    """Return the patches' places ``(n, 2)``, in half-widths of the card off its middle."""
    centres = np.array([p.centre_mm for p in design.patches])
    return np.asarray((centres - np.array(design.centre_mm)) / (design.width_mm / 2))


def fit_colour(card_fit: CardFit, reference: ReferenceCard) -> ColourFit:
    """Return the correction that takes the card as seen to the card as it is.

    Parameters
    ----------
    card_fit
        The card in the photo.
    reference
        Its colours; patches without a value are left out.

    Raises
    ------
    PhotoRefused
        ``miscoloured`` when no sensible correction fits; ``covered`` when too few patches agree.
    """
    places = patch_places(card_fit.design)
    readable = card_fit.patch_ok & np.isfinite(reference.linear_srgb).all(axis=1)
    if readable.sum() < _MIN_PATCHES:
        raise PhotoRefused("covered", f"only {int(readable.sum())} patches can be read")
    camera, known, at = (a[readable] for a in (card_fit.patch_rgb, reference.linear_srgb, places))
    model, weight = _robust(camera, known, at)
    used = np.zeros(len(readable), dtype=bool)
    used[np.flatnonzero(readable)[weight > 0]] = True
    left_out = np.full(len(readable), np.nan)
    residual = np.full((len(readable), 3), np.nan)
    wanted = linear_to_lab(known)
    left_out[readable] = ciede2000(
        linear_to_lab(leave_one_out(model, camera, known, at, weight)), wanted
    )
    residual[readable] = linear_to_lab(model.apply(camera, at)) - wanted
    figure = float(np.median(left_out[used]))
    if used.sum() < max(_MIN_PATCHES, _MIN_SHARE * readable.sum()):
        raise PhotoRefused("covered", f"only {int(used.sum())} of {len(used)} patches go together")
    if not figure <= MISCOLOURED_DELTA_E:
        raise PhotoRefused("miscoloured", f"the patches are off by {figure:.1f} CIEDE2000")
    state = np.where(used, "used", np.where(readable, "unlike", "unread"))
    return ColourFit(
        figure, left_out, reference.source, model, used, residual, tuple(state.tolist())
    )


def _robust(camera: Array, known: Array, at: Array) -> tuple[Model, Array]:
    """Return the fit and the patches' weights, 0 for those that do not go with the others."""
    wanted = linear_to_lab(known)
    weight = np.ones(len(camera))
    model = fit_model(camera, known, at, choice=_ROUGH, max_steps=4)
    for choice, steps in ((_ROUGH, 4), (_FINAL, 6), (_FINAL, 8)):
        off = ciede2000(linear_to_lab(model.apply(camera, at)), wanted)
        spread = max(1.4826 * float(np.median(off)), 0.5)
        if choice is _ROUGH:
            weight = 1 / np.maximum(off / spread, 1.0) ** 2
        else:
            kept = (off <= max(_OUTLIER_SPREADS * spread, _OUTLIER_DELTA_E)).astype(float)
            if np.array_equal(kept, weight):
                break
            weight = kept
        start = np.r_[model.curve, model.slope]
        model = fit_model(
            camera, known, at, weight=weight, choice=choice, start=start, max_steps=steps
        )
    return model, weight
