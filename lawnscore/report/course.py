"""The course of a recovery, drawn through what the recovery table says of it."""

from __future__ import annotations

from lawnscore.history.recovery import TARGET, expected_cover
from lawnscore.report.charts import Course
from lawnscore.report.load import Row

_STEPS = 48


def course_of(row: Row) -> Course | None:
    """Return the logistic course that the numbers of a recovery row fix, and its band.

    It starts at the cover just after the work, reaches 95 % of the cover before after
    ``days_to_95`` and levels off at the cover before
    (:func:`lawnscore.history.recovery.expected_cover`); the band takes the ends of the interval
    of ``days_to_95`` in its place. An upper end that is not known leaves the lower edge flat.

    Returns
    -------
    Course or None
        ``None`` when the row fixes no course: too few visits, hardly any cover lost, or no
        interval.
    """
    before, after = row["cover_before"], row["cover_after"]
    days, soonest, latest = (row[f"days_to_95{end}"] for end in ("", "_low", "_high"))
    if row["state"] == "too few visits" or None in (before, after, days, soonest):
        return None
    if not (after < TARGET * before and days > 0 and soonest > 0):
        return None
    end = max(days, min(latest or 0.0, 3 * days), float(row["days_since"] or 0)) * 1.05
    x = [end * step / _STEPS for step in range(_STEPS + 1)]

    def cover(days_to_95: float) -> tuple[float, ...]:
        shares = expected_cover(days_to_95, after / before, x)
        return tuple(float(before * share) for share in shares)

    slowest = tuple(after for _ in x) if latest is None else cover(latest)
    return Course(tuple(x), cover(days), slowest, cover(soonest))
