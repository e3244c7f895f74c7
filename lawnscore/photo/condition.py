"""Condition: the measures of a lawn in one number from 0 to 100, by a formula kept in the open.

``condition = sum(weight * part) / sum(weight)`` over the five parts, each 0 to 100::

    cover        = 100 * (green_cover_pct - 30) / (96 - 30)
    colour       = 100 * (colour_index - 0.45) / (0.62 - 0.45)
    evenness     = 100 * (evenness - 60) / (100 - 60)
    bare_patches = 100 * (15 - bare_patch_pct) / 15
    casts        = 100 * (80 - casts_per_m2) / 80

each held between 0 and 100. The ends are those between which lawns lie, so that no part sits at its
end on a usual lawn; :data:`PARTS` says where each comes from.

Weights are those of `[scoring.condition]` in `round.toml` (45, 15, 15, 15, 10 unless changed).
Where the colour is not known, because there is hardly any leaf, its part is 0: a lawn without leaf
has no good colour.
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
        "green_cover_pct",
        30.0,
        96.0,
        "30 % is a lawn just scarified or sown; 96 % is asked of a first-class pitch",
    ),
    "colour": Part(
        "colour_index", 0.45, 0.62, "from yellowish to dark striped turf, of rendered lawns"
    ),
    "evenness": Part("evenness", 60.0, 100.0, "from the patchiest to the evenest rendered lawns"),
    "bare_patches": Part(
        "bare_patch_pct", 15.0, 0.0, "0 is ours; 15 % is the damage borne on a basic pitch"
    ),
    "casts": Part("casts_per_m2", 80.0, 0.0, "80 per m2 is a field full of worms"),
}
"""The parts by the name of their weight.

Cover and bare patches lean on performance standards of football pitches (live cover 96 % first
class, damage up to 15 % basic; a grounds-management reference page, indicative), casts on a field
guide to earthworms (20 in a quarter of a square metre: many) and on Binns, Baker & Piearce 1999, J.
Turfgrass Sci. 75:36-44 (0 to 119 per m2 on 32 fairways). Colour and evenness have no standard: they
span what lawns rendered from leaf pigments show, 0.455 to 0.576 and 59.6 to 96.4 in the middle 95 %
of 24 lawns of every kind, and up to 0.617 in the sample pictures.
"""

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
    >>> round(condition({"green_cover_pct": 96, "colour_index": 0.535, "evenness": 90,
    ...                  "bare_patch_pct": 0, "casts_per_m2": 0}, ConditionWeights()), 1)
    88.8
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
