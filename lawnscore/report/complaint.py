"""A complaint answered by the record: what was said, done and measured, and what is not known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import pandas as pd
from markupsafe import Markup

from lawnscore.contract.rows import Row, rows_of
from lawnscore.report.compared import SPLIT, SPLIT_FROM, split_confidence
from lawnscore.report.complaint_record import YEAR_DAYS, ZoneRecord
from lawnscore.report.customer import work_lines
from lawnscore.report.figures import MEASURED, interval_of
from lawnscore.report.glance import change_interval
from lawnscore.report.language import Words
from lawnscore.report.leaflet import (
    Block,
    Bullets,
    Cell,
    Grid,
    Heading,
    Leaflet,
    Sentence,
    Shot,
    Shots,
)
from lawnscore.report.load import LawnRows
from lawnscore.report.pictures import Pair
from lawnscore.report.story import place, recovery_sentences, task_words

WEATHER_DAYS = 14
MOST_DAYS = 8
"""Days of work that a sheet of paper lists before it counts the rest; our choice."""


def complaint_leaflet(
    lawn: LawnRows,
    complaint: Row,
    records: Sequence[ZoneRecord],
    words: Words,
    *,
    as_of: str,
    pairs: Mapping[str, Pair] | None = None,
    photos: Sequence[Shot] = (),
    weather: pd.DataFrame | None = None,
) -> Leaflet:
    """Return the page that answers a complaint; it says nothing that is not on record.

    Parameters
    ----------
    records
        Of each zone that it speaks of (:func:`zone_record`).
    as_of
        Day on which it is answered.
    pairs
        Pictures by zone.
    photos
        Those that came with it.
    weather
        The table of the round.
    """
    shown = pairs or {}
    blocks: list[Block] = [
        *_complaint_blocks(complaint, words, photos),
        Heading(words.text("complaint.short")),
    ]
    for record in records:
        blocks.append(Sentence(_cover(lawn, record, words)))
        blocks += [Sentence(line) for line in _regrowth(lawn, record.zone, words)]
    blocks += _work(lawn, complaint, words, as_of)
    blocks += _measured(lawn, records, words)
    sky = _weather(complaint, weather, words)
    blocks += [Sentence(sky, "small")] if sky else []
    for record in records:
        if record.zone in shown:
            blocks += _pictures(lawn, record, shown[record.zone], words)
    blocks += [Heading(words.text("complaint.unknown"))]
    unknown = _unknown(lawn, complaint, records, words, shown, knows_weather=bool(sky))
    blocks.append(Bullets(unknown, small=True))
    blocks += [Heading(words.text("complaint.next")), Sentence(_next(lawn, words))]
    said_on = words.date(complaint["date"])
    return Leaflet(
        title=words.text("complaint.title", name=lawn.name, date=said_on),
        kicker=words.text("complaint.kicker"),
        name=lawn.name,
        dated=words.text("complaint.dated", date=words.date(as_of)),
        blocks=blocks,
        closing=[words.text("headline.nineteen"), words.text("customer.made")],
    )


def _complaint_blocks(complaint: Row, words: Words, photos: Sequence[Shot]) -> list[Block]:
    key = "all" if complaint["zone"] == "all" else "zone"
    fields = {"date": words.date(complaint["date"]), "zone": complaint["zone"]}
    fields = fields if key == "zone" else {"date": fields["date"]}
    blocks: list[Block] = [
        Sentence(words.text(f"complaint.said_{key}", **fields)),
        Sentence(words.text("complaint.quote", said=complaint["said"]), "lead"),
    ]
    return [*blocks, Shots(photos, words.text("complaint.photos"))] if photos else blocks


def _cover(lawn: LawnRows, record: ZoneRecord, words: Words) -> str:
    name = "green_cover_pct"
    known = [row for row in record.occasions if row[name] is not None]
    where = place(lawn, record.zone, words)
    if not known:
        return words.text("complaint.cover_none", place=where)
    last = known[-1]
    fields = {"place": where, "last": words.value(name, last[name]), "to": words.date(last["date"])}
    change = record.changes.get(name)
    if len(known) < 2 or change is None:
        return words.text("complaint.cover_one", **fields)
    first = known[0]
    fields |= {"first": words.value(name, first[name]), "from": words.date(first["date"])}
    text = words.text("complaint.cover_change", verdict=_verdict(change, words), **fields)
    if len(known) > 2:
        value, day = words.value(name, known[1][name]), words.date(known[1]["date"])
        text += " " + words.text("complaint.cover_between", value=value, date=day)
    return text


def _regrowth(lawn: LawnRows, zone: str, words: Words) -> list[Markup]:
    """Return how the zone's last renovation goes, as every report tells it."""
    rows = lawn.zone_rows("recovery", zone)
    return recovery_sentences(rows[-1], words) if rows else []


