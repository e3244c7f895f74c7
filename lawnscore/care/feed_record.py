"""What was fed: nutrients of every application in work.csv, and of every zone and year."""

from __future__ import annotations

import math

import pandas as pd

from lawnscore.care.feed import NUTRIENTS, Label, feed, product_g_m2_of_liquid
from lawnscore.care.units import KINDS, unit_factor
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row

_LABEL_COLUMNS = ("n_pct", "p2o5_pct", "k2o_pct", "ca_pct", "mg_pct", "fe_pct", "s_pct")

APPLICATION_COLUMNS = (
    "date",
    "lawn",
    "zone",
    "product",
    "area_m2",
    "zone_area_m2",
    "product_g_m2",
    "product_kg",
    *(f"{name.lower()}_g_m2" for name in NUTRIENTS),
    "note",
)
"""Columns of :func:`applications`."""

YEAR_COLUMNS = (
    "lawn",
    "zone",
    "year",
    "applications",
    "not_counted",
    *(f"{name.lower()}_g_m2" for name in NUTRIENTS),
    "largest_n_g_m2",
    "note",
)
"""Columns of :func:`nutrients_by_year`."""


def applications(
    work: pd.DataFrame, lawns: pd.DataFrame | None = None, *, density_kg_l: float | None = None
) -> pd.DataFrame:
    """Return one row a zone and application of feed, with the nutrients laid down.

    Parameters
    ----------
    work
        The table ``work`` of the contract; tasks `feed`, and `spray` with a label.
    lawns
        The table ``lawns``: areas, and the zones that a row for the zone ``all`` stands for.
    density_kg_l
        Density of liquid products, kg/l, for rates by volume; their label is by weight.

    Returns
    -------
    DataFrame
        :data:`APPLICATION_COLUMNS`. Nutrients are g/m2 of the ground fed, NaN where they cannot
        be told; ``note`` says why.
    """
    rows = []
    for record in _feeds(work):
        zones = _zones(record, lawns)
        fed = math.fsum(area for _, _, area in zones)
        rate, why = _rate(record, fed, density_kg_l)
        rows += [_application(record, zone, rate, why) for zone in zones]
    out = pd.DataFrame(rows, columns=list(APPLICATION_COLUMNS))
    numbers = [name for name in APPLICATION_COLUMNS if name.endswith(("_m2", "_kg"))]
    return out.astype(dict.fromkeys(numbers, "float64")).reset_index(drop=True)


def nutrients_by_year(
    work: pd.DataFrame, lawns: pd.DataFrame | None = None, *, density_kg_l: float | None = None
) -> pd.DataFrame:
    """Return one row a zone and calendar year: nutrients laid down, averaged over the zone.

    An application on a part of the zone counts by its share of the zone's area. One whose
    nutrients cannot be told is in ``not_counted``: the sum is then a lower bound. A nutrient is
    summed over the labels that state it.

    Returns
    -------
    DataFrame
        :data:`YEAR_COLUMNS`; nutrients in g/m2 a year, NaN when none could be told.
    """
    single = applications(work, lawns, density_kg_l=density_kg_l)
    rows = []
    if len(single):
        single = single.assign(year=single["date"].str[:4].astype(int))
        for (lawn, zone, year), group in single.groupby(["lawn", "zone", "year"], sort=True):
            rows.append(_year_row(str(lawn), str(zone), int(str(year)), group))
    return pd.DataFrame(rows, columns=list(YEAR_COLUMNS))


def _feeds(work: pd.DataFrame) -> list[Row]:
    if work.empty:
        return []
    frame = work.reindex(columns=[*work.columns.union([*_LABEL_COLUMNS, "product_used_kg"])])
    labelled = frame[list(_LABEL_COLUMNS)].notna().any(axis=1)
    fed = (frame["task"] == "feed") | ((frame["task"] == "spray") & labelled)
    records = frame[fed].sort_values(["date", "lawn", "zone"]).to_dict("records")
    return [{str(key): value for key, value in record.items()} for record in records]


