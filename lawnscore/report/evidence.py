"""Findings in the reader's words, made from the facts that attention.csv carries."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from lawnscore.contract.rows import Row
from lawnscore.report.language import Words

JOINED_FROM = 3
"""Lawns that want the same visit, from which they are told in one line; our choice."""
_POINTS = {"green_cover_pct", "bare_patch_pct"}


def evidence_words(row: Row, words: Words) -> str:
    """Return a row's evidence in the reader's language, numbers and dates included.

    A row that was written by hand, or by another program, is told as it stands.
    """
    try:
        facts: Row = json.loads(row.get("facts") or "")
    except ValueError:
        return str(row["evidence"])
    key = f"evidence.{facts.get('case')}"
    if not words.has(key):
        return str(row["evidence"])
    fields = {name: _shown(name, value, row, words) for name, value in facts.items()}
    if facts["case"] == "drift":
        key += "_more" if facts["more"] else "_less"
        fields["visits"] = words.counted("count.visits", facts["n"])
    if "reasons" in facts:
        fields["reasons"] = f" ({', '.join(facts['reasons'])})" if facts["reasons"] else ""
    if facts["case"] == "slow":
        reach = facts["reach"]
        when = "evidence.slow_never" if reach is None else "evidence.slow_when"
        fields["when"] = words.text(when, days=words.number(reach or 0))
        fields["weather"] = words.text("evidence.slow_weather") if facts["growth"] else ""
        fields["task"] = _task(facts["task"], words)
    text = words.text(key, **fields)
    if facts.get("method_changed"):
        text += " " + words.text("evidence.method_changed")
    return text[:1].upper() + text[1:]


def _task(task: str, words: Words) -> str:
    from lawnscore.report.story import task_words

    return task_words(task, words)


def _shown(name: str, value: Any, row: Row, words: Words) -> str:
    measure = row["measure"]
    if name == "date":
        return words.date(str(value))
    if name in ("change", "margin", "value") and measure:
        fine = measure != "colour_index"
        text = str(words.bare(measure, float(value), fine=fine))
        if name == "change" and measure in _POINTS:
            return words.text("unit.points", value=text)
        return str(words.value(measure, float(value), fine=fine)) if name != "margin" else text
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    return words.number(value, 1 if name == "mean" else 0)


def with_overdue_joined(rows: Sequence[Row]) -> list[Row]:
    """Return the rows with all that only wait for a visit told in one line.

    Three lawns or more that were not visited are one row: its lawn says how many, its evidence
    since when and which.
    """
    late = [row for row in rows if row["flag"] == "not visited" and row["since"]]
    lawns = list(dict.fromkeys(row["lawn"] for row in late))
    if len(lawns) < JOINED_FROM:
        return list(rows)
    since = min(row["since"] for row in late)
    one = late[0] | {
        "lawn": f"{len(lawns)} lawns",
        "zone": "",
        "since": since,
        "evidence": f"{len(lawns)} lawns not visited since {since}: {', '.join(lawns)}.",
        "facts": None,
        "lawns": lawns,
    }
    kept: list[Row] = []
    for row in rows:
        if row is late[0]:
            kept.append(one)
        elif not any(row is other for other in late):
            kept.append(row)
    return kept
