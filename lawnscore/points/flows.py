"""How the program mistakes one surface for another, learnt from points, shrunk towards nothing.

The model. Of what the program calls surface ``j``, a part ``m[j, k]`` is truly ``k``: a flow. What
is left is each photo's own error, partly shared by the photos of its lawn and zone, as large as the
program states or a common factor larger or smaller. So the mean difference ``d`` of a photo, seen
less program, is

    d = sum over j, k of m[j, k] f[j] (e[k] - e[j])  +  u  +  sampling of the points  +  the reader

* Flows have a scale mixture of normals as prior, most of it near 0 (Stephens 2017, Biostatistics
  18:275-294, from memory), its proportions learnt: where the points show nothing, nothing is done.
* A flow of which the points can tell nothing is left at 0: a class that hardly occurs at the points
  stays as the program has it, with its stated error.
* The reader's own leaning is an error that all photos share.

Everything but the scales is normal, so a Gibbs sampler with few steps does it; its means and
variances are exact given the scales (Rao-Blackwell), and its seed is fixed: same points, same
result. This is the empirical Bayes counterpart of the difference estimator. Where shares have moved
far, the stated errors are moved with them (as sqrt(s (1 - s))) and all is done once more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]

N = 5
"""Surfaces."""

SCALES = np.array([0.01, 0.05, 0.2, 0.8])
"""Standard deviations of a flow: nothing, a little, some, most of it."""

SCALE_COUNTS = np.array([16.0, 3.0, 1.2, 0.8])
"""Flows of each scale as if seen before. Our own choice, tried on simulated rounds
(benchmarks/studies/points_by_eye.py)."""

SMALL_SHARE = 0.01
"""Keeps the stated error of a share near 0 or 1 from growing without bound."""

OWN_ERROR = np.array([0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0])
"""Errors of the photos over the stated ones that are thought of."""

OWN_ERROR_USUAL, OWN_ERROR_SD = 1.0, 0.35
"""Middle of that factor and spread of its logarithm beforehand. Our own choice, tried likewise."""

_MAIN = np.array([1.0, 1.0, 1.0, 0.0, 0.0])
"""Surfaces whose own error has the factor: casts and litter are too seldom under a point."""

LASTING = np.array([0.3, 0.7])
"""Shares of the variance of a photo's own error that its lawn and zone share, equally likely;
`benchmarks/studies/same_lawn.py` found 0.5 to 0.8."""

KNOWN_ABOVE = 0.3
"""A flow is looked at only where the points alone would tell it to within this, 1 sigma."""

_BURN_IN = 50
_STEPS, _STEPS_FIRST = 200, 50
"""Steps of the sampler after those that do not count; the first pass need not be fine."""
_SEED = 20261126

_FROM, _TO = (np.array(pair) for pair in zip(
    *((j, k) for j in range(N) for k in range(N) if j != k), strict=True))  # fmt: skip
_BASIS = np.linalg.svd(np.eye(N) - 1.0 / N)[0][:, : N - 1]
"""(5, 4): differences of shares add up to 0, so four numbers say them."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the points say, photo by photo, k photos.

    Parameters
    ----------
    difference
        (k, 5) mean of seen less program at the points.
    program
        (k, 5) the program's mean shares at the points.
    covariance
        (k, 5, 5) of the difference, from the points being a sample.
    stated_se
        (k, 5) the program's stated errors of the photo's shares.
    place
        (k,) number of the lawn and zone.
    reader_se
        (5,) error of the reader, the same in all photos.
    """

    difference: Array
    program: Array
    covariance: Array
    stated_se: Array
    place: Index
    reader_se: Array


@dataclass(frozen=True, eq=False)
class Targets:
    """Photos to be corrected, n of them.

    Parameters
    ----------
    shares, stated_se
        (n, 5) the program's.
    place
        (n,) number of the lawn and zone, as in the evidence.
    read_as
        (n,) row of the photo in the evidence; -1 where it was not read.
    """

    shares: Array
    stated_se: Array
    place: Index
    read_as: Index


@dataclass(frozen=True, eq=False)
class Corrected:
    """Shares (n, 5), 0 to 1, adding up to 1, and the standard error of each, (n, 5)."""

    shares: Array
    se: Array


@dataclass(frozen=True, eq=False)
class _Grid:
    """One way the photos' own errors may be: what follows from it, for all the steps at once."""

    log_weight: float
    information: Array  # (p, p)
    pull: Array  # (p,)
    base: Array  # (n, 4): the targets' own errors were there no flows
    reach: Array  # (n, 4, p): how far each flow moves each target
    left: Array  # (n, 4, 4): variance of the own errors that is left


