"""What a lawn's tables mean for its owner: which change to speak of, and in which sentence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from babel.lists import format_list
from markupsafe import Markup

from lawnscore.contract.rows import Row
from lawnscore.report.compared import compared_changes, compared_renovation, latest_visit
from lawnscore.report.language import Shown, Words
from lawnscore.report.load import LawnRows

HEADLINE_MEASURES = (
    "green_cover_pct",
    "bare_patch_pct",
    "condition",
    "casts_per_m2",
    "colour_index",
    "bare_soil_pct",
    "straw_cover_pct",
    "evenness",
)
"""Measures a headline may speak of, the ones a customer sees first in the grass first."""

FRESH_DAYS = 60  # young grass wants care this long; 4 to 6 weeks (common practice), and a margin

Tone = Literal["better", "worse", "steady", "start", "unknown"]


@dataclass(frozen=True, eq=False)
class Headline:
    """The sentence at the top, what it speaks of, and a caveat where one is due.

    ``change`` is the row of the changes table behind it, ``None`` when there is none.
    """

    sentence: Markup
    tone: Tone
    zone: str
    change: Row | None = None
    caveat: str = ""


def headline(lawn: LawnRows, words: Words) -> Headline:
    """Return the one sentence that says what changed and how sure that is."""
    zone = lawn.zones[0]
    if not lawn.photos and not lawn.visits:
        return Headline(words.html("headline.nothing"), "unknown", zone)
    last = lawn.last_date
    today = [p for p in lawn.photos if p["date"] == last]
    if today and all(p["status"] == "refused" for p in today):
        photos = words.counted("count.photos", len(today))
        sentence = words.html("headline.refused", photos=photos, date=words.date(last))
        return Headline(sentence, "unknown", zone)
    changes = headline_candidates(lawn)
    if not changes:
        return _first(lawn, words)
    clear = [c for c in changes if c["verdict"] in ("better", "worse")]
    worked = [c for c in changes if c["kind"] in _BY_WORK]
    if not clear and not worked:
        return _steady(lawn, words, changes)
    change = min(clear or worked, key=lambda c: _order(lawn, c))
    if change["kind"] in _BY_WORK:
        return _BY_WORK[change["kind"]](lawn, words, change)
    return _clear(lawn, words, change)


def headline_candidates(lawn: LawnRows) -> list[Row]:
    """Return the changes up to the last measured visit that a headline may choose from.

    They are those that the report tells of each zone (:mod:`lawnscore.report.compared`); of a zone
    that was worked on within a year only green cover is told, which the work is meant for.
    """
    measured = [v["date"] for v in lawn.visits if v["photos"]]
    found = []
    for zone in lawn.zones:
        for change in compared_changes(lawn, zone):
            if change["to_date"] != max(measured) or change["measure"] not in HEADLINE_MEASURES:
                continue
            by_work = change["kind"] in ("work", "since_before_work", "since_renovation")
            if not by_work or change["measure"] == "green_cover_pct":
                found.append(change)
    worked = [c for c in found if c["kind"] == "work"]
    return worked or found  # work of the last day explains a sudden drop


def place(lawn: LawnRows, zone: str, words: Words) -> str:
    """Return where in the lawn, as it stands in a sentence."""
    if zone == "all" and len(lawn.zones) == 1:
        return words.text("place.all")
    return words.text("place.zone", zone=zone)


def day_after(iso: str, days: float) -> str:
    """Return the ISO date some days later.

    >>> day_after("2025-09-12", 30.4)
    '2025-10-12'
    """
    return (date.fromisoformat(iso) + timedelta(days=round(days))).isoformat()


def recovery_sentences(row: Row, words: Words) -> list[Markup]:
    """Return what a recovery row means, in one or two sentences."""
    state = row["state"].replace(" ", "_")
    fields: dict[str, object] = {
        name: words.value("green_cover_pct", row[f"cover_{name}"], f"cover_{name}")
        for name in ("before", "after", "now")
    }
    fields |= {"task": task_words(row["task"], words), "date": words.date(row["renovation_date"])}
    if None in (row["cover_before"], row["cover_now"]) or state == "too_few_visits":
        return [words.html("customer.recovery_too_few_visits", **fields)]
    back = row.get("back_by")
    if state == "recovered" and back:
        return [words.html("customer.recovery_back", back=words.date(back), **fields)]
    sentences = [words.html(f"customer.recovery_{state}", **fields)]
    days = row["days_to_95"]
    if state == "recovered":
        if days is not None and days > 0:
            shown = words.days(days)
            sentences.append(words.html("customer.recovery_done_when", days=shown))
    elif days is None:
        sentences.append(words.html("customer.recovery_when_unknown"))
    else:
        sentences.append(_when(row, words))
    return sentences


def task_words(task: str, words: Words) -> str:
    """Return a task, or several joined by ``+`` or commas, in the reader's words."""
    tasks = [t.strip() for t in task.replace("+", ",").split(",") if t.strip()]
    named = [words.text(f"task.{t}") if words.has(f"task.{t}") else t for t in tasks]
    return str(format_list(named, locale=words.locale))


