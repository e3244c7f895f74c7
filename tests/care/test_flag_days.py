"""A flag asks for a visit as soon as its matter wants it."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd
import pytest

from lawnscore.care.visit_reasons import flag_reasons

TODAY = date(2026, 5, 4)


@pytest.mark.parametrize(
    ("flag", "days"),
    [("disease weather", 3), ("cover falling", 7), ("casts rising", 14), ("uneven", 28)],
)
def test_the_days_a_flag_gives(flag: str, days: int) -> None:
    row = {"lawn": "elm-row", "zone": "all", "flag": flag, "since": None, "evidence": "seen.",
           "next_step": "look", "urgency": 2.0}  # fmt: skip
    (reason,) = flag_reasons(pd.DataFrame([row]), TODAY)
    assert reason.due == TODAY + timedelta(days=days)
    assert reason.urgency == 2.0
