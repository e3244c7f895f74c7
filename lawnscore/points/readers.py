"""Readers err too: how far they agree, and what that leaves open in the shares they see."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from lawnscore.points.agreement import Kappa, cohen_kappa, counts_of
from lawnscore.points.compare import N_CLASSES, Compared

Array = NDArray[np.float64]

LEAN = 0.19
"""Error of a reader's share of a class, as a part of the points on which two readers disagree about
that class. A reader moves some points into a class and some out of it; were the two streams the
same in all people they would cancel. Taken here: each stream differs between people by a factor
whose logarithm has a spread of 0.5. Our own choice, no source; one reader alone cannot show it."""

ASSUMED_KAPPA = 0.8
"""Agreement about one class, beyond chance, taken for a reader whom nobody has checked; from memory
of what two people who know turf reach. Our own choice."""

FEWEST_SHARED = 50
"""Points two readers must share before their own agreement counts."""


@dataclass(frozen=True)
class Pair:
    """Two readers and how far they agree on the points that both could tell."""

    first: str
    second: str
    kappa: Kappa


def reader_pairs(compared: Compared) -> list[Pair]:
    """Return every pair of readers that share at least :data:`FEWEST_SHARED` points."""
    pairs = []
    for a, b in combinations(range(len(compared.readers)), 2):
        counts = _shared_counts(compared, a, b)
        if counts.sum() >= FEWEST_SHARED:
            pairs.append(Pair(compared.readers[a], compared.readers[b], cohen_kappa(counts)))
    return pairs


def reader_se(compared: Compared) -> Array:
    """Return the error (5,) that the readers' own leaning leaves in every share, 0 to 1.

    With one reader, or too few points in common, an agreement of :data:`ASSUMED_KAPPA` is taken for
    each class. Several readers of the same points lean on average less.
    """
    told = (compared.said >= 0).sum(axis=1)
    seen = compared.seen[compared.told]
    share = seen.mean(axis=0) if len(seen) else np.full(N_CLASSES, np.nan)
    apart = 2.0 * (1.0 - ASSUMED_KAPPA) * share * (1.0 - share)
    tables = [
        _shared_counts(compared, a, b) for a, b in combinations(range(len(compared.readers)), 2)
    ]
    shared = sum(tables, np.zeros((N_CLASSES, N_CLASSES)))
    if shared.sum() >= FEWEST_SHARED:
        p = shared / shared.sum()
        apart = p.sum(axis=1) + p.sum(axis=0) - 2 * np.diag(p)
    readers = float(told[told > 0].mean()) if (told > 0).any() else 1.0
    return np.asarray(LEAN * apart / np.sqrt(readers))


def _shared_counts(compared: Compared, a: int, b: int) -> Array:
    first, second = compared.said[:, a], compared.said[:, b]
    both = (first >= 0) & (second >= 0)
    return counts_of(first[both], second[both], N_CLASSES)