def outlook(lawn: LawnRows, words: Words, tone: Tone) -> list[Markup]:
    """Return what happens next, in the order in which it matters to the customer."""
    lines: list[Markup] = []
    upcoming = [row for row in lawn.next_visits if row["date"]]
    if upcoming:
        lines.append(words.html("customer.next_visit", date=words.date(str(upcoming[0]["date"]))))
    else:
        lines.append(words.html("customer.next_none"))
    if tone == "unknown" and lawn.photos:
        lines.append(words.html("customer.next_refused"))
    states = {_state(lawn, zone) for zone in lawn.zones}
    for state in ("recovering", "slow"):
        if state in states:
            lines.append(words.html(f"customer.next_{state}"))
    flags = dict.fromkeys(row["flag"].replace(" ", "_").replace("-", "_") for row in lawn.attention)
    for flag in flags:
        if flag == "recovery_slow" and "slow" in states:
            continue
        key = f"flag_for_customer.{flag}"
        lines.append(words.html(key if words.has(key) else "flag_for_customer.other"))
    if tone == "start":
        lines.append(words.html("customer.next_first"))
    elif len(lines) == 1 and tone != "unknown":
        lines.append(words.html("customer.next_good"))
    return list(dict.fromkeys(lines))


def _state(lawn: LawnRows, zone: str) -> str:
    """Return how the zone's last renovation goes; a fresh one counts as recovering."""
    rows = lawn.zone_rows("recovery", zone)
    if not rows or lawn.last_date is None:
        return ""
    done, last = (date.fromisoformat(d) for d in (rows[-1]["renovation_date"], lawn.last_date))
    fresh = rows[-1]["state"] == "too few visits" and (last - done).days <= FRESH_DAYS
    return "recovering" if fresh else str(rows[-1]["state"])


def _when(row: Row, words: Words) -> Markup:
    start = row["renovation_date"]
    middle = words.date(day_after(start, row["days_to_95"]))
    if row["days_to_95_low"] is None:
        return words.html("customer.recovery_when_unknown")
    dates = {"date": middle, "low": words.date(day_after(start, row["days_to_95_low"]))}
    key = "customer.recovery_when"
    if row["days_to_95_low"] <= row["days_since"]:  # a day gone by is no forecast
        key += "_now"
    if row["days_to_95_high"] is None:
        return words.html(f"{key}_open", **dates)
    dates["high"] = words.date(day_after(start, row["days_to_95_high"]))
    return words.html(key, **dates)


def _order(lawn: LawnRows, change: Row) -> tuple[int, int, float]:
    measure = HEADLINE_MEASURES.index(change["measure"])
    zones = {zone: i for i, zone in enumerate(lawn.zones)}
    return (measure, zones.get(change["zone"], len(zones)), -abs(change["change"]))


def since_words(change: Row, words: Words) -> str:
    """Return what a change is told against, as it stands in a sentence."""
    kind = "year" if change["kind"] == "year" else "visit"
    return words.text(f"headline.since_{kind}", date=words.date(change["from_date"]))


def _caveat(lawn: LawnRows, words: Words, change: Row) -> str:
    """Return what to mind: another method or phone, or one photo that speaks for its own ground."""
    parts = [words.text("headline.method_changed")] if change["method_changed"] else []
    if not parts and "phone" in (change.get("differs") or ""):
        parts = [words.text("headline.phone_changed")]
    ground = one_photo(lawn, change["zone"], words)
    return " ".join([*parts, ground] if ground else parts)


def one_photo(lawn: LawnRows, zone: str, words: Words) -> str:
    """Return what the last figures speak for where they come from one photo; else nothing."""
    now = latest_visit(lawn, zone)
    if now is None or now["photos"] != 1:
        return ""
    if now["area_m2"] is None:
        return words.text("headline.one_photo_unmeasured")
    return words.text("headline.one_photo", area=words.area(now["area_m2"]))


def _clear(lawn: LawnRows, words: Words, change: Row) -> Headline:
    measure, amount = change["measure"], change["change"]
    way = "up" if amount > 0 else "down"
    fact = words.html(
        f"headline.{measure}_{way}",
        place=place(lawn, change["zone"], words),
        change=words.size(measure, amount),
        since=since_words(change, words),
    )
    sentence = _how_sure(fact, change, words)
    return Headline(
        sentence, change["verdict"], change["zone"], change, _caveat(lawn, words, change)
    )


def _how_sure(fact: Markup, change: Row, words: Words) -> Markup:
    measure, amount = change["measure"], change["change"]
    if change["low"] is None or change["high"] is None:
        return words.html("headline.no_interval", fact=fact)
    names = ("low", "high") if amount > 0 else ("high", "low")  # sizes, smaller one first
    low: Shown | str
    high: Shown | str
    if change["low"] * change["high"] >= 0:
        low = words.size(measure, change[names[0]], names[0], with_unit=False)
        high = words.size(measure, change[names[1]], names[1])
    else:
        low, high = (words.difference(measure, change[name], name) for name in names)
    return words.html("headline.sure", fact=fact, low=low, high=high)


