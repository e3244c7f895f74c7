"""Figures as printed: unknown is null, and the lawn around is less sure than the ground."""

from __future__ import annotations

import math
from types import SimpleNamespace

from lawnscore.commands.photo import _measure_rows
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.rows import plain


def test_what_is_no_number_is_null_in_json() -> None:
    assert plain({"a": math.nan, "b": [math.inf, 1.5]}) == {"a": None, "b": [None, 1.5]}


def test_the_interval_of_the_lawn_around_holds_the_sampling_error_by_hand() -> None:
    """1.96 times 3, and 1.96 times the root of 3 and 4 squared."""
    values = dict.fromkeys(MEASURES, 50.0) | {f"{name}_se": 3.0 for name in MEASURES}
    score = SimpleNamespace(row=values, sampling_se=dict.fromkeys(MEASURES, 4.0))
    rows = {row[0]: row[2:4] for row in _measure_rows(score)}  # type: ignore[arg-type]
    assert rows["green_cover_pct"] == ("44.1 to 55.9", "40.2 to 59.8")
