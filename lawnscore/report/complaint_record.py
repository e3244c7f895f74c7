"""What is on record of a zone around a complaint: the occasions that answer it, and the change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from lawnscore.contract.rows import Row, rows_of
from lawnscore.contract.tables import TASKS
from lawnscore.history.changes import changes
from lawnscore.report.language import Words
from lawnscore.report.load import LawnRows, RoundRows
from lawnscore.report.story import task_words

YEAR_DAYS = 365
"""Days before a complaint whose work is told; our choice."""


@dataclass(frozen=True, eq=False)
class ZoneRecord:
    """What is on record of one zone around a complaint.

    Parameters
    ----------
    zone
        The zone.
    occasions
        Up to three measured occasions, in order of time.
    labels
        What each is, in words.
    work
        The work before which the first was photographed; ``None`` when it was another day.
    unseen_work
        Work of the year before that no measured photo came before.
    changes
        From the first to the last occasion, by measure.
    """

    zone: str
    occasions: tuple[Row, ...]
    labels: tuple[str, ...]
    work: Row | None
    unseen_work: Row | None
    changes: Mapping[str, Row]


def zones_of_complaint(lawn: LawnRows, complaint: Row) -> tuple[str, ...]:
    """Return the zones that a complaint speaks of; of the whole lawn all of them."""
    return (complaint["zone"],) if complaint["zone"] in lawn.zones else lawn.zones


def zone_record(rounds: RoundRows, lawn: LawnRows, zone: str, complaint: Row, words: Words
                ) -> ZoneRecord:  # fmt: skip
    """Return the occasions that answer a complaint, and the changes between them.

    The last occasion up to the day on which it was said, the last one since, and one from before:
    from before the last work that thins the sward in the year before, else before the last other
    work but mowing, else the occasion before.
    """
    said_on = complaint["date"]
    seen = [v for v in lawn.zone_rows("visits", zone) if v["photos"]]
    near = [v for v in seen if v["date"] <= said_on]
    since = [v for v in seen if v["date"] > said_on]
    work, first, unseen = _before_work(lawn, zone, near, said_on)
    if first is None and len(near) > 1 and unseen is None:
        first = near[-2]
    told = [(first, _first_label(work, words)), (near[-1] if near else None,
            words.text("complaint.near")), (since[-1] if since else None,
            words.text("complaint.after"))]  # fmt: skip
    kept: list[tuple[Row, str]] = []
    for row, label in told:
        if row is not None and all(row is not other for other, _ in kept):
            kept.append((row, label))
    rows = tuple(row for row, _ in kept)
    between = _changes(rounds, lawn, zone, rows[0], rows[-1]) if len(rows) > 1 else {}
    return ZoneRecord(zone, rows, tuple(label for _, label in kept), work, unseen, between)


def _first_label(work: Row | None, words: Words) -> str:
    if work is None:
        return words.text("complaint.then_earlier")
    return words.text("complaint.then_before_work", task=task_words(work["task"], words))


def _before_work(
    lawn: LawnRows, zone: str, near: Sequence[Row], said_on: str
) -> tuple[Row | None, Row | None, Row | None]:
    """Return the work told of, the occasion before it, and work that none came before."""
    start = (date.fromisoformat(said_on) - timedelta(days=YEAR_DAYS)).isoformat()
    done = [w for w in lawn.work if w["zone"] in (zone, "all") and start <= w["date"] <= said_on]
    done = [w for w in done if w["task"] != "mow"]
    done.sort(key=lambda w: (TASKS.get(w["task"], False), w["date"]))
    unseen = None
    for work in reversed(done):
        before = [v for v in near if _is_before(v, work)]
        if before:
            return _whole_day(work, done), before[-1], unseen
        if TASKS.get(work["task"], False):
            unseen = unseen or _whole_day(work, done)
    return None, None, unseen


def _whole_day(work: Row, done: Sequence[Row]) -> Row:
    """Return work with all the tasks of its day that thin the sward, or its own where none does."""
    same = [w["task"] for w in done if w["date"] == work["date"]]
    thinning = [task for task in same if TASKS.get(task, False)]
    return work | {"task": ", ".join(dict.fromkeys(thinning or [work["task"]]))}


def _is_before(visit: Row, work: Row) -> bool:
    return bool(
        visit["date"] < work["date"]
        or (visit["date"] == work["date"] and visit["stage"] == "before")
    )


def _changes(rounds: RoundRows, lawn: LawnRows, zone: str, first: Row, last: Row) -> dict[str, Row]:
    """Return the changes between two occasions of a zone, as of the tables of the round."""
    asked = {(row["date"], row["stage"]) for row in (first, last)}

    def own(frame: pd.DataFrame) -> pd.DataFrame:
        mine = frame[(frame["lawn"] == lawn.lawn) & (frame["zone"] == zone)]
        pairs = zip(mine["date"].astype(object), mine["stage"].astype(object), strict=True)
        return mine[[pair in asked for pair in pairs]]

    photos = own(rounds.frames["photo_scores"])
    table = changes(
        own(rounds.frames["visit_scores"]), photo_scores=photos, work=rounds.frames.get("work")
    )
    rows = [
        row
        for row in rows_of(table)
        if (row["from_date"], row["from_stage"]) == (first["date"], first["stage"])
        and (row["to_date"], row["to_stage"]) == (last["date"], last["stage"])
        and row["change"] is not None
    ]
    return {row["measure"]: row for row in sorted(rows, key=lambda row: row["kind"] == "visit")}


def pairs_wanted(record: ZoneRecord) -> list[Row]:
    """Return the two occasions whose pictures are set side by side, as rows of changes.

    The first and the last; where no pictures of these show the same ground, the last before the
    complaint and the latest.
    """
    rows = record.occasions
    return [_between(record.zone, first, rows[-1]) for first in (rows[:-1] or rows)]


def _between(zone: str, first: Row, last: Row) -> Row:
    return {
        "zone": zone,
        "from_date": first["date"],
        "from_stage": first["stage"],
        "to_date": last["date"],
        "to_stage": last["stage"],
    }