def correct_shares(evidence: Evidence, targets: Targets) -> Corrected:
    """Return the shares of the targets with what the points say, and their errors.

    Examples
    --------
    Points in ten photos in which half the straw was called soil:

    >>> f = np.tile([0.7, 0.1, 0.2, 0.0, 0.0], (10, 1))
    >>> d = np.tile([0.0, 0.1, -0.1, 0.0, 0.0], (10, 1))
    >>> se, place = np.full((10, 5), 0.02), np.arange(10)
    >>> found = Evidence(d, f, np.tile(np.eye(5) * 0.003, (10, 1, 1)), se, place, np.zeros(5))
    >>> out = correct_shares(found, Targets(f, se, place, place))
    >>> bool(np.all(out.shares[:, 1] > 0.17))
    True
    """
    first = _corrected(evidence, targets, _STEPS_FIRST)
    grown = _growth(first.shares, targets.shares)
    read = targets.read_as >= 0
    again = np.ones_like(evidence.stated_se)
    again[targets.read_as[read]] = grown[read]
    return _corrected(
        replace(evidence, stated_se=evidence.stated_se * again),
        replace(targets, stated_se=targets.stated_se * grown),
        _STEPS,
    )


def _growth(now: Array, before: Array) -> Array:
    """Return by how much stated errors change where the shares do, (n, 5): as sqrt(s (1 - s))."""

    def size(shares: Array) -> Array:
        return np.sqrt(shares * (1.0 - shares) + SMALL_SHARE)

    return size(now) / size(before)


def _corrected(evidence: Evidence, targets: Targets, steps: int) -> Corrected:
    flows = _design(evidence.program)
    data = (evidence.difference @ _BASIS).ravel()
    noise = _noise(evidence)
    informed = _informed(flows.reshape(-1, len(_FROM)), noise, evidence)
    use = np.flatnonzero(informed)
    x = flows[:, :, use].reshape(len(data), len(use))
    ahead = _design(targets.shares)[:, :, use]
    grid = [
        _grid_point(factor, lasting, evidence, targets, (noise, x, data, ahead))
        for factor in OWN_ERROR
        for lasting in LASTING
    ]
    return _sampled(grid, targets, steps)


def _design(shares: Array) -> Array:
    """Return what each flow adds to the four numbers of a photo, (n, 4, 20)."""
    step = _BASIS[_TO] - _BASIS[_FROM]  # (20, 4)
    return np.asarray(shares[:, None, _FROM] * step.T[None])


def _noise(evidence: Evidence) -> Array:
    """Return the covariance of the data without the photos' own errors, (4k, 4k)."""
    k = len(evidence.difference)
    out = np.zeros((k, 4, k, 4))
    for i in range(k):
        out[i, :, i, :] = _BASIS.T @ evidence.covariance[i] @ _BASIS
    reader = _BASIS.T @ np.diag(evidence.reader_se**2) @ _BASIS
    out += reader[None, :, None, :]
    return out.reshape(4 * k, 4 * k)


def _own_error(
    root: tuple[Array, Array], place: tuple[Index, Index], same: NDArray[np.bool_], lasting: float
) -> Array:
    """Return the covariance of the own errors of photos, (4a, 4b), from their roots (., 4, 4)."""
    share = lasting * (place[0][:, None] == place[1][None, :]) + (1 - lasting) * same
    out = np.einsum("ab,aik,bjk->aibj", share, root[0], root[1])
    return np.asarray(out.reshape(4 * len(root[0]), 4 * len(root[1])))


def _root(stated_se: Array, factor: float) -> Array:
    """Return roots (n, 4, 4) of the covariance of own errors that are as large as stated.

    Errors of variances ``v`` that are known to add up to 0 have the covariance ``diag(v) - v v' /
    sum(v)``; ``v`` is found so that its diagonal is what is stated, where that can be.
    """
    wanted = (stated_se * np.where(_MAIN > 0, factor, 1.0)) ** 2
    v = 1.5 * wanted
    for _ in range(20):
        v = wanted / np.maximum(1.0 - v / v.sum(axis=1, keepdims=True), 0.25)
    full = np.eye(N) * v[:, None] - v[:, :, None] * v[:, None, :] / v.sum(axis=1)[:, None, None]
    values, vectors = np.linalg.eigh(_BASIS.T @ full @ _BASIS)
    scaled = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    return np.asarray(scaled @ vectors.transpose(0, 2, 1))


def _informed(x: Array, noise: Array, evidence: Evidence) -> NDArray[np.bool_]:
    k = len(evidence.place)
    root = _root(evidence.stated_se, 1.0)
    own = _own_error((root, root), (evidence.place,) * 2, np.eye(k, dtype=bool), 0.5)
    information = np.einsum("ij,ij->j", x, np.linalg.solve(noise + own, x))
    return np.asarray(information > KNOWN_ABOVE**-2)


