"""The year's records on paper: plant protection and fertiliser, with what is missing."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from reportlab.platypus import Flowable, Table

from lawnscore.contract.rows import Row, rows_of
from lawnscore.paper.sizes import MM
from lawnscore.report.language import Words
from lawnscore.report.paper import INK, RULE, WIDTH, build, para, rule


def record_pdf(
    protection: pd.DataFrame,
    fertiliser: pd.DataFrame,
    words: Words,
    *,
    year: int,
    rule_name: str,
    business: str = "",
) -> bytes:
    """Return the records of a year as A4 pages."""
    title = words.text("record.title", year=year)
    flow: list[Flowable] = [para(title, "name")]
    flow += [para(business, "small")] if business else []
    flow += [rule(INK), para(words.text("record.protection"), "h2")]
    flow.append(para(words.text("record.follows", rule=rule_name), "small"))
    heads = ("when", "where", "what", "dose", "area", "operator", "missing")
    rows = [_spray(row, words) for row in rows_of(protection)]
    flow.append(_table(heads, rows, words, (22, 26, 32, 20, 16, 24)))
    flow += [rule(), para(words.text("record.fertiliser"), "h2")]
    heads = ("where", "area", "feeds", "n", "p2o5", "k2o", "missing")
    rows = [_fed(row, words) for row in rows_of(fertiliser)]
    flow.append(_table(heads, rows, words, (34, 18, 16, 26, 26, 26)))
    flow += [rule(), para(words.text("record.cautions"), "small")]
    data, _ = build(flow, words, title=title, author=business)
    return data


def _place(row: Row) -> str:
    return str(row["lawn"]) if row["zone"] == "all" else f"{row['lawn']}, {row['zone']}"


def _spray(row: Row, words: Words) -> list[str]:
    when = " ".join(p for p in (words.date(row["date"], "medium"), row["start_time"]) if p)
    what = ", ".join(p for p in (row["product"], row["registration_no"], row["target"]) if p)
    dose = "" if row["rate"] is None else words.amount(row["rate"], row["rate_unit"] or "")
    operator = ", ".join(p for p in (row["who"], row["certificate"], row["wind"]) if p)
    return [
        when,
        _place(row),
        what,
        dose,
        words.area(row["area_m2"]),
        operator,
        _missing(row, words),
    ]


def _missing(row: Row, words: Words) -> str:
    columns = [c for c in str(row["missing"] or "").split(", ") if c]
    return ", ".join(words.text(f"record.item_{column}") for column in columns)


def _fed(row: Row, words: Words) -> list[str]:
    def amount(name: str) -> str:
        per_area, in_all = row[f"{name}_kg_ha"], row[f"{name}_kg"]
        if per_area is None:
            return words.text("unit.unknown")
        text = words.text("record.per_ha", value=words.number(per_area))
        return text if in_all is None else f"{words.number(in_all, 2)} kg; {text}"

    note = words.text("record.over") if row["over_limit"] else ""
    missing = "; ".join(p for p in (note, row["missing"]) if p)
    nutrients = [amount(name) for name in ("n", "p2o5", "k2o")]
    return [
        _place(row),
        words.area(row["area_m2"]),
        words.number(row["feeds"]),
        *nutrients,
        missing,
    ]


def _table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], words: Words, widths_mm: Sequence[float]
) -> Flowable:
    if not rows:
        return para(words.text("record.none"))
    cells = [[para(words.text(f"record.{head}"), "small") for head in heads]]
    cells += [[para(cell or "", "small") for cell in row] for row in rows]
    fixed = [w * MM for w in widths_mm]
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    return Table(
        cells, colWidths=[*fixed, WIDTH - sum(fixed)], style=style, repeatRows=1, hAlign="LEFT"
    )
