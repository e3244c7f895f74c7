"""What was measured of a zone, line by line as its owner reads it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from babel.lists import format_list
from markupsafe import Markup

from lawnscore.contract.rows import Row
from lawnscore.report.compared import (
    SPLIT,
    compared_change,
    known_better,
    latest_visit,
    splits_straw_and_soil,
    verdict_key,
)
from lawnscore.report.language import Words
from lawnscore.report.load import LawnRows

MEASURED = (
    "green_cover_pct",
    "colour_index",
    "evenness",
    "bare_patch_pct",
    "bare_soil_pct",
    "straw_cover_pct",
    "casts_per_m2",
    "condition",
)
"""Measures a customer is told, in the order of the page."""


@dataclass(frozen=True, eq=False)
class Figure:
    """One line of what was measured: value, range and change in words, and what it means.

    ``verdict`` is empty where no change is told of it; ``note`` says why it is told as it is;
    ``surer`` whether the change is known better than the value.
    """

    measure: str
    name: str
    value: str
    interval: Markup | str
    change: str
    verdict: str
    meaning: str
    note: str = ""
    surer: bool = False


def figures_of(lawn: LawnRows, zone: str, words: Words) -> list[Figure]:
    """Return the lines of one zone's last measured visit; none when there is no such visit.

    Where straw and bare soil are not told apart one line stands for both.
    """
    now = latest_visit(lawn, zone)
    if now is None:
        return []
    if splits_straw_and_soil(lawn, zone):
        return [_figure(lawn, zone, measure, now, words) for measure in MEASURED]
    figures = [_figure(lawn, zone, m, now, words) for m in MEASURED if m not in SPLIT]
    figures.insert(min(MEASURED.index(m) for m in SPLIT), _not_green(now, words))
    return figures


def surer_words(figures: Sequence[Figure], words: Words) -> str:
    """Return of which figures the change is known better than the level; empty where of none."""
    told = [figure for figure in figures if figure.change]
    surer = [figure.name for figure in told if figure.surer]
    if not surer:
        return ""
    if len(surer) == len(told) > 1:
        return words.text("customer.changes_surer")
    names = format_list(surer, locale=words.locale)
    return words.text("customer.change_surer", names=names)


def interval_of(now: Row | None, measure: str, words: Words) -> Markup | str:
    """Return the interval of a visit's measure in words; empty when it is not known."""
    if now is None:
        return ""
    return words.interval(measure, now[f"{measure}_low"], now[f"{measure}_high"])


def _figure(lawn: LawnRows, zone: str, measure: str, now: Row, words: Words) -> Figure:
    change = compared_change(lawn, zone, measure)
    return Figure(
        measure=measure,
        name=words.text(f"measure.{measure}"),
        value=words.value(measure, now[measure]),
        interval=interval_of(now, measure, words),
        change=words.difference(measure, change["change"]) if change else "",
        verdict=verdict_key(change),
        meaning=words.text(f"meaning.{measure}"),
        surer=known_better(change, now),
    )


def _not_green(now: Row, words: Words) -> Figure:
    green = "green_cover_pct"
    value, low, high = (_rest(now, column) for column in (green, f"{green}_high", f"{green}_low"))
    # no column of the tables, so plain text: no exact number lies behind it
    return Figure(
        measure="not_green_pct",
        name=words.text("customer.not_green"),
        value=str(words.value(green, value)),
        interval=Markup(words.interval(green, low, high)).striptags(),
        change="",
        verdict="",
        meaning=words.text("customer.not_green_meaning"),
        note=words.text("customer.not_green_why"),
    )


def _rest(now: Row, green: str) -> float | None:
    """Return what green, litter and casts leave of the ground, %; unknown when one of them is."""
    others = [now[column] for column in (green, "litter_pct", "cast_cover_pct")]
    return None if None in others else min(100.0, max(0.0, 100.0 - sum(others)))