def _number(record: Row, column: str) -> float:
    value = record.get(column)
    return math.nan if value is None or pd.isna(value) else float(value)


def _zones(record: Row, lawns: pd.DataFrame | None) -> list[tuple[str, float, float]]:
    """Return zone, its area and the area fed in it, for every zone the row stands for."""
    zone, fed = str(record["zone"]), _number(record, "area_m2")
    if lawns is None or lawns.empty:
        return [(zone, math.nan, fed)]
    own = lawns[lawns["lawn"] == record["lawn"]]
    areas = {str(z): float(a) for z, a in zip(own["zone"], own["area_m2"], strict=True)}
    if zone in areas:
        return [(zone, areas[zone], areas[zone] if math.isnan(fed) else fed)]
    if zone != "all" or not areas:
        return [(zone, math.nan, fed)]
    whole = math.fsum(areas.values())
    part = 1.0 if math.isnan(fed) else fed / whole
    return [(z, area, area * part) for z, area in areas.items()]


def _application(record: Row, place: tuple[str, float, float], rate: float, why: str) -> Row:
    zone, zone_area, area = place
    label, note = _label(record)
    note = "; ".join(part for part in (note, why) if part)
    row: Row = dict.fromkeys(APPLICATION_COLUMNS, math.nan)
    row.update(
        date=record["date"],
        lawn=record["lawn"],
        zone=zone,
        product="" if pd.isna(record.get("product")) else record["product"],
        area_m2=area,
        zone_area_m2=zone_area,
        product_g_m2=rate,
        product_kg=rate * area / 1000,
        note=note,
    )
    if label is not None and rate > 0:
        laid = feed(label, rate, 1.0)
        row.update({f"{n.lower()}_g_m2": amount for n, amount in laid.nutrients_g_m2.items()})
    return row


def _label(record: Row) -> tuple[Label | None, str]:
    parts = {name: _number(record, name) for name in _LABEL_COLUMNS}
    if all(math.isnan(value) for value in parts.values()):
        return None, "no analysis recorded"
    given = {name: value for name, value in parts.items() if not math.isnan(value)}
    try:
        return Label(**given), ""
    except LawnscoreError as error:
        return None, error.what


def _rate(record: Row, area: float, density: float | None) -> tuple[float, str]:
    rate, unit = _number(record, "rate"), record.get("rate_unit")
    used = _number(record, "product_used_kg")
    if not math.isnan(rate) and unit is not None and not pd.isna(unit):
        return _recorded_rate(rate, str(unit), density)
    if used > 0 and area > 0:
        return used * 1000 / area, "rate from the weight used"
    if not math.isnan(rate):
        return math.nan, "rate has no unit"
    return math.nan, "no rate recorded"


def _recorded_rate(rate: float, unit: str, density: float | None) -> tuple[float, str]:
    if rate <= 0:
        return math.nan, f"rate is {rate:g}"
    try:
        return rate * unit_factor(unit, "mass rate"), ""
    except LawnscoreError as error:
        mass_error = error
    try:
        litres = rate * unit_factor(unit, "volume rate")
    except LawnscoreError:
        return math.nan, f"{mass_error.what} (such as {KINDS['mass rate'][2]})"
    if density is None:
        return math.nan, "rate by volume needs the density"
    return product_g_m2_of_liquid(litres, density), ""


def _year_row(lawn: str, zone: str, year: int, group: pd.DataFrame) -> Row:
    share = (group["area_m2"] / group["zone_area_m2"]).fillna(1.0)
    told = group["n_g_m2"].notna()
    row: Row = {"lawn": lawn, "zone": zone, "year": year}
    row["applications"] = len(group)
    row["not_counted"] = int((~told).sum())
    for name in NUTRIENTS:
        column = f"{name.lower()}_g_m2"
        row[column] = (group[column] * share)[told].sum(min_count=1)
    row["largest_n_g_m2"] = group["n_g_m2"].max()
    row["note"] = "; ".join(sorted({note for note in group.loc[~told, "note"] if note}))
    return row