def _against_before(lawn: LawnRows, words: Words, change: Row) -> Headline:
    """Tell a lawn that was worked on: what it is now against what it was before the work."""
    zone, verdict = change["zone"], change["verdict"]
    clear = verdict in ("better", "worse")
    smallest = change["smallest_detectable"]
    key = ("up" if change["change"] > 0 else "down") if clear else "steady"
    if not clear and (verdict is None or smallest is None):
        key = "untold"
    fields = _work_fields(lawn, words, change)
    if key == "steady":
        fields["smallest"] = words.size("green_cover_pct", smallest, "smallest_detectable")
    sentence = words.html(f"headline.before_work_{key}", **fields)
    if clear:
        sentence = _how_sure(sentence, change, words)
    return Headline(
        sentence, verdict if clear else "steady", zone, change, _caveat(lawn, words, change)
    )


def _against_dip(lawn: LawnRows, words: Words, change: Row) -> Headline:
    """Tell a lawn that was not photographed before its work: neither better nor worse."""
    sentence = words.html("headline.since_dip", **_work_fields(lawn, words, change))
    return Headline(sentence, "steady", change["zone"], change, _caveat(lawn, words, change))


def _work_fields(lawn: LawnRows, words: Words, change: Row) -> dict[str, object]:
    zone = change["zone"]
    now, done = latest_visit(lawn, zone), compared_renovation(lawn, zone)
    start = next(
        (
            v["green_cover_pct"]
            for v in lawn.zone_rows("visits", zone)
            if (v["date"], v["stage"]) == (change["from_date"], change["from_stage"])
        ),
        None,
    )
    return {
        "place": place(lawn, zone, words),
        "value": words.value("green_cover_pct", now["green_cover_pct"] if now else None),
        "now": words.date(change["to_date"]),
        "start": words.value("green_cover_pct", start),
        "change": words.size("green_cover_pct", change["change"]),
        "task": task_words(done["task"] if done else "other", words),
        "date": words.date(done["renovation_date"] if done else change["from_date"]),
    }


def _worked(lawn: LawnRows, words: Words, change: Row) -> Headline:
    zone, day = change["zone"], change["to_date"]
    stages = {
        v["stage"]: v["green_cover_pct"] for v in lawn.zone_rows("visits", zone) if v["date"] == day
    }
    tasks = [r["task"] for r in lawn.zone_rows("recovery", zone) if r["renovation_date"] == day]
    sentence = words.html(
        "headline.worked",
        task=task_words(", ".join(dict.fromkeys(tasks)) or "other", words),
        date=words.date(day),
        place=place(lawn, zone, words),
        before=words.value("green_cover_pct", stages.get("before")),
        after=words.value("green_cover_pct", stages.get("after")),
    )
    return Headline(sentence, "steady", zone, change)


def _steady(lawn: LawnRows, words: Words, changes: list[Row]) -> Headline:
    cover = [c for c in changes if c["measure"] == "green_cover_pct"] or changes
    change = min(cover, key=lambda c: _order(lawn, c))
    zone = change["zone"]
    now = latest_visit(lawn, zone)
    fields: dict[str, object] = {
        "place": place(lawn, zone, words),
        "since": since_words(change, words),
    }
    told = change["verdict"] is not None
    smallest = change["smallest_detectable"] if change["measure"] == "green_cover_pct" else None
    key = "headline.steady_unknown" if told else "headline.untold_unknown"
    if now and now["green_cover_pct"] is not None:
        fields["value"] = words.value("green_cover_pct", now["green_cover_pct"])
        key = "headline.steady_plain" if told else "headline.untold"
        if told and smallest is not None:
            fields["smallest"] = words.size("green_cover_pct", smallest, "smallest_detectable")
            key = "headline.steady"
    return Headline(words.html(key, **fields), "steady", zone, change, _caveat(lawn, words, change))


def _first(lawn: LawnRows, words: Words) -> Headline:
    zone = next((z for z in lawn.zones if latest_visit(lawn, z)), lawn.zones[0])
    now = latest_visit(lawn, zone)
    where = place(lawn, zone, words)
    cover = now["green_cover_pct"] if now else None
    if now is None or cover is None:
        return Headline(words.html("headline.first_unknown", place=where), "start", zone)
    value = words.value("green_cover_pct", cover)
    low, high = (
        words.value("green_cover_pct", now[f"green_cover_pct_{end}"], f"green_cover_pct_{end}")
        for end in ("low", "high")
    )
    caveat = one_photo(lawn, zone, words)
    if now["green_cover_pct_low"] is None or now["green_cover_pct_high"] is None:
        sentence = words.html("headline.first_plain", place=where, value=value)
        return Headline(sentence, "start", zone, None, caveat)
    sentence = words.html("headline.first", place=where, value=value, low=low, high=high)
    return Headline(sentence, "start", zone, None, caveat)


_BY_WORK = {
    "work": _worked,
    "since_before_work": _against_before,
    "since_renovation": _against_dip,
}
