"""Small tables for the tests of the history."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from lawnscore.contract.tables import VISIT_SCORES, WORK

START = np.datetime64("2024-01-01")


def day(number: int) -> str:
    return str(START + number)


def photo(lawn: str, number: int, stage: str = "check", **values: Any) -> dict[str, Any]:
    row = {"lawn": lawn, "zone": "all", "date": day(number), "stage": stage, "status": "scored"}
    return row | {"area_m2": 1.5} | values


def visit(
    lawn: str, number: int, cover: float, stage: str = "check", *, se: float = 2.0, **values: Any
) -> dict[str, Any]:
    row = {"lawn": lawn, "zone": "all", "date": day(number), "stage": stage, "photos": 4}
    row |= {"refused": 0, "green_cover_pct": cover}
    row |= {"green_cover_pct_low": cover - 1.96 * se, "green_cover_pct_high": cover + 1.96 * se}
    return row | values


def visits(rows: list[dict[str, Any]]) -> pd.DataFrame:
    return VISIT_SCORES.frame(rows)


def work(*rows: tuple[str, int, str]) -> pd.DataFrame:
    return WORK.frame(
        [{"lawn": lawn, "zone": "all", "date": day(n), "task": task} for lawn, n, task in rows]
    )


def weather(days: int) -> pd.DataFrame:
    d = np.arange(days)
    mean = 11 - 8 * np.cos(2 * np.pi * (d - 15) / 365.25)
    return pd.DataFrame({"date": (START + d).astype(str), "mean_c": mean})


def regrown(before: float, left: float, days_to_95: float, t: float) -> float:
    """Return the cover of a logistic course through `left` at 0 and 95 % at `days_to_95`."""
    b2 = np.log(before / left - 1)
    return float(before / (1 + np.exp(b2 - (b2 + np.log(19)) / days_to_95 * t)))
