"""An error that all photos of a visit share stays in its interval, whatever is measured."""

from __future__ import annotations

import numpy as np
import pytest

from lawnscore import visit_scores
from lawnscore.contract.tables import PHOTO_SCORES
from tests.history.rounds import photo


@pytest.mark.parametrize(
    ("measure", "value", "spread", "shared"),
    [
        ("green_cover_pct", 80.0, 0.5, 4.0),
        ("casts_per_m2", 20.0, 0.2, 6.0),
        ("colour_index", 0.55, 0.002, 0.03),
        ("leaf_L", 34.0, 0.1, 3.0),
        ("condition", 70.0, 0.5, 4.0),
    ],
)
def test_many_photos_that_agree_leave_it(
    measure: str, value: float, spread: float, shared: float
) -> None:
    rng = np.random.default_rng(4)
    rows = [
        photo("a", 30 * visit, **{measure: value + rng.normal(0, spread), f"{measure}_se": shared})
        for visit in range(6)
        for _ in range(16)
    ]
    found = visit_scores(PHOTO_SCORES.frame(rows))
    half = (found[f"{measure}_high"] - found[f"{measure}_low"]) / 2
    assert half.min() > 1.9 * shared
    without = visit_scores(PHOTO_SCORES.frame([row | {f"{measure}_se": 0.0} for row in rows]))
    narrow = (without[f"{measure}_high"] - without[f"{measure}_low"]) / 2
    assert narrow.max() < 0.8 * half.min()
