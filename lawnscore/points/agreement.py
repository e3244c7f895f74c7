"""How far two readers, or a reader and the program, agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Kappa:
    """Agreement of two readers on the same points.

    Parameters
    ----------
    n
        Points both read.
    observed, by_chance
        Share of points on which they agree, and would by chance alone.
    kappa, kappa_se
        Agreement beyond chance, 1 at best, and its standard error; NaN when both said one and the
        same of every point.
    """

    n: float
    observed: float
    by_chance: float
    kappa: float
    kappa_se: float


def cohen_kappa(counts: ArrayLike) -> Kappa:
    """Return the agreement of two readers from their table of counts.

    Parameters
    ----------
    counts
        (q, q): row what the one said, column what the other said.

    Notes
    -----
    Cohen 1960, Educ. Psychol. Meas. 20:37-46; the standard error is the large-sample one of Fleiss,
    Cohen & Everitt 1969, Psychol. Bull. 72:323-327 (from memory).

    Examples
    --------
    >>> round(cohen_kappa([[20, 5], [10, 15]]).kappa, 3)
    0.4
    """
    table = np.asarray(counts, dtype=np.float64)
    n = float(table.sum())
    if n <= 0:
        nan = float("nan")
        return Kappa(0.0, nan, nan, nan, nan)
    p = table / n
    row, col, same = p.sum(axis=1), p.sum(axis=0), np.diag(p)
    observed, by_chance = float(same.sum()), float(row @ col)
    if by_chance >= 1.0 - 1e-12:
        return Kappa(n, observed, by_chance, float("nan"), float("nan"))
    kappa = (observed - by_chance) / (1.0 - by_chance)
    # what each cell moves kappa by
    lean = 1.0 - kappa
    a = float(np.sum(same * (1.0 - (row + col) * lean) ** 2))
    off = p * (col[:, None] + row[None, :]) ** 2
    b = lean**2 * float(off.sum() - np.diag(off).sum())
    c = (kappa - by_chance * lean) ** 2
    variance = max(a + b - c, 0.0) / (n * (1.0 - by_chance) ** 2)
    return Kappa(n, observed, by_chance, kappa, float(np.sqrt(variance)))


def counts_of(first: ArrayLike, second: ArrayLike, n_classes: int) -> Array:
    """Return the table of counts (q, q) of what two readers said, as class numbers."""
    out = np.zeros((n_classes, n_classes))
    np.add.at(out, (np.asarray(first, dtype=int), np.asarray(second, dtype=int)), 1.0)
    return out
