"""Why a lawn is visited in the coming weeks, and by when: flags, recovery and the usual gap."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import pandas as pd

from lawnscore.contract.flags import FLAGS
from lawnscore.contract.rows import Row, rows_of
from lawnscore.contract.settings import HistorySettings

Place = tuple[str, str]

FLAG_DAYS = {
    "disease weather": 3,
    "cover falling": 7,
    "recovery slow": 7,
    "bare patches growing": 14,
    "casts rising": 14,
    "colour fading": 14,
    "not visited": 14,
    "photos too poor": 14,
    "uneven": 28,
}
"""Days within which a flag asks for a visit; our choice, cover falling by its own next step."""

OTHER_FLAG_DAYS = 14
RECOVERY_CHECK_DAYS = 21
"""Days between looks at a recovering sward; common practice, no source."""
USUAL_GAP_DAYS = 42
"""Days between visits before the round shows its own gap: 6 weeks, common practice."""
RECOVERY_WATCH_DAYS = 200
"""Days after a renovation beyond which its recovery is looked after no more; as in recovery.csv."""
URGENT_DAYS = 7
"""A flag that asks for a visit within this many days is visited as soon as there is room."""
SHORTEST_GAP_DAYS = 14
MIN_GAPS = 2
USUAL_JOB = "Usual care; photograph the usual spots."
PHOTOGRAPH_JOB = "Photograph the usual spots."


@dataclass(frozen=True)
class Reason:
    """One reason to visit.

    Parameters
    ----------
    lawn, zone
        Where.
    due
        By when.
    urgency
        Expected loss in points of cover, as in attention.csv; 0 for a routine visit.
    short, why, job
        A few words, the reason with its numbers, and what to do.
    tasks
        Jobs whose cautions belong here.
    flag, step
        The flag, or the step of the programme, that it comes from; else empty.
    """

    lawn: str
    zone: str
    due: date
    urgency: float
    short: str
    why: str
    job: str
    tasks: tuple[str, ...] = ()
    flag: str = ""
    step: str = ""


_STATE_WORDS = {"too few visits": "too few visits with photos to tell"}


def records(frame: pd.DataFrame | None, columns: Sequence[str] | None = None) -> list[Row]:
    """Return a table (or these columns of it) as plain rows; unknown becomes ``None``."""
    if frame is None or frame.empty:
        return []
    frame = frame if columns is None else frame[list(columns)]
    return rows_of(frame)


def visited(
    visit_scores: pd.DataFrame | None, work: pd.DataFrame | None, today: date
) -> dict[Place, list[date]]:
    """Return the dates of photos or work at each lawn and zone up to ``today``, in order."""
    days: dict[Place, set[date]] = defaultdict(set)
    columns = ("lawn", "zone", "date")
    for row in [*records(visit_scores, columns), *records(work, columns)]:
        day = date.fromisoformat(str(row["date"])[:10])
        if day <= today:
            days[row["lawn"], row["zone"]].add(day)
    return {place: sorted(dates) for place, dates in days.items()}


def flag_reasons(attention: pd.DataFrame | None, today: date) -> list[Reason]:
    """Return one reason a row of attention.csv."""
    reasons = []
    for row in records(attention):
        flag = str(row["flag"])
        known = FLAGS.get(flag)
        reasons.append(
            Reason(
                row["lawn"],
                row["zone"],
                today + timedelta(days=FLAG_DAYS.get(flag, OTHER_FLAG_DAYS)),
                float(row.get("urgency") or 0.0),
                flag + (f" since {row['since']}" if row.get("since") else ""),
                f"{flag}: {row['evidence']}",
                known.next_step if known else str(row["next_step"]),
                ("clear casts",) if flag == "casts rising" else (),
                flag,
            )
        )
    return reasons


def recovery_reasons(
    recovery: pd.DataFrame | None, days: Mapping[Place, list[date]], today: date
) -> list[Reason]:
    """Return the next look at each zone whose last renovation has not grown over yet."""
    last = {(row["lawn"], row["zone"]): row for row in _in_order(recovery)}
    reasons = []
    for place, row in last.items():
        done = date.fromisoformat(str(row["renovation_date"])[:10])
        if row["state"] == "recovered" or not 0 <= (today - done).days <= RECOVERY_WATCH_DAYS:
            continue
        seen = days.get(place, [done])[-1]
        due = max(seen, done) + timedelta(days=RECOVERY_CHECK_DAYS)
        reach = row.get("days_to_95")
        if reach is not None and done + timedelta(days=round(reach)) > today:
            due = min(due, done + timedelta(days=round(reach)))
        if row["state"] == "slow":
            due = min(due, today + timedelta(days=FLAG_DAYS["recovery slow"]))
        reasons.append(
            Reason(
                *place,
                due,
                0.0,
                f"recovery after {row['task']}: {_STATE_WORDS.get(row['state'], row['state'])}",
                _recovery_words(row, done),
                "Photograph the same spots to follow the recovery.",
            )
        )
    return reasons


def routine_reasons(
    places: list[Place],
    days: Mapping[Place, list[date]],
    today: date,
    settings: HistorySettings,
    *,
    job: str = USUAL_JOB,
) -> list[Reason]:
    """Return the next routine visit of every zone, by its own, else the round's usual gap."""
    round_gaps = [gap for dates in days.values() for gap in _gaps(dates)]
    tasks = ("mow",) if job == USUAL_JOB else ()
    reasons = []
    for place in places:
        dates = days.get(place, [])
        if not dates:
            reasons.append(
                Reason(
                    *place, today, 0.0, "never visited", "there is no photo or work of it yet.",
                    "Photograph it, so that later visits have something to compare with.",
                )
            )  # fmt: skip
            continue
        gap, words = _usual_gap(dates, round_gaps, settings)
        since = (today - dates[-1]).days
        why = f"last visit {dates[-1]}, {since} days ago; {words}."
        due = dates[-1] + timedelta(days=gap)
        reasons.append(Reason(*place, due, 0.0, "routine", why, job, tasks))
    return reasons


