"""Records of plant protection products and of fertilisers, from work.csv.

What a record must hold is written here from memory of the rules named, not from their text: defer
to your own authority's form. No product is suggested, and nothing here authorises an application.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from lawnscore.care.feed_record import nutrients_by_year
from lawnscore.contract.rows import Row, rows_of

Rule = Literal["eu", "us"]

RULE_NAMES: dict[Rule, str] = {
    "eu": "Regulation (EC) 1107/2009, Article 67, and Implementing Regulation (EU) 2023/564",
    "us": "7 CFR 110.3",
}
"""What the record follows, from memory."""


@dataclass(frozen=True)
class Item:
    """One item of a record: its word, the column of work.csv that holds it, and who asks for it."""

    word: str
    column: str
    rules: tuple[Rule, ...]


ITEMS = (
    Item("product", "product", ("eu", "us")),
    Item("registration", "registration_no", ("eu", "us")),
    Item("start", "start_time", ("eu",)),
    Item("dose", "rate", ("eu", "us")),
    Item("unit", "rate_unit", ("eu", "us")),
    Item("area", "area_m2", ("eu", "us")),
    Item("operator", "who", ("eu", "us")),
    Item("certificate", "certificate", ("us",)),
)
"""What a row of spraying must hold. Date and place stand in every row; the crop is amenity turf.
Target and wind are kept where they are written, and asked for by neither."""

PROTECTION_COLUMNS = (
    "date",
    "start_time",
    "lawn",
    "zone",
    "area_m2",
    "crop",
    "product",
    "registration_no",
    "rate",
    "rate_unit",
    "target",
    "wind",
    "who",
    "certificate",
    "missing",
)
FERTILISER_COLUMNS = (
    "lawn",
    "zone",
    "area_m2",
    "feeds",
    "n_kg",
    "p2o5_kg",
    "k2o_kg",
    "n_kg_ha",
    "p2o5_kg_ha",
    "k2o_kg_ha",
    "over_limit",
    "missing",
)
CROP = "amenity turf"
_NUTRIENTS = ("n", "p2o5", "k2o")


def missing_items(row: Row, rule: Rule) -> list[str]:
    """Return the columns of work.csv that a row of spraying leaves empty and the rule asks for."""
    return [item.column for item in ITEMS if rule in item.rules and not _known(row, item.column)]


def _known(row: Row, column: str) -> bool:
    value = row.get(column)
    return value is not None and not pd.isna(value) and str(value).strip() != ""


def protection_record(
    work: pd.DataFrame, lawns: pd.DataFrame, year: int, *, rule: Rule = "eu"
) -> pd.DataFrame:
    """Return the year's record of plant protection: one row a lawn, zone and application.

    Returns
    -------
    DataFrame
        :data:`PROTECTION_COLUMNS`, by date. ``area_m2`` is that of the row, else of the zone;
        ``missing`` names the columns of work.csv that the rule asks for, joined by commas.
    """
    areas = {(r["lawn"], r["zone"]): r["area_m2"] for r in lawns.to_dict("records")}
    rows = []
    for row in _of_year(work, year, "spray"):
        if not _known(row, "area_m2"):
            row["area_m2"] = areas.get((row["lawn"], row["zone"]), math.nan)
        row |= {"crop": CROP, "missing": ", ".join(missing_items(row, rule))}
        rows.append({name: row.get(name) for name in PROTECTION_COLUMNS})
    return pd.DataFrame(rows, columns=list(PROTECTION_COLUMNS))


def fertiliser_record(
    work: pd.DataFrame, lawns: pd.DataFrame, year: int, *, n_limit_kg_ha: float | None = None
) -> pd.DataFrame:
    """Return the year's fertiliser by lawn and zone, for its area and per hectare.

    Parameters
    ----------
    n_limit_kg_ha
        Limit of N a year that the user sets, kg/ha; none is known here.

    Returns
    -------
    DataFrame
        :data:`FERTILISER_COLUMNS`. A sum that leaves feeds out says so in ``missing`` and is a
        lower bound; ``over_limit`` is empty without a limit.
    """
    totals = nutrients_by_year(work, lawns)
    areas = {(r["lawn"], r["zone"]): r["area_m2"] for r in lawns.to_dict("records")}
    rows = []
    for total in totals[totals["year"] == year].to_dict("records"):
        area = areas.get((total["lawn"], total["zone"]))
        row: Row = {"lawn": total["lawn"], "zone": total["zone"], "area_m2": area}
        for name in _NUTRIENTS:
            g_m2 = float(total[f"{name}_g_m2"])
            row[f"{name}_kg_ha"] = g_m2 * 10
            row[f"{name}_kg"] = math.nan if area is None else g_m2 * float(area) / 1000
        row["feeds"] = int(total["applications"])
        over = row["n_kg_ha"] > n_limit_kg_ha if n_limit_kg_ha is not None else None
        row["over_limit"] = over
        row["missing"] = total["note"] if total["not_counted"] else ""
        rows.append(row)
    return pd.DataFrame(rows, columns=list(FERTILISER_COLUMNS))


def _of_year(work: pd.DataFrame, year: int, task: str) -> list[Row]:
    frame = work[(work["task"] == task) & work["date"].str.startswith(f"{year}-")]
    return rows_of(frame.sort_values(["date", "lawn", "zone"]))