def _verdict(change: Row, words: Words) -> str:
    """Return in words how two occasions compare; only a verdict of the tables is a rise or fall."""
    name = change["measure"]
    if change["verdict"] is None or change["low"] is None or change["high"] is None:
        return words.text("complaint.unsure")
    if change["verdict"] == "no clear change":
        ends = {end: words.difference(name, change[end], end) for end in ("low", "high")}
        return words.text("complaint.unclear", **ends)
    up = change["change"] > 0
    low, high = ("low", "high") if up else ("high", "low")
    fields = {
        "change": words.size(name, change["change"]),
        "low": words.difference(name, change[low]).lstrip("+−"),
        "high": words.difference(name, change[high]).lstrip("+−"),
    }
    return words.text("complaint.up" if up else "complaint.down", **fields)


def _work(lawn: LawnRows, complaint: Row, words: Words, as_of: str) -> list[Block]:
    said_on = complaint["date"]
    start = (date.fromisoformat(said_on) - timedelta(days=YEAR_DAYS)).isoformat()
    blocks: list[Block] = [Heading(words.text("complaint.work"))]
    spans = (("before", start, said_on), ("since", said_on, as_of))
    for when, first, last in spans:
        rows = [w for w in lawn.work if first < w["date"] <= last]
        if not rows:
            blocks.append(Sentence(words.text(f"complaint.work_none_{when}")))
            continue
        blocks.append(Sentence(words.text(f"complaint.work_{when}")))
        blocks.append(Bullets(_days_of_work(lawn, rows, words), keep=MOST_DAYS))
    return blocks


def _days_of_work(lawn: LawnRows, rows: Sequence[Row], words: Words) -> list[str]:
    """Return a line a day, the latest first; days on which it was only mown are counted."""
    tasks: dict[str, set[str]] = {}
    for row in rows:
        tasks.setdefault(row["date"], set()).add(row["task"])
    mown = [day for day, done in tasks.items() if done == {"mow"}]
    days = sorted(set(tasks) - set(mown), reverse=True)
    lines = [f"{words.date(day)}: {'; '.join(work_lines(lawn, day, words))}" for day in days]
    return [*lines, words.counted("complaint.mown", len(mown))] if mown else lines


def _measured(lawn: LawnRows, records: Sequence[ZoneRecord], words: Words) -> list[Block]:
    blocks: list[Block] = [Heading(words.text("complaint.measured"))]
    if any(record.occasions for record in records):
        blocks.append(Sentence(words.text("complaint.ranges"), "small"))
    for record in records:
        if not record.occasions:
            continue
        if len(records) > 1:
            blocks.append(Sentence(record.zone, "body"))
        heads = [words.text("complaint.measure")]
        for row, label in zip(record.occasions, record.labels, strict=True):
            heads.append(f"{label}, {words.date(row['date'], 'medium')}")
        compares = len(record.occasions) > 1
        heads += [words.text("complaint.change")] if compares else []
        rows = [_line(record, name, words, compares) for name in _measures(lawn, record)]
        widths = [28.0, *[32.0] * len(record.occasions)]
        blocks.append(Grid(heads, rows, [*widths, 0.0] if compares else widths))
    if len(blocks) == 1:
        blocks.append(Sentence(words.text("complaint.measured_none")))
    return blocks


def _measures(lawn: LawnRows, record: ZoneRecord) -> list[str]:
    when = {(row["date"], row["stage"]) for row in record.occasions}
    sure = split_confidence(lawn, record.zone, when)
    return [m for m in MEASURED if m not in SPLIT or sure is None or sure >= SPLIT_FROM]


def _line(record: ZoneRecord, name: str, words: Words, compares: bool) -> list[Cell]:
    cells = [Cell(words.text(f"measure.{name}"))]
    for row in record.occasions:
        sure = interval_of(row, name, words)
        small = sure or (words.text("customer.no_range") if row[name] is not None else "")
        cells.append(Cell(words.value(name, row[name]), small))
    if compares:
        change = record.changes.get(name)
        verdict = str(change["verdict"] or "untold").replace(" ", "_") if change else "untold"
        size = words.difference(name, change["change"]) if change else ""
        sure = change_interval(change, name, words)
        said = words.text(f"verdict.{verdict}")
        cells.append(Cell(size, words.html("complaint.told", verdict=said, range=sure) if sure
                          else said))  # fmt: skip
    return cells


