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
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.colour_model import (
    Model,
    ModelChoice,
    fit_model,
    leave_one_out,
    root_terms,
    tone_curve,
)

Array = NDArray[np.float64]

MISCOLOURED_DELTA_E = 10.0
"""Left-out median CIEDE2000 beyond which the patches are not those of this card."""
_DOUBTFUL_DELTA_E = 5.0
_OUTLIER_DELTA_E = 6.0
_OUTLIER_SPREADS = 4.0
_AGREES_DELTA_E = 4.0
"""A patch this near its reference goes with the others, in doubtful cases."""
_MIN_PATCHES = 14
_MAX_HIDDEN = 0.4
"""Share of the patches that may be hidden, glaring or in another light."""
_MAX_DOUBTFUL = 0.2
"""The same where the rest fits badly too."""
_NEIGHBOURS, _TOGETHER = 4, 0.2
"""Nearest patches looked at, and by how much more of them are odd beside odd ones than chance makes
so, from 0 to 1, where something lies on the card. Drawn cards under a leaf have 0.27 to 0.6, other
prints -0.2 to 0.1."""
_SHADED_LOG = (-2.5, -0.35)
"""Log of the light on a shaded patch over that on the others."""
_VEILS = np.geomspace(0.03, 0.5, 8)
"""Mirrored light on a patch, relative to what white paper scatters back."""
_VEILED_DELTA_E = 8.0
"""A patch this near its reference once such light is added is glared over. Of the patches that do
not go together, rendered cards with a glare have 64 % and more of these, covered ones 17 % at most.
"""
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
        Why each patch is used or not: ``used``; ``outside``, ``clipped``, ``glaring`` or ``uneven``
        as it was read; ``shaded``, ``glaring`` or ``unlike`` where its colour does not go with the
        others.
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
        return self.grid(np.broadcast_to(centres / 255, (3, n)))

    def grid(self, levels: ArrayLike) -> NDArray[np.float32]:
        """Return the corrected linear sRGB of all triples of levels, ``(n**3, 3)``.

        Parameters
        ----------
        levels
            ``(3, n)`` camera values of each channel, 0 to 1. Red runs slowest in the result.
        """
        at = 255 * np.asarray(levels, dtype=np.float64)
        linear = np.interp(at, np.arange(256), self._curve).astype(np.float32)
        return _grid(linear, self.model)


def _grid(linear: NDArray[np.float32], model: Model) -> NDArray[np.float32]:
    """Sum the terms axis by axis: few of them need all three channels at once."""
    n = linear.shape[1]
    if model.choice.degree > 2:
        every = np.stack(np.meshgrid(*linear, indexing="ij"), axis=-1)
        terms = root_terms(every.reshape(-1, 3), model.choice.degree)
        return np.asarray(terms @ model.matrix, dtype=np.float32)
    matrix = model.matrix.astype(np.float32)
    r, g, b = (linear[c][:, None] * matrix[c] for c in range(3))
    rg = r[:, None] + g[None, :]
    gb = np.broadcast_to(b[None, :], (n, n, 3)).copy()
    rb = np.zeros((n, n, 3), np.float32)
    if model.choice.degree == 2:
        red, green, blue = np.sqrt(linear)
        rg += np.multiply.outer(np.outer(red, green), matrix[3])
        gb += np.multiply.outer(np.outer(green, blue), matrix[4])
        rb += np.multiply.outer(np.outer(red, blue), matrix[5])
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
    wanted = linear_to_lab(known)
    found = linear_to_lab(leave_one_out(model, camera, known, at, weight))
    left_out, residual = np.full(len(readable), np.nan), np.full((len(readable), 3), np.nan)
    left_out[readable] = ciede2000(found, wanted)
    residual[readable] = linear_to_lab(model.apply(camera, at)) - wanted
    used = np.zeros(len(readable), dtype=bool)
    used[np.flatnonzero(readable)[weight > 0]] = True
    state = np.array(card_fit.patch_state, dtype=object)
    state[used] = "used"
    odd = weight <= 0
    state[readable & ~used] = _why_odd(model, camera[odd], known[odd], at[odd])
    figure = float(np.median(left_out[used])) if used.any() else float("nan")
    _refuse_fit(figure, state, places)
    return ColourFit(
        figure, left_out, reference.source, model, used, residual, tuple(state.tolist())
    )


def _why_odd(model: Model, camera: Array, known: Array, at: Array) -> NDArray[np.str_]:
    """Return why patches do not go with the others, in a word each."""
    if not len(camera):
        return np.zeros(0, dtype=np.str_)
    veiled, shaded = (judge(model, camera, known, at) for judge in (_veiled, _shaded))
    return np.where(shaded, "shaded", np.where(veiled, "glaring", "unlike"))


def _shaded(model: Model, camera: Array, known: Array, at: Array) -> NDArray[np.bool_]:
    """Return which patches look like themselves in less light."""
    seen = np.maximum(model.apply(camera, at), 1e-4)
    known = np.maximum(known, 1e-4)
    less = np.log(seen.sum(axis=1) / known.sum(axis=1))
    off = ciede2000(linear_to_lab(seen * np.exp(-less)[:, None]), linear_to_lab(known))
    dimmed = (less > _SHADED_LOG[0]) & (less < _SHADED_LOG[1])
    return np.asarray(dimmed & (off < 2 * _OUTLIER_DELTA_E), dtype=np.bool_)


