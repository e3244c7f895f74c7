"""What the reports say that a zone's photos could have shown, for plans to start from."""

from __future__ import annotations

import pandas as pd

from lawnscore.history.sampling import ALPHA, POWER

MIN_PAIRED = 2
"""Spots photographed on both visits from which a comparison tells a zone's own spread."""


def detectable_changes(
    changes: pd.DataFrame | None, measure: str, power: float
) -> dict[tuple[str, str], tuple[int, float]]:
    """Return the photos of each zone's last visit and the change they could have shown.

    That is the figure of the last comparison with the visit before, as the reports tell it, for
    one measure and the chance ``power`` of showing it.
    """
    if changes is None or changes.empty:
        return {}
    rows = changes[
        (changes["measure"] == measure)
        & (changes["kind"] == "visit")
        & changes["smallest_detectable"].notna()
        & (changes["n_paired_spots"] >= MIN_PAIRED)
    ]
    last = rows.astype({"lawn": "string", "zone": "string", "to_date": "string"})
    last = last.sort_values("to_date").groupby(["lawn", "zone"]).tail(1)
    # stated at 80 %, and asked for at a chance of its own
    from scipy.stats import norm

    level = float(norm.ppf(1 - ALPHA / 2))
    usual, wanted = (level + float(norm.ppf(chance)) for chance in (POWER, power))
    return {
        (str(row["lawn"]), str(row["zone"])): (
            int(row["n_paired_spots"]),
            float(row["smallest_detectable"]) * wanted / usual,
        )
        for row in last.to_dict("records")
    }
