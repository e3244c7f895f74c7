"""Fit the logistic course of regrowth to many recoveries at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_MAX_STEPS = 200
_TOLERANCE = 1e-11


@dataclass(frozen=True, eq=False)
class Regrowth:
    """Fitted courses ``plateau / (1 + exp(b2 - rate t))``.

    Parameters
    ----------
    plateau, b2, rate
        (r,) the three parameters. Cover at ``t = 0`` is ``plateau / (1 + exp(b2))``.
    covariance
        (r, 3, 3) of plateau, b2 and log rate.
    rss
        (r,) weighted residual sum of squares of the data alone.
    """

    plateau: Array
    b2: Array
    rate: Array
    covariance: Array
    rss: Array


@dataclass(frozen=True, eq=False)
class Prior:
    """Normal priors on plateau and log rate; (r,) each. An infinite sd is no prior."""

    plateau: Array
    plateau_sd: Array
    log_rate: Array
    log_rate_sd: Array


def course(t: Array, plateau: Array, b2: Array, rate: Array) -> Array:
    """Return the logistic course (Ratkowsky 1983, as NIST StRD Rat42 writes it)."""
    out: Array = plateau / (1 + np.exp(np.clip(b2 - rate * t, -700, 700)))
    return out


def fit_regrowth(t: Array, y: Array, sd: Array, prior: Prior) -> Regrowth:
    """Fit one logistic course to each row, by penalised least squares.

    Parameters
    ----------
    t, y, sd
        (r, k) time since the work, cover and its standard error; NaN pads short rows.
    prior
        What is known beforehand of plateau and log rate.

    Returns
    -------
    Regrowth
        Levenberg-Marquardt on plateau, b2 and log rate, all rows in step. The covariance is
        the inverse of the normal matrix, with ``sd`` taken as known.
    """
    known = np.isfinite(t) & np.isfinite(y) & np.isfinite(sd) & (sd > 0)
    tt, yy = np.where(known, t, 0.0), np.where(known, y, 0.0)
    w = np.where(known, 1 / np.where(known, sd, 1.0), 0.0)
    theta = _start(tt, yy, w, prior)
    going = np.arange(len(theta))
    damping = np.full(len(theta), 1e-3)
    normal = np.empty((len(theta), 3, 3))
    state = _normal(theta, tt, yy, w, prior)
    normal[:] = state[2]
    for _ in range(_MAX_STEPS):
        if not len(going):
            break
        theta[going], state, damping, moved = _step(
            theta[going], state, damping, (tt[going], yy[going], w[going], _rows(prior, going))
        )
        normal[going] = state[2]
        going, damping = going[moved], damping[moved]
        state = (state[0][moved], state[1][moved], state[2][moved])
    covariance = np.linalg.inv(normal + 1e-10 * np.eye(3))
    plateau, b2, rate = theta[:, 0], theta[:, 1], np.exp(theta[:, 2])
    fitted = course(tt, plateau[:, None], b2[:, None], rate[:, None])
    rss: Array = np.sum((w * (yy - fitted)) ** 2, axis=1)
    return Regrowth(plateau, b2, rate, np.asarray(covariance, float), rss)


_Normal = tuple[Array, Array, Array]


def _step(
    theta: Array, state: _Normal, damping: Array, data: tuple[Array, Array, Array, Prior]
) -> tuple[Array, _Normal, Array, npt.NDArray[np.bool_]]:
    """Return the parameters after one damped step, and which rows are still on the move."""
    cost, gradient, normal = state
    scaled = normal + damping[:, None, None] * normal * np.eye(3) + 1e-12 * np.eye(3)
    step = np.clip(np.linalg.solve(scaled, -gradient[..., None])[..., 0], [-50, -2, -1], [50, 2, 1])
    trial = theta + step
    new = _normal(trial, *data)
    better = new[0] <= cost
    theta = np.where(better[:, None], trial, theta)
    state = (
        np.where(better, new[0], cost),
        np.where(better[:, None], new[1], gradient),
        np.where(better[:, None, None], new[2], normal),
    )
    moved = np.any(np.abs(step) > _TOLERANCE * (np.abs(theta) + 1e-3), axis=1)
    # a step that no damping makes good is at the end of what rounding allows
    moved &= better | (damping < 1e6)
    damping = np.clip(np.where(better, damping / 5, damping * 4), 1e-12, 1e12)
    return theta, state, damping, moved


def _rows(prior: Prior, rows: npt.NDArray[np.int64]) -> Prior:
    return Prior(
        prior.plateau[rows], prior.plateau_sd[rows], prior.log_rate[rows], prior.log_rate_sd[rows]
    )


def _start(t: Array, y: Array, w: Array, prior: Prior) -> Array:
    used = w > 0
    top = np.max(np.where(used, y, -np.inf), axis=1)
    plateau = np.where(np.isfinite(prior.plateau_sd), prior.plateau, 1.02 * top)
    plateau = np.maximum(plateau, 1.0)
    first = np.where(used, t, np.inf).argmin(axis=1)
    low = y[np.arange(len(y)), first]
    share = np.clip(low / plateau, 0.02, 0.98)
    rate = np.exp(prior.log_rate)
    loose = ~np.isfinite(prior.log_rate_sd)
    if loose.any():
        rate = np.where(loose, _straight_rate(t, y, used, plateau), rate)
    t_first = np.where(used, t, np.inf).min(axis=1)
    b2 = np.log(1 / share - 1) + rate * t_first
    return np.column_stack([plateau, b2, np.log(np.maximum(rate, 1e-6))])


def _straight_rate(t: Array, y: Array, used: npt.NDArray[np.bool_], plateau: Array) -> Array:
    share = np.clip(y / plateau[:, None], 0.02, 0.98)
    logit = np.where(used, np.log(share / (1 - share)), 0.0)
    n = np.maximum(used.sum(axis=1, keepdims=True), 1)
    dt = np.where(used, t - (t * used).sum(axis=1, keepdims=True) / n, 0.0)
    slope = (dt * logit).sum(axis=1) / np.maximum((dt**2).sum(axis=1), 1e-9)
    out: Array = np.maximum(slope, 1e-4)
    return out


def _normal(theta: Array, t: Array, y: Array, w: Array, prior: Prior) -> tuple[Array, Array, Array]:
    plateau, b2, rate = theta[:, 0, None], theta[:, 1, None], np.exp(theta[:, 2, None])
    share = 1 / (1 + np.exp(np.clip(b2 - rate * t, -700, 700)))
    slope = plateau * share * (1 - share)
    residual = w * (plateau * share - y)
    jacobian = np.stack([w * share, -w * slope, w * slope * rate * t], axis=2)
    turned = np.swapaxes(jacobian, 1, 2)
    gradient = (turned @ residual[..., None])[..., 0]
    normal = turned @ jacobian
    cost = np.sum(residual**2, axis=1)
    for index, centre, sd in (
        (0, prior.plateau, prior.plateau_sd),
        (2, prior.log_rate, prior.log_rate_sd),
    ):
        precision = 1 / sd**2
        off = np.where(precision > 0, theta[:, index] - centre, 0.0)
        cost = cost + precision * off**2
        gradient[:, index] += precision * off
        normal[:, index, index] += precision
    return cost, gradient, normal


def time_to(target: Array, plateau: Array, b2: Array, rate: Array) -> Array:
    """Return when the course reaches a target cover; NaN when it never does, 0 when it has.

    ``t = (b2 + ln(p / (1 - p))) / rate`` with ``p = target / plateau``.
    """
    p = target / plateau
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (b2 + np.log(p / (1 - p))) / rate
    return np.where((p > 0) & (p < 1), np.maximum(t, 0.0), np.nan)
