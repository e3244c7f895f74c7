"""Suggested next visits as an iCalendar file (RFC 5545): whole days, in no one's way."""

from __future__ import annotations

import uuid
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from lawnscore.contract.rows import Row
from lawnscore.report.language import Words
from lawnscore.report.load import LawnRows, RoundRows

if TYPE_CHECKING:
    from icalendar import Event

_SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:lawnscore:suggested-visit")


def visits_calendar(rounds: RoundRows, words: Words) -> bytes:
    """Return the suggested visits of a round as iCalendar.

    Each visit is an all-day event that leaves the day free (``TRANSP:TRANSPARENT``) and is
    tentative. Its UID is made from the round's business, lawn, zone and its place in the lawn's
    order, so a calendar that reads the file again moves the visit and does not double it.
    ``DTSTAMP`` is the day of the newest photo, so an unchanged round gives an unchanged file.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", "-//lawnscore//suggested visits//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", words.text("calendar.name"))
    stamp = date.fromisoformat(rounds.as_of) if rounds.as_of else date(2000, 1, 1)
    for lawn in rounds.lawns:
        count: Counter[str] = Counter()
        for row in lawn.next_visits:
            zone = str(row["zone"] or "all")
            count[zone] += 1
            calendar.add_component(
                _event(lawn, row, (rounds.settings.report.business, count[zone]), stamp, words)
            )
    return bytes(calendar.to_ical())


def _event(lawn: LawnRows, row: Row, place: tuple[str, int], stamp: date, words: Words) -> Event:
    from icalendar import Event as NewEvent

    zone = str(row["zone"] or "all")
    day = date.fromisoformat(str(row["date"])[:10])
    key = "calendar.summary" if zone == "all" else "calendar.summary_zone"
    event = NewEvent()
    event.add("uid", f"{uuid.uuid5(_SPACE, repr((place[0], lawn.lawn, zone, place[1])))}@lawnscore")
    event.add("dtstamp", datetime(stamp.year, stamp.month, stamp.day, tzinfo=UTC))
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))  # the end of an all-day event is not part of it
    event.add("summary", words.text(key, name=lawn.name, zone=zone))
    event.add(
        "description", words.text("calendar.description", why=str(row["why"] or "").rstrip("."))
    )
    event.add("status", "TENTATIVE")
    event.add("transp", "TRANSPARENT")
    return event
