"""Which source of error dominates each measure: card, light, camera, classes or sampling."""

from __future__ import annotations

from itertools import combinations
from math import factorial

import numpy as np

from benchmarks.accuracy.cases import SOURCES
from benchmarks.accuracy.tables import Result, Table, fmt, scored
from lawnscore.contract.measures import MEASURES

PHOTOS = 4
"""Photos of a visit to a zone."""

Square = dict[frozenset[str], float]
"""Mean square error with those sources at work."""


def sources_tables(results: list[Result]) -> list[Table]:
    """Shares of the mean square error, and errors with sources taken away."""
    from benchmarks.accuracy.visits import sampling_variance

    whole = frozenset(SOURCES)
    shares, sizes = [], []
    for name in [m.name for m in MEASURES.values() if m.main]:
        square, lawns = _mean_squares(results, name)
        if square is None:
            continue
        truths = [r["truth"][name] for r in scored(results) if _at_work(r) == whole]
        sampling = sampling_variance(name, truths, PHOTOS)
        part = shapley(square) | {"classes": square[frozenset()], "sampling": sampling}
        positive = {source: max(value, 0.0) for source, value in part.items()}
        total = sum(positive.values())
        if total == 0:  # nothing of the kind in any of the lawns
            continue
        largest = max(positive, key=lambda source: positive[source])
        shares.append((name, *(f"{100 * v / total:.0f}" for v in positive.values()), largest))
        digits = 3 if name == "colour_index" else 2
        left = (whole, *(whole - {s} for s in ("card", "light", "camera")), frozenset())
        sizes.append((name, str(lawns), *(fmt(np.sqrt(square[k]), digits) for k in left),
                      fmt(np.sqrt(sampling), digits)))  # fmt: skip
    return [
        Table(
            f"Where the error of a visit with {PHOTOS} photos comes from: % of its mean square",
            ("measure", *SOURCES, "classes", "sampling", "largest"),
            tuple(shares),
            (
                "Card: nominal in place of measured colours. Light and camera: random in place of "
                "an overcast sky near D65 and of a camera that changes next to nothing. Each gets "
                "the mean of what it adds over all orders of adding the three (Shapley 1953); "
                "classes is the error left with none of them, whatever its cause; less than "
                "nothing counts as 0. These four are taken as shared by the photos of a visit; "
                "sampling is the chance of the spots.",
            ),
        ),
        Table(
            "RMSE with one source after another taken away",
            ("measure", "lawns", "everything", "card measured", "plain light", "plain camera",
             "all three", f"SD of sampling, {PHOTOS} photos"),
            tuple(sizes),
        ),
    ]  # fmt: skip


def _at_work(result: Result) -> frozenset[str]:
    return frozenset(source for source in SOURCES if result["tags"][source])


def _mean_squares(results: list[Result], name: str) -> tuple[Square | None, int]:
    """Mean squares over the lawns all of whose photos give the measure, and their number."""
    lawns: dict[str, Square] = {}
    for r in scored(results):
        value, truth = r["row"][name], r["truth"][name]
        if value is not None and truth is not None and np.isfinite(truth):
            lawn = r["name"].split("-", 1)[0]
            lawns.setdefault(lawn, {})[_at_work(r)] = (value - truth) ** 2
    whole = [square for square in lawns.values() if len(square) == 2 ** len(SOURCES)]
    if not whole:
        return None, 0
    return {k: float(np.mean([square[k] for square in whole])) for k in whole[0]}, len(whole)


def shapley(square: Square) -> dict[str, float]:
    """What each source adds, averaged over all orders in which they may come to work."""
    n = len(SOURCES)
    out = {}
    for source in SOURCES:
        others = [s for s in SOURCES if s != source]
        out[source] = sum(
            factorial(k) * factorial(n - k - 1) / factorial(n)
            * (square[frozenset(have) | {source}] - square[frozenset(have)])
            for k in range(n)
            for have in combinations(others, k)
        )  # fmt: skip
    return out
