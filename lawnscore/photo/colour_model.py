"""The arithmetic of the colour fit: camera values of known patches -> a correction.

A monotone tone curve of three parameters brings camera values to linear light; the roots of its
products (root-polynomial of degree 2; Finlayson, Mackiewicz & Hurlbert 2015, IEEE Trans. Image
Process. 24:1460-1470) then go to linear sRGB. Every term doubles when the light doubles, so a
change of exposure shifts no hue. Curve and matrix are fitted together by variable projection
(Golub & Pereyra 1973): for every trial curve the matrix is the least-squares one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lawnscore.card.colourspace import LUMINANCE, decode_srgb, linear_to_lab

Array = NDArray[np.float64]

_LEVELS = 129
_N_TERMS = {1: 3, 2: 6, 3: 13}
"""Terms of a root-polynomial by its degree."""
_PLAIN_TERMS = 0.02
"""Ridge of the plain terms over that of the cross terms."""
_GRID = np.linspace(0.0, 1.0, _LEVELS)
_SRGB_STEPS = np.diff(decode_srgb(_GRID))
_MIDDLE = _GRID[1:] + _GRID[:-1] - 1.0  # middle of each step, from -1 to 1
_SHAPES = np.stack([_MIDDLE, 1.5 * _MIDDLE**2 - 0.5, 2.5 * _MIDDLE**3 - 1.5 * _MIDDLE])
_STEEPEST = 2.5
"""Largest slope of the light, in its prior spreads."""
_STEP = 1e-4
"""Step of the derivatives by the tone-curve parameters."""


@dataclass(frozen=True)
class ModelChoice:
    """How a correction is fitted; the defaults are what measured best.

    Parameters
    ----------
    degree
        Degree of the root-polynomial, 1 to 3; 1 is a 3 x 3.
    curve
        Number of tone-curve parameters, 0 (sRGB as the standard has it) to 3.
    slope
        Whether a light that slants over the card is fitted too.
    ridge
        Weight that holds the cross terms near zero, against the plain 3 x 3 terms.
    curve_sd
        Prior spread of the tone-curve parameters (log of the slope).
    slope_sd
        Prior spread of the light's slope, log of the light over half the card.
    toe
        Added to the reference's lightness in the weights: dark patches do not rule the fit.
    """

    degree: int = 2
    curve: int = 3
    slope: bool = True
    ridge: float = 0.03
    curve_sd: float = 1.0
    slope_sd: float = 0.08
    toe: float = 0.02


def tone_curve(parameters: ArrayLike) -> Array:
    """Return linear light ``(129,)`` of evenly spaced camera values 0 to 1.

    The log of the slope, against sRGB, is a polynomial (Legendre, degree 1 to 3) of the camera
    value, so that the curve rises for all parameters; all zero gives sRGB. It runs from 0 to 1.
    """
    theta = np.asarray(parameters, dtype=np.float64)
    rise = np.zeros(_LEVELS)
    np.cumsum(_SRGB_STEPS * np.exp(theta @ _SHAPES[: len(theta)]), out=rise[1:])
    return np.asarray(rise / rise[-1], dtype=np.float64)


def linearise(values: ArrayLike, parameters: ArrayLike) -> Array:
    """Return linear light of camera values 0 to 1 through :func:`tone_curve`."""
    return np.interp(np.asarray(values, dtype=np.float64), _GRID, tone_curve(parameters))


def root_terms(linear: ArrayLike, degree: int = 2) -> Array:
    """Return the root-polynomial terms of linear RGB, ``(..., 3)`` to ``(..., 3 | 6 | 13)``.

    Finlayson, Mackiewicz & Hurlbert 2015: degree 2 is R, G, B and the square roots of RG, GB, RB.

    Examples
    --------
    >>> root_terms([0.2, 0.5, 0.1]).round(6).tolist()
    [0.2, 0.5, 0.1, 0.316228, 0.223607, 0.141421]
    """
    rgb = np.maximum(np.asarray(linear, dtype=np.float64), 0.0)
    terms = np.empty((*rgb.shape[:-1], _N_TERMS[max(degree, 1)]))
    terms[..., :3] = rgb
    if degree >= 2:
        np.sqrt(rgb * rgb[..., [1, 2, 0]], out=terms[..., 3:6])
    if degree >= 3:
        mixed = [t for t in combinations_with_replacement(range(3), 3) if len(set(t)) > 1]
        for at, three in enumerate(mixed, start=6):
            terms[..., at] = np.cbrt(rgb[..., three].prod(axis=-1))
    return terms


@dataclass(frozen=True, eq=False)
class Model:
    """A fitted correction: curve parameters, matrix ``(terms, 3)``, slope of the light ``(2,)``."""

    choice: ModelChoice
    curve: Array
    matrix: Array
    slope: Array

    def apply(self, values: ArrayLike, places: ArrayLike | None = None) -> Array:
        """Return linear sRGB of camera values 0 to 1, ``(..., 3)``.

        ``places`` ``(..., 2)`` (card half-widths off the middle) takes the light's slope out.
        """
        found = root_terms(linearise(values, self.curve), self.choice.degree) @ self.matrix
        if places is not None:
            found = found * np.exp(-(np.asarray(places) @ self.slope))[..., None]
        return np.asarray(found, dtype=np.float64)


class _Fit:
    """Least squares of one card: ``camera``, ``reference`` ``(n, 3)``, ``places`` ``(n, 2)``."""

    def __init__(
        self, camera: Array, reference: Array, places: Array, weight: Array, choice: ModelChoice
    ) -> None:
        self.camera, self.places, self.choice = camera, places, choice
        luminance = np.maximum(reference @ LUMINANCE, 0.0)
        # Slope of lightness: a step in dark light is seen more than the same step in bright.
        self.scale = np.sqrt(weight) * (luminance + choice.toe) ** (-2 / 3)
        self.wanted = reference * self.scale[:, None]
        self.n_curve = choice.curve
        self.n_slope = 2 if choice.slope else 0
        self.last: tuple[bytes, Array, Array] | None = None

    def split(self, theta: Array) -> tuple[Array, Array]:
        slope = theta[self.n_curve :] if self.n_slope else np.zeros(2)
        return theta[: self.n_curve], slope

    def within(self, theta: Array) -> Array:
        """Hold the slope of the light to what is no shadow edge."""
        most = np.full(theta.size, np.inf)
        most[self.n_curve :] = _STEEPEST * self.choice.slope_sd
        return np.asarray(np.clip(theta, -most, most), dtype=np.float64)

    def prior_sd(self) -> Array:
        sd = [self.choice.curve_sd] * self.n_curve + [self.choice.slope_sd] * self.n_slope
        return np.array(sd, dtype=np.float64)

    def design(self, theta: Array) -> Array:
        curve, slope = self.split(theta)
        return np.asarray(self.terms([curve], slope)[0], dtype=np.float64)

    def terms(self, curves: Sequence[Array], slope: Array) -> Array:
        """Return the terms in an even light through each of k tone curves, ``(k, n, terms)``."""
        linear = np.stack([linearise(self.camera, curve) for curve in curves])
        terms = root_terms(linear, self.choice.degree)
        return np.asarray(terms * np.exp(-(self.places @ slope))[:, None], dtype=np.float64)

    def weighted(self, theta: Array) -> tuple[Array, Array]:
        """Return the weighted design and its penalty; the last ones are asked for again."""
        key = theta.tobytes()
        if self.last is None or self.last[0] != key:
            design = self.design(theta) * self.scale[:, None]
            self.last = key, design, self.penalty(design)
        return self.last[1], self.last[2]

    def penalty(self, design: Array) -> Array:
        """Return the ridge of each term, in the unit of the weighted terms."""
        level = np.sqrt(np.mean(design**2, axis=0))
        penalty = self.choice.ridge * np.sqrt(len(design)) * level
        penalty[:3] *= _PLAIN_TERMS
        return np.asarray(penalty, dtype=np.float64)

    def solve(self, theta: Array) -> tuple[Array, Array]:
        """Return the matrix and the weighted residual, the ridge's rows last."""
        design, penalty = self.weighted(theta)
        gram = design.T @ design + np.diag(penalty**2)
        matrix = np.linalg.solve(gram, design.T @ self.wanted)
        ridge = -penalty[:, None] * matrix
        return matrix, np.concatenate([self.wanted - design @ matrix, ridge])

    def slopes(self, theta: Array, matrix: Array) -> Array:
        """Return the weighted correction's derivatives by ``theta``, ``(k, n, 3)``."""
        here, _ = self.weighted(theta)
        found = np.empty((theta.size, len(here), 3))
        curve, slope = self.split(theta)
        if self.n_curve:
            moved = self.terms(list(curve + _STEP * np.eye(self.n_curve)), slope)
            moved *= self.scale[:, None]
            found[: self.n_curve] = (moved - here) @ matrix / _STEP
        if self.n_slope:
            found[self.n_curve :] = -self.places.T[:, :, None] * (here @ matrix)
        return found

    def noise(self, rest: Array) -> float:
        """Return the spread of the residuals: it sets how much the priors weigh."""
        n = max(int(np.count_nonzero(self.scale)), 1)
        return max(float(np.sqrt((rest[: len(self.scale)] ** 2).sum() / (3 * n))), 1e-3)

    def step(self, theta: Array) -> tuple[Array, Array, float, float]:
        """Return normal matrix, gradient, sum of squares and noise of the projected problem.

        Kaufman 1975, BIT 15:49-57: the matrix is held while the curve moves, and what the matrix
        would take up is projected out.
        """
        matrix, rest = self.solve(theta)
        noise = self.noise(rest)
        design, penalty = self.weighted(theta)
        moves = self.slopes(theta, matrix)
        gram = design.T @ design + np.diag(penalty**2)
        free = moves - design @ np.linalg.solve(gram, design.T @ moves)
        jacobian = free.reshape(theta.size, -1) / noise
        precision = 1 / self.prior_sd() ** 2
        right = rest[: len(design)].ravel() / noise
        normal = jacobian @ jacobian.T + np.diag(precision)
        gradient = jacobian @ right - precision * theta
        return normal, gradient, self.square(theta, rest, noise), noise

    def square(self, theta: Array, rest: Array, noise: float) -> float:
        return float((rest**2).sum() / noise**2 + ((theta / self.prior_sd()) ** 2).sum())


