"""The measures of a lawn: names, meaning, unit and which way is better.

This is the one list that columns, tables, verdicts, charts and documents are made from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["share", "density", "size", "index", "colour"]


@dataclass(frozen=True)
class Measure:
    """One measure.

    Parameters
    ----------
    name
        Column name, unit included.
    meaning
        One line for documents.
    kind
        ``share`` (0 to 100 %), ``density`` (per m2, never below 0), ``size`` (never below 0),
        ``index`` or ``colour`` (any real number). Intervals keep to the range of the kind.
    better
        +1 more is better, -1 less is better, 0 neither.
    low, high
        Range of possible values; ``None`` is unbounded.
    main
        Whether it is one of the main measures: interval calibration is reported for these.
    """

    name: str
    meaning: str
    kind: Kind
    better: Literal[-1, 0, 1]
    low: float | None = 0.0
    high: float | None = None
    main: bool = False


_ALL = (
    Measure("green_cover_pct", "green leaf, seen from straight above", "share", 1, 0, 100, True),
    Measure("straw_cover_pct", "dead leaf and exposed thatch", "share", -1, 0, 100, True),
    Measure("bare_soil_pct", "soil, casts not counted", "share", -1, 0, 100, True),
    Measure("litter_pct", "fallen leaves and other things on the turf", "share", -1, 0, 100),
    Measure("cast_cover_pct", "ground under earthworm casts", "share", -1, 0, 100),
    Measure("casts_per_m2", "earthworm casts", "density", -1, 0, None, True),
    Measure("bare_patch_pct", "ground in bare patches", "share", -1, 0, 100, True),
    Measure("bare_patches_per_m2", "bare patches", "density", -1),
    Measure("largest_bare_patch_cm2", "area of the largest bare patch", "size", -1),
    Measure("colour_index", "dark green colour index of the leaf", "index", 1, None, None, True),
    Measure("leaf_L", "mean CIELAB L* of the leaf", "colour", 0, 0, 100),
    Measure("leaf_a", "mean CIELAB a* of the leaf", "colour", 0, None, None),
    Measure("leaf_b", "mean CIELAB b* of the leaf", "colour", 0, None, None),
    Measure(
        "evenness",
        "100 less twice the standard deviation of green cover over 10 cm squares",
        "share",
        1,
        0,
        100,
        True,
    ),
    Measure("condition", "summary of the measures, 0 to 100", "share", 1, 0, 100, True),
)

MEASURES: dict[str, Measure] = {measure.name: measure for measure in _ALL}
"""Every measure by column name, in the order of the tables."""

SURFACE_SHARES = (
    "green_cover_pct",
    "straw_cover_pct",
    "bare_soil_pct",
    "litter_pct",
    "cast_cover_pct",
)
"""The shares that add up to 100 % of the measured ground."""
