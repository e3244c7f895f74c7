"""The course of a recovery, as the history fits it, ready to be drawn."""

from __future__ import annotations

from lawnscore.contract.rows import Row
from lawnscore.report.charts import Course
from lawnscore.report.load import LawnRows


def course_of(lawn: LawnRows, recovery: Row) -> Course | None:
    """Return the fitted course of a renovation and its band.

    Returns
    -------
    Course or None
        ``None`` when the history fits none: too few visits, or hardly any cover lost.
    """
    points = [
        row
        for row in lawn.zone_rows("courses", recovery["zone"])
        if row["renovation_date"] == recovery["renovation_date"]
    ]
    if len(points) < 2:
        return None
    columns = ("days", "cover", "low", "high")
    return Course(*(tuple(float(row[c]) for row in points) for c in columns))