def _minimise(fit: _Fit, theta: Array, max_steps: int) -> Array:
    """Return the parameters of curve and slope by damped Gauss-Newton (Levenberg-Marquardt)."""
    damping = 1e-3
    for _ in range(max_steps if theta.size else 0):
        normal, gradient, here, noise = fit.step(theta)
        for _ in range(6):
            move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
            trial = fit.within(theta + np.clip(move, -1.0, 1.0))
            there = fit.square(trial, fit.solve(trial)[1], noise)
            if there < here:
                break
            damping = max(damping, 1e-4) * 10
        else:
            return theta
        theta, damping = trial, damping / 5
        if here - there < 1e-3 * here:
            break
    return theta


def fit_model(
    camera: Array,
    reference: Array,
    places: Array,
    *,
    weight: Array | None = None,
    choice: ModelChoice | None = None,
    start: Array | None = None,
    max_steps: int = 12,
) -> Model:
    """Return the correction that takes ``camera`` ``(n, 3)`` to ``reference`` ``(n, 3)``.

    Parameters
    ----------
    camera
        Camera-encoded values, 0 to 1.
    reference
        Linear sRGB.
    places
        ``(n, 2)`` places on the card, half-widths off the middle.
    weight
        ``(n,)``, 0 leaves a patch out.
    choice
        How to fit.
    start
        Curve and slope parameters to start from.
    max_steps
        Most steps of the search.
    """
    choice = choice or ModelChoice()
    weight = np.ones(len(camera)) if weight is None else weight
    fit = _Fit(camera, reference, places, weight, choice)
    theta = np.zeros(fit.n_curve + fit.n_slope) if start is None else start
    theta = _minimise(fit, theta, max_steps)
    matrix, _ = fit.solve(theta)
    curve, slope = fit.split(theta)
    return Model(choice, curve, matrix, slope)


