"""The round at a glance: every lawn a row, sorted and filtered in the page itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from lawnscore.contract.flags import FLAGS
from lawnscore.contract.rows import Row
from lawnscore.report.charts import sparkline, to_svg
from lawnscore.report.compared import (
    compared_change,
    compared_confidence,
    known_better,
    latest_visit,
    verdict_key,
)
from lawnscore.report.customer import against, describe, readings_of
from lawnscore.report.language import Shown, Words
from lawnscore.report.load import LawnRows, RoundRows
from lawnscore.report.pages import render


@dataclass(frozen=True, eq=False)
class GlanceRow:
    """One lawn in the round: the figures of the zone that does worst, and what it wants."""

    name: str
    zone: str
    href: str
    customer_href: str
    find: str
    keys: str
    trend: Markup
    condition: Shown | str
    condition_range: Markup | str
    change: Shown | str
    change_range: Markup | str
    against: str
    verdict: str
    flags: Sequence[str]
    rank: int | None
    next_step: str
    last: str
    last_iso: str
    split: str
    surer: bool


def glance_row(lawn: LawnRows, words: Words) -> GlanceRow:
    """Return one lawn's row; of several zones the one in the worst condition stands for it."""
    zone = _worst_zone(lawn)
    now = latest_visit(lawn, zone)
    change = compared_change(lawn, zone, "condition")
    rows = lawn.zone_rows("visits", zone)
    flags = list(dict.fromkeys(row["flag"] for row in lawn.attention))
    recent = [p for p in lawn.photos if p["date"] == lawn.last_date]
    refused = any(p["status"] == "refused" for p in recent)
    keys = ["flagged"] * bool(flags) + ["refused"] * refused + [flag_key(f) for f in flags]
    spark = sparkline(
        readings_of(rows, "condition"), description=describe(rows, "condition", words)
    )
    return GlanceRow(
        name=lawn.name,
        zone="" if len(lawn.zones) == 1 else zone,
        href=f"lawns/{quote(lawn.stem)}.html",
        customer_href=f"customers/{quote(lawn.stem)}.html",
        find=" ".join([lawn.name, lawn.lawn, *lawn.zones]),
        keys=" ".join(keys),
        trend=to_svg(spark),
        condition=words.bare("condition", now["condition"]) if now else "",
        condition_range=_interval(now, words),
        change=words.difference("condition", change["change"]) if change else "",
        change_range=change_interval(change, "condition", words),
        against=against(change, words),
        verdict=verdict_key(change),
        flags=[flag_words(flag, words) for flag in flags],
        rank=lawn.attention[0]["rank"] if lawn.attention else None,
        next_step=step_words(lawn.attention[0], words) if lawn.attention else "",
        last=words.date(lawn.last_date, "medium") if lawn.last_date else words.text("glance.never"),
        last_iso=lawn.last_date or "",
        split=_split(lawn, zone, words),
        surer=known_better(change, now),
    )


def glance_page(
    rounds: RoundRows,
    rows: Sequence[GlanceRow],
    words: Words,
    *,
    files: Sequence[tuple[str, str]] = (),
) -> str:
    """Return the page of the whole round.

    Parameters
    ----------
    rows
        One a lawn; those that want attention come first, then by name.
    files
        Other things written, as (href, text).
    """
    ordered = sorted(rows, key=lambda row: (row.rank is None, row.rank or 0))
    flags = sorted({(key, name) for row in rows for key, name in _flag_pairs(row)})
    return render(
        "glance.html",
        script="table.js",
        rows=ordered,
        flags=flags,
        files=files,
        words=words,
        as_of=words.date(rounds.as_of) if rounds.as_of else words.text("unit.unknown"),
        business=rounds.settings.report.business,
    )


def flag_key(flag: str) -> str:
    """Return a flag as one word."""
    return flag.replace(" ", "_").replace("-", "_")


def flag_words(flag: str, words: Words) -> str:
    """Return a flag in the reader's words; one that no language knows as it is."""
    key = f"flag.{flag_key(flag)}"
    return words.text(key) if words.has(key) else flag


def step_words(row: Row, words: Words) -> str:
    """Return a flag's next step in the reader's words; one that was written by hand as it is."""
    flag = FLAGS.get(row["flag"])
    known = flag is not None and row["next_step"] == flag.advice
    return words.text(f"next_step.{flag_key(row['flag'])}") if known else str(row["next_step"])


def change_interval(
    change: Row | None, measure: str, words: Words, *, fine: bool = False
) -> Markup | str:
    """Return the interval of a change, with signs; empty when it is not known."""
    if change is None or change["low"] is None or change["high"] is None:
        return ""
    ends = {end: words.difference(measure, change[end], end, fine=fine) for end in ("low", "high")}
    return words.html("unit.range", **ends)


def _flag_pairs(row: GlanceRow) -> list[tuple[str, str]]:
    keys = [key for key in row.keys.split() if key not in ("flagged", "refused")]
    return list(zip(keys, row.flags, strict=True))


def _split(lawn: LawnRows, zone: str, words: Words) -> str:
    confidence = compared_confidence(lawn, zone)
    if confidence is None:
        return ""
    return words.text("glance.split", confidence=words.number(confidence, 2))


def _worst_zone(lawn: LawnRows) -> str:
    conditions = []
    for zone in lawn.zones:
        now = latest_visit(lawn, zone)
        if now is not None and now["condition"] is not None:
            conditions.append((now["condition"], zone))
    return min(conditions)[1] if conditions else lawn.zones[0]


def _interval(now: Row | None, words: Words) -> Markup | str:
    if now is None:
        return ""
    return words.interval("condition", now["condition_low"], now["condition_high"])
