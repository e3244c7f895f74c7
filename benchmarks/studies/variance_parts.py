"""Variance components of crossed and nested designs by restricted maximum likelihood (REML)."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky
from scipy.optimize import minimize
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

_SMALLEST, _LARGEST = -12.0, 9.0  # logarithms of a part's variance over that of the residual


def variance_parts(table: pd.DataFrame, value: str, parts: dict[str, str]) -> dict[str, float]:
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
    y = y / scale
    n = len(y)
    levels = np.array([pd.factorize(known[column])[0] for column in parts.values()])
    blocks = [(np.column_stack([np.ones(len(rows)), y[rows]]),
               (levels[:, rows, None] == levels[:, None, rows]).astype(float))
              for rows in _independent(levels)]  # fmt: skip

    def fitted(theta: np.ndarray) -> tuple[float, float]:
        products, log_det = np.zeros((2, 2)), 0.0
        for columns, alike in blocks:
            factor = cholesky(np.eye(len(columns)) + np.tensordot(np.exp(theta), alike, 1), True)
            products += columns.T @ cho_solve((factor, True), columns)
            log_det += 2 * float(np.log(np.diag(factor)).sum())
        precision = products[0, 0]
        squares = max(products[1, 1] - products[0, 1] ** 2 / precision, 1e-12)
        loss = (n - 1) * np.log(squares / (n - 1)) + np.log(precision) + log_det
        return float(loss), float(squares / (n - 1))

    bounds = [(_SMALLEST, _LARGEST)] * len(levels)
    start = np.full(len(levels), -1.0)
    theta = minimize(lambda t: fitted(t)[0], start, bounds=bounds, method="L-BFGS-B").x
    residual = fitted(theta)[1]
    variances = np.where(theta > _SMALLEST + 1e-6, np.exp(theta), 0.0) * residual
    out = dict(zip(parts, variances.tolist(), strict=True)) | {"residual": residual}
    return {name: float(v) * scale**2 for name, v in out.items()}


def _independent(levels: np.ndarray) -> list[np.ndarray]:
    """Return the rows of each group that shares no level with another, of levels (parts, n)."""
    size = levels.max(axis=1) + 1
    first = np.concatenate([[0], np.cumsum(size)[:-1]])
    rows = np.tile(np.arange(levels.shape[1]), len(levels))
    ties = coo_array((np.ones(levels.size), (rows, (levels + first[:, None]).ravel())))
    _, group = connected_components(ties @ ties.T, directed=False)
    return [np.flatnonzero(group == g) for g in range(group.max() + 1)]
