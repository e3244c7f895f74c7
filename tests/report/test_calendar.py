from __future__ import annotations

from pathlib import Path

from icalendar import Calendar

from lawnscore.contract.settings import Settings
from lawnscore.report.calendar import visits_calendar
from lawnscore.report.language import Words
from lawnscore.report.load import arrange
from tests.report.invented import RoundMaker


def calendar_of(maker: RoundMaker, words: Words) -> bytes:
    return visits_calendar(arrange(Path("r"), Settings(), maker.frames()), words)


def maker_of(*names: str) -> RoundMaker:
    maker = RoundMaker()
    for name in names:
        maker.lawn(name, n_visits=1)
    return maker


def test_each_visit_is_a_whole_day_that_stays_free(words: Words) -> None:
    text = calendar_of(maker_of("Elm, 12"), words)
    (event,) = Calendar.from_ical(text).walk("VEVENT")
    assert event["dtstart"].dt.isoformat() == "2025-04-07"
    assert event["dtend"].dt.isoformat() == "2025-04-08"  # RFC 5545 3.6.1: DTEND is not included
    assert event["dtstart"].params["VALUE"] == "DATE"
    assert event["transp"] == "TRANSPARENT"
    assert str(event["summary"]) == "Lawn visit: Elm, 12"


def test_lines_end_and_fold_as_rfc_5545_wants(words: Words) -> None:
    maker = maker_of("Ü" * 60)
    maker.rows["next_visits"][0]["why"] = "line one\nline two; " + "long " * 40
    text = calendar_of(maker, words)
    lines = text.split(b"\r\n")
    assert b"\n" not in b"".join(lines)  # 3.1: lines end with CRLF
    assert max(len(line) for line in lines) <= 75  # 3.1: at most 75 octets
    for line in lines:
        line.decode("utf-8")  # never folded inside a character
    (event,) = Calendar.from_ical(text).walk("VEVENT")
    assert "line one\nline two; long" in str(event["description"])


def test_required_properties_are_there_once(words: Words) -> None:
    calendar = Calendar.from_ical(calendar_of(maker_of("A", "B"), words))
    assert calendar["version"] == "2.0"
    assert "prodid" in calendar
    events = calendar.walk("VEVENT")
    assert len(events) == 2
    for event in events:
        for name in ("uid", "dtstamp", "dtstart"):
            assert not isinstance(event[name], list)


def test_a_visit_that_moves_keeps_its_uid_and_others_have_their_own(words: Words) -> None:
    first = maker_of("A", "B")
    moved = maker_of("A", "B")
    moved.rows["next_visits"][0]["date"] = "2025-05-01"
    uids = [
        [str(e["uid"]) for e in Calendar.from_ical(calendar_of(m, words)).walk("VEVENT")]
        for m in (first, moved)
    ]
    assert uids[0] == uids[1]
    assert len(set(uids[0])) == 2


def test_an_unchanged_round_gives_an_unchanged_file(words: Words) -> None:
    assert calendar_of(maker_of("A"), words) == calendar_of(maker_of("A"), words)
