"""Variance components of crossed and nested designs by restricted maximum likelihood (REML)."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky
from scipy.optimize import minimize

_SMALLEST, _LARGEST = -12.0, 9.0  # logarithms of a part's variance over that of the residual


def variance_parts(
    table: pd.DataFrame, value: str, parts: dict[str, str], *, within: str | None = None
) -> dict[str, float]:
    """Return the variance of each random part of a value, and of the residual, by REML.

    The model is ``value = mean + sum of parts + residual``, every part normal and independent.
    The residual's variance and the mean are profiled out (Bates et al. 2015, J. Stat. Softw.
    67(1), section 3.4), the others found by quasi-Newton steps on their logarithms. Written out
    because statsmodels' MixedLM takes a minute for designs as large as ours.

    Parameters
    ----------
    table
        One row an observation.
    value
        Column observed; rows without are left out.
    parts
        Name of each part to the column of its levels; levels may be crossed or nested.
    within
        Column of groups that share no level of any part: each is solved on its own, which is
        the same and quicker. ``None`` is one group.

    Returns
    -------
    dict
        Variances by name, and ``residual``.
    """
    known = table[table[value].notna()]
    y = known[value].to_numpy(float)
    y = y - y.mean()
    scale = float(y.std()) if len(y) > len(parts) + 1 else 0.0
    if not scale:
        return dict.fromkeys([*parts, "residual"], 0.0)
    y, n = y / scale, len(y)
    levels = [pd.factorize(known[column])[0] for column in parts.values()]
    group = np.zeros(n, int) if within is None else pd.factorize(known[within])[0]
    blocks = []
    for rows in (np.flatnonzero(group == g) for g in range(group.max() + 1)):
        alike = [(level[rows, None] == level[None, rows]).astype(float) for level in levels]
        blocks.append((np.column_stack([np.ones(len(rows)), y[rows]]), np.stack(alike)))

    def fitted(theta: np.ndarray) -> tuple[float, np.ndarray, float]:
        """Return twice the negative log likelihood, its slopes, and the residual's variance."""
        ratio, inner, size, inverses = np.exp(theta), np.zeros((2, 2)), 0.0, []
        for both, alike in blocks:
            v = np.eye(len(both)) + np.tensordot(ratio, alike, 1)
            factor = cholesky(v, lower=True, check_finite=False)
            inverses.append(cho_solve((factor, True), np.eye(len(both)), check_finite=False))
            inner += both.T @ inverses[-1] @ both
            size += 2 * float(np.log(np.diag(factor)).sum())
        mean = inner[0, 1] / inner[0, 0]
        squares = max(float(inner[1, 1] - mean * inner[0, 1]), 1e-12)
        slope = np.zeros(len(ratio))
        for (both, alike), inverse in zip(blocks, inverses, strict=True):
            one, left = inverse @ both[:, 0], inverse @ (both[:, 1] - mean * both[:, 0])
            slope += np.tensordot(alike, inverse, 2) - alike @ one @ one / inner[0, 0]
            slope -= (n - 1) * (alike @ left @ left) / squares
        loss = (n - 1) * np.log(squares / (n - 1)) + np.log(inner[0, 0])
        return float(loss + size), slope * ratio, squares / (n - 1)

    bounds = [(_SMALLEST, _LARGEST)] * len(levels)
    start = np.full(len(levels), -1.0)
    theta = minimize(lambda t: fitted(t)[:2], start, jac=True, bounds=bounds, method="L-BFGS-B").x
    residual = fitted(theta)[2]
    variances = np.where(theta > _SMALLEST + 1e-6, np.exp(theta), 0.0) * residual
    out = dict(zip(parts, variances.tolist(), strict=True)) | {"residual": residual}
    return {name: float(v) * scale**2 for name, v in out.items()}
