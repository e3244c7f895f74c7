"""What a lawn's tables mean for its owner: which change to speak of, and in which sentence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from babel.lists import format_list
from markupsafe import Markup

from lawnscore.report.language import Shown, Words
from lawnscore.report.load import LawnRows, Row

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

RENOVATION_IN_MIND_DAYS = 365  # after a year people ask about the last visit, not the renovation

FRESH_DAYS = 60  # young grass wants care this long; trade pages say 4 to 6 weeks, and a margin

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
    changes = changes_to_speak_of(lawn)
    if not changes:
        return _first(lawn, words)
    clear = [c for c in changes if c["verdict"] in ("better", "worse")]
    if not clear:
        return _steady(lawn, words, changes)
    return _clear(lawn, words, min(clear, key=lambda c: _order(lawn, c)))


def changes_to_speak_of(lawn: LawnRows) -> list[Row]:
    """Return the changes up to the last measured visit that a headline may choose from.

    Work of the last day comes first (it explains a sudden drop), then the time since a
    renovation within a year, then the time since the visit before.
    """
    measured = [v["date"] for v in lawn.visits if v["photos"]]
    if not measured:
        return []
    last = max(measured)
    known = [
        c
        for c in lawn.changes
        if c["to_date"] == last and c["change"] is not None and c["measure"] in HEADLINE_MEASURES
    ]
    renovated = {r["renovation_date"] for r in lawn.recovery}
    if last in renovated:
        known_work = [c for c in known if c["kind"] == "work"]
        if known_work:
            return known_work
    recent = any(
        (date.fromisoformat(last) - date.fromisoformat(d)).days <= RENOVATION_IN_MIND_DAYS
        for d in renovated
    )
    for kind in ("since_renovation", "visit") if recent else ("visit",):
        of_kind = [c for c in known if c["kind"] == kind]
        if of_kind:
            return of_kind
    return []


def latest_visit(lawn: LawnRows, zone: str) -> Row | None:
    """Return the zone's last visit with a scored photo, the later stage of the day."""
    rows = [v for v in lawn.zone_rows("visits", zone) if v["photos"]]
    return rows[-1] if rows else None


def visit_change(lawn: LawnRows, zone: str, measure: str) -> Row | None:
    """Return the change that led to the zone's last figures.

    That is the change from the visit before, or, where the last photos were taken after the work
    of the day, the change by that work.
    """
    now = latest_visit(lawn, zone)
    if now is None:
        return None
    rows = [
        c
        for c in lawn.changes
        if c["zone"] == zone
        and c["measure"] == measure
        and c["kind"] in ("visit", "work")
        and (c["to_date"], c["to_stage"]) == (now["date"], now["stage"])
        and c["change"] is not None
    ]
    return max(rows, key=lambda c: (c["kind"] == "work", c["from_date"]), default=None)


def verdict_key(change: Row | None) -> str:
    """Return the verdict of a change as one word.

    ``none`` when there is none; ``by_work`` for what the work of the day did, which is neither
    better nor worse but meant.
    """
    if change is None or change["verdict"] is None:
        return "none"
    if change["kind"] == "work":
        return "by_work"
    return str(change["verdict"]).replace(" ", "_")


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
    when = words.date(row["renovation_date"])
    task = task_words(row["task"], words)
    fields = {
        name: words.value("green_cover_pct", row[f"cover_{name}"], f"cover_{name}")
        for name in ("before", "after", "now")
    }
    if None in (row["cover_before"], row["cover_now"]) or state == "too_few_visits":
        return [words.html("customer.recovery_too_few_visits", task=task, date=when)]
    sentences = [words.html(f"customer.recovery_{state}", task=task, date=when, **fields)]
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
    low = words.date(day_after(start, row["days_to_95_low"]))
    if row["days_to_95_high"] is None:
        return words.html("customer.recovery_when_open", date=middle, low=low)
    high = words.date(day_after(start, row["days_to_95_high"]))
    return words.html("customer.recovery_when", date=middle, low=low, high=high)


def _order(lawn: LawnRows, change: Row) -> tuple[int, int, float]:
    measure = HEADLINE_MEASURES.index(change["measure"])
    zones = {zone: i for i, zone in enumerate(lawn.zones)}
    return (measure, zones.get(change["zone"], len(zones)), -abs(change["change"]))


def _since(change: Row, words: Words) -> str:
    key = "renovation" if change["kind"] == "since_renovation" else "visit"
    return words.text(f"headline.since_{key}", date=words.date(change["from_date"]))


def _clear(lawn: LawnRows, words: Words, change: Row) -> Headline:
    measure, amount = change["measure"], change["change"]
    if change["kind"] == "work" and measure == "green_cover_pct":
        return _worked(lawn, words, change)
    way = "up" if amount > 0 else "down"
    fact = words.html(
        f"headline.{measure}_{way}",
        place=place(lawn, change["zone"], words),
        change=words.size(measure, amount),
        since=_since(change, words),
    )
    if change["low"] is None or change["high"] is None:
        sentence = words.html("headline.no_interval", fact=fact)
    else:
        names = ("low", "high") if amount > 0 else ("high", "low")  # sizes, smaller one first
        sided = change["low"] * change["high"] >= 0
        low: Shown | str
        high: Shown | str
        if sided:
            low = words.size(measure, change[names[0]], names[0], with_unit=False)
            high = words.size(measure, change[names[1]], names[1])
        else:
            low, high = (words.difference(measure, change[name], name) for name in names)
        sentence = words.html("headline.sure", fact=fact, low=low, high=high)
    caveat = words.text("headline.method_changed") if change["method_changed"] else ""
    return Headline(sentence, change["verdict"], change["zone"], change, caveat)


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
        "since": _since(change, words),
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
    caveat = words.text("headline.method_changed") if change["method_changed"] else ""
    return Headline(words.html(key, **fields), "steady", zone, change, caveat)


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
    if now["green_cover_pct_low"] is None or now["green_cover_pct_high"] is None:
        return Headline(words.html("headline.first_plain", place=where, value=value), "start", zone)
    sentence = words.html("headline.first", place=where, value=value, low=low, high=high)
    return Headline(sentence, "start", zone)
