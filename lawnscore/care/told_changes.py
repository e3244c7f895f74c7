"""What the reports say that a zone's photos could have shown, for plans to start from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from lawnscore.history.sampling import ALPHA, POWER

if TYPE_CHECKING:
    from lawnscore.care.photos_needed import Goal

MIN_PAIRED = 2
"""Spots photographed on both visits from which a comparison tells a zone's own spread."""


def told_changes(
    changes: pd.DataFrame | None, goal: Goal
) -> dict[tuple[str, str], tuple[int, float]]:
    """Return the photos of each zone's last visit and the change they could have shown.

    That is the figure of the last comparison with the visit before, as the reports tell it.
    """
    if changes is None or changes.empty or goal.kind != "change":
        return {}
    rows = changes[
        (changes["measure"] == goal.measure)
        & (changes["kind"] == "visit")
        & changes["smallest_detectable"].notna()
        & (changes["n_paired_spots"] >= MIN_PAIRED)
    ]
    last = rows.astype({"lawn": "string", "zone": "string", "to_date": "string"})
    last = last.sort_values("to_date").groupby(["lawn", "zone"]).tail(1)
    # stated at 80 %, and asked for at the goal's own chance
    from scipy.stats import norm

    level = float(norm.ppf(1 - ALPHA / 2))
    usual, wanted = (level + float(norm.ppf(power)) for power in (POWER, goal.power))
    return {
        (str(row["lawn"]), str(row["zone"])): (
            int(row["n_paired_spots"]),
            float(row["smallest_detectable"]) * wanted / usual,
        )
        for row in last.to_dict("records")
    }
