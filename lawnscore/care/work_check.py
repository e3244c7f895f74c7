"""What is odd about amounts in work.csv: units that are none, rates far too high, no name."""

from __future__ import annotations

from collections.abc import Iterator

from lawnscore.care.feed import SINGLE_DOSE_N_G_M2
from lawnscore.care.records import Rule, missing_items
from lawnscore.care.units import significant, unit_factor
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row, rows_of
from lawnscore.register.problems import Problem
from lawnscore.register.register import Register

USUAL_MOST: dict[tuple[str, str], float] = {
    ("feed", "mass rate"): 100.0,
    ("feed", "volume rate"): 0.2,
    ("spray", "mass rate"): 5.0,
    ("spray", "volume rate"): 0.1,
    ("overseed", "mass rate"): 70.0,
    ("top-dress", "mass rate"): 15_000.0,
}
"""Rates that labels hardly go beyond, by task and kind of rate, g/m2 and l/m2. Common practice of
lawns (feed 20 to 60 g/m2, seed up to 50 g/m2, spray up to 1000 l/ha), no source: the label decides.
"""
MOST_N_G_M2 = SINGLE_DOSE_N_G_M2["slow"][1]
"""N at once beyond which no kind of release is meant."""
_RATE_KINDS = ("mass rate", "volume rate")


def work_problems(register: Register, *, rule: Rule = "eu") -> tuple[Problem, ...]:
    """Return what is odd about the amounts in work.csv, row by row of the file.

    A row of spraying that leaves out what the record asks for (``rule``) is named with it.
    """
    found: list[Problem] = []
    seen: set[int] = set()
    for number, row in zip(register.row_numbers["work"], rows_of(register.work), strict=True):
        if number not in seen:  # work on a whole lawn stands once in its file
            seen.add(number)
            found += _of_row(number, row, rule)
    return tuple(found)


def _of_row(number: int, row: Row, rule: Rule) -> Iterator[Problem]:
    if row["task"] == "spray" and not row["who"]:
        mend = "Write who sprayed; records of spraying ask for it."
        yield Problem("work.csv", number, "who", "spray without who did it", mend)
    if row["task"] == "spray":
        # the area of the zone stands where the row has none
        asked = [c for c in missing_items(row, rule) if c not in ("who", "area_m2")]
        if asked:
            mend = "Write it while it is known; the record of the year asks for it."
            yield Problem("work.csv", number, "", f"spray without {', '.join(asked)}", mend)
    if row["rate"] is None or row["rate_unit"] is None:
        return
    kind, factor = _kind(str(row["rate_unit"]))
    if kind is None:
        mend = "Write it like g/m2, kg/ha, l/ha or lb/1000 sq ft."
        what = f"`{row['rate_unit']}` is no unit of a rate"
        yield Problem("work.csv", number, "rate_unit", what, mend)
        return
    rate = float(row["rate"]) * factor
    most = USUAL_MOST.get((row["task"], kind))
    mend = "Check number and unit against the label."
    if most is not None and rate > most:
        unit = "g/m2" if kind == "mass rate" else "l/m2"
        what = (
            f"{row['rate']:g} {row['rate_unit']} is far above what labels of {row['task']} usually "
            f"ask (up to {most:g} {unit})"
        )
        yield Problem("work.csv", number, "rate", what, mend)
    elif row["task"] == "feed" and kind == "mass rate" and row["n_pct"] is not None:
        n = rate * float(row["n_pct"]) / 100
        if n > MOST_N_G_M2:
            what = f"{significant(n, 3)} g/m2 of N at once; {MOST_N_G_M2:g} is the most for slow N"
            yield Problem("work.csv", number, "rate", what, mend)


def _kind(unit: str) -> tuple[str | None, float]:
    for kind in _RATE_KINDS:
        try:
            return kind, unit_factor(unit, kind)
        except LawnscoreError as error:
            if "gallon" in error.line().casefold():
                return kind, 0.0  # a gallon of either kind is a unit, and its size not known here
    return None, 0.0