def usual_gap_days(
    dates: list[date], days: Mapping[Place, list[date]], settings: HistorySettings
) -> int:
    """Return the days to the visit after a visit at this zone."""
    return _usual_gap(dates, [g for d in days.values() for g in _gaps(d)], settings)[0]


def _usual_gap(
    dates: list[date], round_gaps: list[int], settings: HistorySettings
) -> tuple[int, str]:
    own = _gaps(dates)
    if len(own) >= MIN_GAPS:
        gap, whose = statistics.median(own), "its usual gap"
    elif len(round_gaps) >= MIN_GAPS:
        gap, whose = statistics.median(round_gaps), "the round's usual gap"
    else:
        gap, whose = USUAL_GAP_DAYS, "the default gap"
    wait = round(min(max(gap, SHORTEST_GAP_DAYS), settings.visit_gap_days))
    words = f"{whose} is {round(gap)} days"
    if wait < round(gap):
        words += f", and {wait} the most that is let pass"
    elif wait > round(gap):
        words += f", and {wait} the least that is planned"
    return wait, words


def _gaps(dates: list[date]) -> list[int]:
    gaps = [(later - first).days for first, later in pairwise(dates)]
    return [gap for gap in gaps if gap >= 7]  # nearer ones are one visit in parts


def _in_order(recovery: pd.DataFrame | None) -> list[Row]:
    return sorted(records(recovery), key=lambda row: str(row["renovation_date"]))


def _recovery_words(row: Row, done: date) -> str:
    words = f"{row['task']} on {done}: {_STATE_WORDS.get(row['state'], row['state'])}"
    if row.get("recovered_pct") is not None:
        words += f", {row['recovered_pct']:.0f} % of the lost cover is back"
    if row.get("days_to_95") is not None:
        reach = done + timedelta(days=round(row["days_to_95"]))
        words += f", 95 % of the cover before by about {reach}"
        low, high = row.get("days_to_95_low"), row.get("days_to_95_high")
        if low is not None and high is not None:
            first, last = (done + timedelta(days=round(end)) for end in (low, high))
            words += f" ({first} to {last})"
    return words + "."
