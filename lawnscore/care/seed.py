"""Seed and top-dressing: kg for an area, litres and tonnes for a depth."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lawnscore.care.units import positive

SAND_T_M3 = 1.6
"""Bulk density of dry screened sand, t/m3. From memory: weigh a bucket of what you use."""

BURYING_DEPTH_MM = 6.0
"""Depth at once that begins to smother the sward, mm. Common practice, no source."""


def seed_kg(rate_g_m2: float, area_m2: float, *, passes: int = 1) -> float:
    """Return the seed for an area, kg; ``passes`` are crossing sowings of the full rate each.

    Examples
    --------
    >>> seed_kg(35, 140)
    4.9
    """
    rate, area = positive("rate", rate_g_m2, "g/m2"), positive("area", area_m2, "m2")
    return rate * area * int(positive("passes", passes)) / 1000


@dataclass(frozen=True)
class TopDressing:
    """Material for a top-dressing."""

    area_m2: float
    depth_mm: float
    litres: float
    tonnes: float
    kg_per_m2: float
    warnings: tuple[str, ...] = ()


def top_dressing(
    area_m2: float, depth_mm: float, *, bulk_density_t_m3: float = SAND_T_M3
) -> TopDressing:
    """Return the loose material for a depth: 1 mm on 1 m2 is 1 litre.

    Parameters
    ----------
    area_m2
        Area, m2.
    depth_mm
        Mean depth over the area, mm.
    bulk_density_t_m3
        Mass of a cubic metre as it is delivered, t/m3 (the same number as kg/l).

    Examples
    --------
    >>> dressing = top_dressing(140, 3)
    >>> dressing.litres, round(dressing.tonnes, 3)
    (420.0, 0.672)
    """
    area, depth = positive("area", area_m2, "m2"), positive("depth", depth_mm, "mm")
    density = positive("bulk density", bulk_density_t_m3, "t/m3")
    warnings = []
    if depth > BURYING_DEPTH_MM:
        warnings.append(
            f"{depth:g} mm at once may smother the grass: put it on in "
            f"{math.ceil(depth / BURYING_DEPTH_MM)} goes and brush it in."
        )
    litres = area * depth
    return TopDressing(
        area, depth, litres, litres * density / 1000, depth * density, tuple(warnings)
    )