def _grid_point(
    factor: float,
    lasting: float,
    evidence: Evidence,
    targets: Targets,
    model: tuple[Array, Array, Array, Array],
) -> _Grid:
    noise, x, data, flows = model
    k, n = len(evidence.place), len(targets.place)
    root, ahead = _root(evidence.stated_se, factor), _root(targets.stated_se, factor)
    own = _own_error((root, root), (evidence.place,) * 2, np.eye(k, dtype=bool), lasting)
    same = targets.read_as[:, None] == np.arange(k)[None, :]
    cross = _own_error((ahead, root), (targets.place, evidence.place), same, lasting)
    total = noise + own
    inverse = np.linalg.inv(total)
    gain = cross @ inverse
    taken = np.einsum("nia,nja->nij", gain.reshape(n, 4, -1), cross.reshape(n, 4, -1))
    weight = -0.5 * (np.log(factor / OWN_ERROR_USUAL) / OWN_ERROR_SD) ** 2
    weight -= 0.5 * (np.linalg.slogdet(total)[1] + data @ inverse @ data)
    return _Grid(
        weight,
        x.T @ inverse @ x,
        x.T @ inverse @ data,
        (gain @ data).reshape(n, 4),
        flows - (gain @ x).reshape(n, 4, x.shape[1]),
        ahead @ ahead.transpose(0, 2, 1) - taken,
    )


def _sampled(grid: list[_Grid], targets: Targets, steps: int) -> Corrected:
    """Run the sampler; collect the mean and the variance of every target's correction."""
    rng = np.random.default_rng(_SEED)
    information = np.array([g.information for g in grid])
    pull = np.array([g.pull for g in grid])
    start = np.array([g.log_weight for g in grid])
    p = pull.shape[1]
    scale, counts = np.full(p, 0.05), SCALE_COUNTS.copy()
    total = _Sums(len(targets.place))
    for step in range(_BURN_IN + steps):
        which = _pick(start + _log_likelihood(information, pull, scale), rng)
        covariance = _posterior(information[which], scale)
        mean = covariance @ pull[which]
        flow = mean + np.linalg.cholesky(covariance) @ rng.normal(size=p)
        scale, counts = _new_scales(flow, counts, rng)
        if step >= _BURN_IN:
            seen = grid[which]
            left = seen.left + seen.reach @ covariance @ seen.reach.transpose(0, 2, 1)
            total.add(seen.base + seen.reach @ mean, left)
    return total.corrected(targets)


def _log_likelihood(information: Array, pull: Array, scale: Array) -> Array:
    """Return the log likelihood (g,) of each grid point with the flows taken out."""
    inner = np.eye(len(scale)) + scale[:, None] * information * scale[None, :]
    root = np.linalg.cholesky(inner)
    scaled = (pull * scale)[..., None]
    gain = np.linalg.solve(inner, scaled)
    log_det = 2.0 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(0.5 * (scaled * gain).sum(axis=(1, 2)) - 0.5 * log_det)


def _posterior(information: Array, scale: Array) -> Array:
    """Return the covariance (p, p) of the flows given their scales."""
    inner = np.eye(len(scale)) + scale[:, None] * information * scale[None, :]
    out = scale[:, None] * np.linalg.inv(inner) * scale[None, :]
    return np.asarray((out + out.T) / 2 + 1e-14 * np.eye(len(scale)))


def _pick(log_weight: Array, rng: np.random.Generator) -> int:
    weight = np.exp(log_weight - log_weight.max())
    return int(rng.choice(len(weight), p=weight / weight.sum()))


def _new_scales(flow: Array, counts: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return a scale for each flow, and how many flows each scale has, counts before included."""
    share = rng.dirichlet(counts)
    log_p = np.log(share + 1e-300) - np.log(SCALES) - 0.5 * (flow[:, None] / SCALES) ** 2
    log_p += rng.gumbel(size=log_p.shape)
    which = log_p.argmax(axis=1)
    return SCALES[which], SCALE_COUNTS + np.bincount(which, minlength=len(SCALES))


class _Sums:
    """Means and covariances of the targets' corrections over the steps."""

    def __init__(self, n: int) -> None:
        self.n_steps = 0
        self.mean, self.square = np.zeros((n, 4)), np.zeros((n, 4, 4))

    def add(self, mean: Array, covariance: Array) -> None:
        self.n_steps += 1
        self.mean += mean
        self.square += covariance + mean[:, :, None] * mean[:, None, :]

    def corrected(self, targets: Targets) -> Corrected:
        mean = self.mean / self.n_steps
        covariance = self.square / self.n_steps - mean[:, :, None] * mean[:, None, :]
        shares = np.clip(targets.shares + mean @ _BASIS.T, 0.0, 1.0)
        shares /= shares.sum(axis=1, keepdims=True)
        variance = np.einsum("nij,ci,cj->nc", covariance, _BASIS, _BASIS)
        return Corrected(shares, np.sqrt(np.maximum(variance, 0.0)))