def _weather(complaint: Row, weather: pd.DataFrame | None, words: Words) -> str:
    """Return the weather of the fortnight before in words; empty unless every day is on record."""
    if weather is None or weather.empty:
        return ""
    end = date.fromisoformat(complaint["date"])
    start = end - timedelta(days=WEATHER_DAYS - 1)
    days = [r for r in rows_of(weather) if start.isoformat() <= r["date"] <= end.isoformat()]
    mean = [row["mean_c"] for row in days if row["mean_c"] is not None]
    if len(mean) < WEATHER_DAYS:
        return ""
    rain = [row["rain_mm"] for row in days if row["rain_mm"] is not None]
    fields = {
        "from": words.date(start.isoformat()),
        "to": words.date(end.isoformat()),
        "mean": words.number(math.fsum(mean) / len(mean), 1),
    }
    if len(rain) < WEATHER_DAYS:
        return words.text("complaint.weather_dry", **fields)
    return words.text("complaint.weather", rain=words.number(math.fsum(rain)), **fields)


def _pictures(lawn: LawnRows, record: ZoneRecord, pair: Pair, words: Words) -> list[Block]:
    several = len(lawn.zones) > 1
    key = "complaint.pictures" if pair.before is not None else "complaint.picture"
    key += "_zone" if several else ""
    heading = words.text(key, zone=record.zone) if several else words.text(key)
    shots = []
    for row, jpeg in ((pair.before, pair.before_jpeg), (pair.after, pair.after_jpeg)):
        if row is not None:
            alt = words.text("customer.before_alt", date=words.date(row["date"]))
            label = words.date(row["date"])
            shots.append(Shot(jpeg, pair.width_px, pair.height_px, label, alt))
    return [Heading(heading), Shots(shots, picture_caption(pair, words))]


def picture_caption(pair: Pair, words: Words) -> str:
    """Return what the pictures show, and how surely it is the same ground."""
    width = words.length(pair.width_mm)
    to = words.date(pair.after["date"])
    if pair.before is None:
        return words.text("customer.one_picture_apart", date=to, width=width)
    fields = {"from": words.date(pair.before["date"]), "to": to, "width": width}
    if pair.same_spot:
        return words.text("customer.pair_same", spot=pair.after["spot"], **fields)
    return words.text("customer.pair_other", **fields)


def _unknown(
    lawn: LawnRows,
    complaint: Row,
    records: Sequence[ZoneRecord],
    words: Words,
    pairs: Mapping[str, Pair],
    *,
    knows_weather: bool,
) -> list[str]:
    lines = []
    for record in records:
        where = {"place": place(lawn, record.zone, words)}
        dates = [row["date"] for row in record.occasions]
        if not any(day <= complaint["date"] for day in dates):
            lines.append(words.text("complaint.unknown_before", **where))
        if not any(day > complaint["date"] for day in dates):
            lines.append(words.text("complaint.unknown_after", **where))
        if record.unseen_work is not None:
            task = task_words(record.unseen_work["task"], words)
            done = words.date(record.unseen_work["date"])
            lines.append(words.text("complaint.unknown_work_before", task=task, date=done, **where))
        for day in _refused_days(lawn, record.zone, complaint):
            lines.append(words.text("complaint.unknown_refused", date=words.date(day), **where))
        if any(row["photos"] == 1 for row in record.occasions):
            lines.append(words.text("complaint.unknown_one_photo", **where))
        if any(change["method_changed"] for change in record.changes.values()):
            lines.append(words.text("complaint.unknown_method", **where))
        pair = pairs.get(record.zone)
        if pair is not None and pair.before is not None and not pair.same_spot:
            lines.append(words.text("complaint.unknown_spot", **where))
    lines += [] if knows_weather else [words.text("complaint.unknown_weather")]
    return [*lines, words.text("complaint.unknown_cause")]


def _refused_days(lawn: LawnRows, zone: str, complaint: Row) -> list[str]:
    """Return the last day up to the complaint, and the last since, of which no photo was scored."""
    by_day: dict[str, list[Row]] = {}
    for photo in lawn.zone_rows("photos", zone):
        by_day.setdefault(photo["date"], []).append(photo)
    parts = (
        [d for d in by_day if d <= complaint["date"]],
        [d for d in by_day if d > complaint["date"]],
    )
    last = [max(days) for days in parts if days]
    return [day for day in last if all(p["status"] == "refused" for p in by_day[day])]


def _next(lawn: LawnRows, words: Words) -> str:
    upcoming = [row["date"] for row in lawn.next_visits if row["date"]]
    if not upcoming:
        return words.text("complaint.next_none")
    return words.text("complaint.next_visit", date=words.date(str(upcoming[0])))
