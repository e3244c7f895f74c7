"""Variance components of crossed and nested designs by restricted maximum likelihood (REML)."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky
from scipy.optimize import minimize

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
    alike = []
    for column in parts.values():
        level = pd.factorize(known[column])[0]
        alike.append((level[:, None] == level[None, :]).astype(float))
    ones = np.ones(n)

    def fitted(theta: np.ndarray) -> tuple[float, float]:
        v = np.eye(n) + sum(np.exp(t) * k for t, k in zip(theta, alike, strict=True))
        factor = cholesky(v, lower=True)
        solved = cho_solve((factor, True), np.column_stack([ones, y]))
        precision = float(ones @ solved[:, 0])
        mean = float(ones @ solved[:, 1]) / precision
        squares = max(float(y @ solved[:, 1]) - mean**2 * precision, 1e-12)
        loss = (n - 1) * np.log(squares / (n - 1)) + np.log(precision)
        return float(loss + 2 * np.log(np.diag(factor)).sum()), squares / (n - 1)

    bounds = [(_SMALLEST, _LARGEST)] * len(alike)
    start = np.full(len(alike), -1.0)
    theta = minimize(lambda t: fitted(t)[0], start, bounds=bounds, method="L-BFGS-B").x
    residual = fitted(theta)[1]
    variances = np.where(theta > _SMALLEST + 1e-6, np.exp(theta), 0.0) * residual
    out = dict(zip(parts, variances.tolist(), strict=True)) | {"residual": residual}
    return {name: float(v) * scale**2 for name, v in out.items()}