def lab_of(model: Model, camera: Array, places: Array) -> Array:
    """Return CIELAB of corrected patches, ``(n, 3)``."""
    return linear_to_lab(model.apply(camera, places))


def leave_one_out(
    model: Model, camera: Array, reference: Array, places: Array, weight: Array
) -> Array:
    """Return each patch's corrected linear sRGB ``(n, 3)`` with it left out of the fit.

    By the leverage of the patch in the fit of curve, slope and matrix together, made linear at the
    solution (exact for the matrix alone); the tests compare it with fitting anew. A patch of no
    weight is out of the fit already.
    """
    fit = _Fit(camera, reference, places, weight, model.choice)
    theta = np.r_[model.curve, model.slope[: fit.n_slope]]
    jacobian, prior = _jacobian(fit, theta, model.matrix)
    rest = (reference - model.apply(camera, places)) * fit.scale[:, None]
    rows = jacobian.reshape(-1, jacobian.shape[2])
    normal = rows.T @ rows + np.diag(prior(fit.noise(rest)))
    leverage = jacobian @ np.linalg.inv(normal) @ jacobian.transpose(0, 2, 1)
    out = np.linalg.solve(np.eye(3) * (1 + 1e-9) - leverage, rest[..., None])[..., 0]
    used = fit.scale > 0
    alone = np.where(used[:, None], out / np.where(used, fit.scale, 1.0)[:, None], 0.0)
    plain = reference - model.apply(camera, places)
    return np.asarray(reference - np.where(used[:, None], alone, plain), dtype=np.float64)


def _jacobian(fit: _Fit, theta: Array, matrix: Array) -> tuple[Array, Callable[[float], Array]]:
    """Return the derivatives ``(n, 3, p)`` of the weighted correction and the prior's precision."""
    design, penalty = fit.weighted(theta)
    n, terms = design.shape
    jacobian = np.zeros((n, 3, 3 * terms + theta.size))
    for c in range(3):
        jacobian[:, c, c * terms : (c + 1) * terms] = design
    jacobian[:, :, 3 * terms :] = fit.slopes(theta, matrix).transpose(1, 2, 0)
    ridge = np.tile(penalty**2, 3)
    return jacobian, lambda noise: np.r_[ridge, (noise / fit.prior_sd()) ** 2]
