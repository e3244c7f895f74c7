"""Condition: the measures of a lawn in one number from 0 to 100, by a formula kept in the open.

``condition = sum(weight * part) / sum(weight)`` over the five parts, each 0 to 100::

    cover        = 100 * green_cover_pct / 95
    colour       = 100 * (colour_index - 0.25) / (0.45 - 0.25)
    evenness     = 100 * (evenness - 50) / (90 - 50)
    bare_patches = 100 * (15 - bare_patch_pct) / 15
    casts        = 100 * (80 - casts_per_m2) / (80 - 10)

each held between 0 and 100. Weights are those of `[scoring.condition]` in `round.toml`
(45, 15, 15, 15, 10 unless changed). Where the colour is not known, because there is hardly any
leaf, its part is 0: a lawn without leaf has no good colour.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass

from lawnscore.contract.settings import ConditionWeights


@dataclass(frozen=True)
class Part:
    """One part of condition: the measure it reads and the values worth 0 and 100."""

    measure: str
    worst: float
    best: float
    why: str

    def score(self, value: float) -> float:
        """Return 0 to 100; NaN for an unknown value."""
        share = (value - self.worst) / (self.best - self.worst)
        return math.nan if math.isnan(share) else 100.0 * min(max(share, 0.0), 1.0)


PARTS: dict[str, Part] = {
    "cover": Part(
        "green_cover_pct", 0.0, 95.0, "95 % cover is asked of turf for general use (BS 3969)"
    ),
    "colour": Part("colour_index", 0.25, 0.45, "our own choice, no source"),
    "evenness": Part("evenness", 50.0, 90.0, "our own choice, no source"),
    "bare_patches": Part(
        "bare_patch_pct", 15.0, 0.0, "0 is ours; 15 % is the damage borne on a basic pitch"
    ),
    "casts": Part(
        "casts_per_m2", 80.0, 10.0, "10 per m2 is the limit of a fine lawn; 80 a field full of them"
    ),
}
"""The parts by the name of their weight. The figures for cover, bare patches and casts lean on
secondary sources (performance standards for amenity turf, a field guide to earthworms)."""

_TOGETHER = ("cover", "evenness", "bare_patches")
"""Parts that read the same cells: their errors are added up, not their squares."""


def condition(values: Mapping[str, float], weights: ConditionWeights) -> float:
    """Return the condition, 0 to 100; NaN when a measure it needs is unknown.

    Parameters
    ----------
    values
        Measures by name. An unknown `colour_index` counts 0.
    weights
        Weights of the parts; only their proportions matter.

    Raises
    ------
    ValueError
        When a weight is negative or all are 0.

    Examples
    --------
    >>> condition({"green_cover_pct": 95, "colour_index": 0.35, "evenness": 90,
    ...            "bare_patch_pct": 0, "casts_per_m2": 0}, ConditionWeights())
    92.5
    """
    shares = _proportions(weights)
    total = 0.0
    for name, part in PARTS.items():
        score = part.score(float(values[part.measure]))
        if name == "colour" and math.isnan(score):
            score = 0.0
        total += shares[name] * score
    return total


def condition_se(
    values: Mapping[str, float], se: Mapping[str, float], weights: ConditionWeights
) -> float:
    """Return the standard error of :func:`condition` from those of the measures.

    Each part moves by its own error up and down. The parts that read the same cells (cover,
    evenness, bare patches) are taken to err together; the others alone.
    """
    shares = _proportions(weights)

    def moved(name: str) -> float:
        part = PARTS[name]
        value, error = float(values[part.measure]), float(se[part.measure])
        if name == "colour" and (math.isnan(value) or math.isnan(error)):
            return 0.0
        return shares[name] * abs(_swing(part.score, value, error))

    together = sum(moved(name) for name in _TOGETHER)
    return math.sqrt(together**2 + sum(moved(n) ** 2 for n in PARTS if n not in _TOGETHER))


def _swing(score: Callable[[float], float], value: float, error: float) -> float:
    return (score(value + error) - score(value - error)) / 2.0


def _proportions(weights: ConditionWeights) -> dict[str, float]:
    raw = {name: float(weight) for name, weight in asdict(weights).items()}
    total = sum(raw.values())
    if min(raw.values()) < 0 or not total > 0:
        raise ValueError(f"weights of condition must be 0 or more, and not all 0: {raw}")
    return {name: weight / total for name, weight in raw.items()}