def _veiled(model: Model, camera: Array, known: Array, at: Array) -> NDArray[np.bool_]:
    """Return which patches look like themselves but for white light added to them, or to the rest.

    A gloss mirrors the light on top of what the ink scatters back (the dichromatic reflection
    model, Shafer 1985, Color Res. Appl. 10:210-218; from memory). Where most patches are glared
    over, the fit takes that for the rule, and the others look too dark by as much.
    """
    seen, known = np.maximum(model.apply(camera, at), 0.0), np.maximum(known, 0.0)
    veil = np.concatenate([_VEILS, -_VEILS])[:, None, None]
    off = ciede2000(
        linear_to_lab(seen + np.maximum(veil, 0.0)), linear_to_lab(known + np.maximum(-veil, 0.0))
    )
    return np.asarray(off.min(axis=0) < _VEILED_DELTA_E, dtype=np.bool_)


def _refuse_fit(figure: float, state: NDArray[np.object_], places: Array) -> None:
    """Raise when too little of the card goes together, or it goes together too badly."""
    share = {word: float(np.mean(state == word)) for word in np.unique(state)}
    unlike, glaring, shaded = (share.get(word, 0.0) for word in ("unlike", "glaring", "shaded"))
    hidden = unlike + share.get("outside", 0.0) + share.get("uneven", 0.0)
    detail = f"{np.count_nonzero(state == 'used')} of {len(state)} patches go together"
    doubtful = not figure <= _DOUBTFUL_DELTA_E
    if hidden + glaring + shaded > (_MAX_DOUBTFUL if doubtful else _MAX_HIDDEN):
        # Where the gloss mirrors the sky, the patches beside it look shaded.
        light = "glaring" if 2 * glaring > shaded else "shaded"
        misprint = 2 * unlike > hidden and not _lie_together(state == "unlike", places)
        card = "miscoloured" if misprint else "covered"
        raise PhotoRefused(card if hidden >= max(glaring, shaded) else light, detail)
    if np.count_nonzero(state == "used") < _MIN_PATCHES:
        raise PhotoRefused("miscoloured", detail)
    if not figure <= MISCOLOURED_DELTA_E:
        raise PhotoRefused("miscoloured", f"the patches are off by {figure:.1f} CIEDE2000")


def _lie_together(odd: NDArray[np.bool_], places: Array) -> bool:
    """Return whether odd patches lie beside one another, as under a leaf, not here and there."""
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    beside = odd[np.argsort(apart, axis=1)[:, :_NEIGHBOURS]][odd].mean()
    return bool(odd.all() or (beside - odd.mean()) / (1.0 - odd.mean()) > _TOGETHER)


def _robust(camera: Array, known: Array, at: Array) -> tuple[Model, Array]:
    """Return the fit and the patches' weights, 0 for those that do not go with the others.

    Where most patches go together the first try finds them. Where much of the card is hidden or
    in another light, the fit starts from each part of the card and what gathers most is kept.
    """
    wanted = linear_to_lab(known)

    def agreeing(fit: tuple[Model, Array]) -> int:
        off = ciede2000(linear_to_lab(fit[0].apply(camera, at)), wanted)
        return int(np.count_nonzero(off <= _AGREES_DELTA_E))

    best = _fit_of_what_agrees(camera, known, at, np.ones(len(camera)))
    if agreeing(best) > (1 - _MAX_HIDDEN) * len(camera):
        return best
    parts = [
        (sign * at[:, axis] > edge).astype(float)
        for axis in (0, 1)
        for sign in (1, -1)
        for edge in (0.0, 0.3)
    ]
    tries = [_fit_of_what_agrees(camera, known, at, p) for p in parts if p.sum() >= _MIN_PATCHES]
    return max([best, *tries], key=agreeing)


def _fit_of_what_agrees(
    camera: Array, known: Array, at: Array, weight: Array
) -> tuple[Model, Array]:
    """Return the fit that starts with some weights and takes in what agrees with it."""
    wanted = linear_to_lab(known)
    model = fit_model(camera, known, at, weight=weight, choice=_ROUGH, max_steps=4)
    whole = bool(np.all(weight == 1))
    for choice, steps in ((_ROUGH, 4), (_FINAL, 6), (_FINAL, 8)):
        off = ciede2000(linear_to_lab(model.apply(camera, at)), wanted)
        spread = max(1.4826 * float(np.median(off[weight > 0])), 0.5)
        if choice is _ROUGH and whole:
            weight = 1 / np.maximum(off / spread, 1.0) ** 2
        else:
            kept = (off <= min(max(_OUTLIER_SPREADS * spread, _OUTLIER_DELTA_E), 15.0)).astype(
                float
            )
            if np.array_equal(kept, weight) or kept.sum() < _MIN_PATCHES:
                break
            weight = kept
        start = np.r_[model.curve, model.slope]
        model = fit_model(
            camera, known, at, weight=weight, choice=choice, start=start, max_steps=steps
        )
    return model, np.asarray(weight >= 1.0, dtype=np.float64) if whole else weight
