"""The practitioner's page of one lawn: every visit, every photo, every refusal, all intervals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.rows import Row
from lawnscore.contract.tables import STAGE_ORDER
from lawnscore.report.compared import split_confidence
from lawnscore.report.customer import Drawing, zone_story
from lawnscore.report.evidence import evidence_words
from lawnscore.report.glance import change_interval, flag_words, step_words
from lawnscore.report.language import Shown, Words
from lawnscore.report.load import LawnRows
from lawnscore.report.pages import render
from lawnscore.report.recovery_notes import note_words
from lawnscore.report.story import task_words

KINDS = ("work", "since_before_work", "visit", "year", "since_renovation")
"""Order of the kinds of change; of two that hold the same pair the first is shown."""


@dataclass(frozen=True, eq=False)
class Cell:
    """One figure of a table: value and interval, both with their exact numbers kept."""

    value: Shown | str
    interval: Markup | str


@dataclass(frozen=True, eq=False)
class VisitLine:
    """One row of the table of visits."""

    when: str
    stage: str
    photos: int
    refused: int
    area: str
    reference: str
    split: str
    cells: Sequence[Cell]


@dataclass(frozen=True, eq=False)
class ChangeLine:
    """One row of the table of changes."""

    name: str
    kind: str
    start: str
    end: str
    change: Shown | str
    interval: Markup | str
    verdict: str
    smallest: Shown | str
    paired: str
    differs: str


@dataclass(frozen=True, eq=False)
class RecoveryLine:
    """One row of the table of recoveries, every field as it is shown."""

    date: str
    task: str
    covers: Sequence[Shown | str]
    days: Shown | str
    days_range: Markup | str
    expected: str
    expected_from: str
    state: str
    note: str


@dataclass(frozen=True, eq=False)
class PhotoLine:
    """One photo: its picture or its refusal."""

    photo: str
    when: str
    stage: str
    zone: str
    spot: str
    picture: str
    refused: str
    detail: str
    advice: str
    facts: Sequence[tuple[str, Shown | str]]


@dataclass(frozen=True, eq=False)
class ZoneTables:
    """The tables of one zone."""

    zone: str
    drawings: Sequence[Drawing]
    visits: Sequence[VisitLine]
    changes: Sequence[ChangeLine]
    recovery: Sequence[RecoveryLine]


def lawn_page(lawn: LawnRows, words: Words, *, pictures: Mapping[str, str] | None = None) -> str:
    """Return the page of one lawn.

    Parameters
    ----------
    pictures
        Links to the pictures of what was seen, by photo (as in the table).
    """
    links = pictures or {}
    return render(
        "lawn.html",
        pictures="'self' file: data:",
        lawn=lawn,
        words=words,
        customer_href=f"../customers/{quote(lawn.stem)}.html",
        flags=[_flag(row, words) for row in lawn.attention],
        measures=[words.text(f"measure.{name}") for name in MEASURES],
        zones=[_zone(lawn, zone, words) for zone in lawn.zones],
        work=[_work(row, words) for row in reversed(lawn.work)],
        photos=[_photo(row, links, words) for row in reversed(lawn.photos)],
    )


def _flag(row: Row, words: Words) -> dict[str, str]:
    return {
        "flag": flag_words(row["flag"], words),
        "zone": row["zone"],
        "since": words.date(row["since"]) if row["since"] else "",
        "evidence": evidence_words(row, words),
        "next_step": step_words(row, words),
    }


def _zone(lawn: LawnRows, zone: str, words: Words) -> ZoneTables:
    story = zone_story(lawn, zone, words)
    drawings = [story.condition_chart, *story.drawings] if story.n_visits > 1 else []
    return ZoneTables(
        zone=zone,
        drawings=drawings,
        visits=[_visit(lawn, row, words) for row in reversed(lawn.zone_rows("visits", zone))],
        changes=[_change(row, words) for row in _newest(lawn.zone_rows("changes", zone))],
        recovery=[_recovery(row, words) for row in reversed(lawn.zone_rows("recovery", zone))],
    )


def _newest(changes: Sequence[Row]) -> list[Row]:
    measures = {name: i for i, name in enumerate(MEASURES)}
    kinds = {kind: i for i, kind in enumerate(KINDS)}
    by_measure = sorted(changes, key=lambda c: (kinds[c["kind"]], measures[c["measure"]]))
    once: dict[tuple[str, ...], Row] = {}
    for change in by_measure:
        ends = ("from_date", "from_stage", "to_date", "to_stage", "measure")
        once.setdefault(tuple(change[end] for end in ends), change)
    return sorted(
        once.values(), key=lambda c: (c["to_date"], STAGE_ORDER[c["to_stage"]]), reverse=True
    )


def _visit(lawn: LawnRows, row: Row, words: Words) -> VisitLine:
    split = split_confidence(lawn, row["zone"], [(row["date"], row["stage"])])
    return VisitLine(
        when=words.date(row["date"], "medium"),
        stage=words.text(f"stage.{row['stage']}"),
        photos=row["photos"] or 0,
        refused=row["refused"] or 0,
        area=words.area(row["area_m2"]) if row["area_m2"] is not None else "",
        reference=row.get("colour_reference") or "",
        split="" if split is None else words.number(split, 2),
        cells=[
            Cell(
                words.bare(name, row[name], fine=True),
                words.interval(name, row[f"{name}_low"], row[f"{name}_high"], fine=True),
            )
            for name in MEASURES
        ],
    )


def _change(row: Row, words: Words) -> ChangeLine:
    measure, smallest = row["measure"], row["smallest_detectable"]
    return ChangeLine(
        name=words.text(f"measure.{measure}"),
        kind=words.text(f"kind.{row['kind']}"),
        start=_occasion(row["from_date"], row["from_stage"], words),
        end=_occasion(row["to_date"], row["to_stage"], words),
        change=words.difference(measure, row["change"], fine=True),
        interval=change_interval(row, measure, words, fine=True),
        verdict=_verdict(row),
        smallest=words.bare(measure, smallest, "smallest_detectable", fine=True),
        paired="" if row["n_paired_spots"] is None else words.number(row["n_paired_spots"]),
        differs=_differs(row, words),
    )


def _differs(row: Row, words: Words) -> str:
    said = row.get("differs") or ""
    names = [words.text(f"made_otherwise.{w.replace(' ', '_')}") for w in said.split(", ") if w]
    if not names and row["method_changed"]:
        return words.text("lawn.yes")
    return ", ".join(names)


def _verdict(row: Row) -> str:
    if MEASURES[row["measure"]].better == 0:
        return "neutral"
    return str(row["verdict"] or "untold").replace(" ", "_")


def _occasion(day: str, stage: str, words: Words) -> str:
    return f"{words.date(day, 'medium')}, {words.text('stage.' + stage)}"


def _recovery(row: Row, words: Words) -> RecoveryLine:
    def days(column: str) -> Shown | str:
        value = row[column]
        return "" if value is None else Shown(words.number(value), value, column)

    columns = ("cover_before", "cover_after", "cover_now", "recovered_pct")
    low, high = days("days_to_95_low"), days("days_to_95_high")
    both: Markup | str = ""
    if low:
        key = "unit.range" if high else "unit.or_more"
        both = words.html(key, low=low, **({"high": high} if high else {}))
    expected = row["expected_days_to_95"]
    return RecoveryLine(
        date=words.date(row["renovation_date"], "medium"),
        task=task_words(row["task"], words),
        covers=[words.bare("green_cover_pct", row[c], c, fine=True) for c in columns],
        days=days("days_to_95"),
        days_range=both,
        expected="" if expected is None else words.number(expected),
        expected_from="" if expected is None else note_words(row["expected_from"], words),
        state=words.text(f"state.{row['state'].replace(' ', '_')}"),
        note=note_words(row["note"], words),
    )


def _work(row: Row, words: Words) -> dict[str, str]:
    rate = "" if row["rate"] is None else words.amount(row["rate"], row["rate_unit"] or "")
    return {
        "date": words.date(row["date"], "medium"),
        "zone": row["zone"] or "",
        "task": task_words(row["task"], words),
        "product": row["product"] or "",
        "rate": rate,
        "notes": row["notes"] or "",
    }


def _photo(row: Row, links: Mapping[str, str], words: Words) -> PhotoLine:
    refused = row["status"] == "refused"
    reason = REASONS.get(row["reason"] or "")
    facts: list[tuple[str, Shown | str]] = []
    for column, key, decimals in (
        ("card_delta_e", "card", 1),
        ("mm_per_px", "scale", 2),
        ("tilt_deg", "tilt", 0),
        ("straw_soil_confidence", "split", 2),
    ):
        if row[column] is not None:
            unit = "°" if key == "tilt" else ""
            text = words.number(row[column], decimals) + unit
            facts.append((words.text(f"lawn.{key}"), Shown(text, row[column], column)))
    for name in ("green_cover_pct", "colour_index", "casts_per_m2", "condition"):
        if row[name] is not None:
            facts.append((words.text(f"measure.{name}"), words.value(name, row[name], fine=True)))
    return PhotoLine(
        photo=row["photo"],
        when=words.date(row["date"]),
        stage=words.text(f"stage.{row['stage']}"),
        zone=row["zone"],
        spot=row["spot"] or "",
        picture=links.get(row["photo"], ""),
        refused=str(row["reason"] or "") if refused else "",
        detail=row["detail"] or (reason.meaning if refused and reason else ""),
        advice=reason.advice if refused and reason else "",
        facts=facts,
    )
