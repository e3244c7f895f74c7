"""How right are these numbers on your lawns? The points read by eye, in plain words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lawnscore.report.language import Words
from lawnscore.report.load import RoundRows
from lawnscore.report.pages import render

if TYPE_CHECKING:
    from lawnscore.points.check import CastCheck, GroupBias, PointsCheck, ShareCheck
    from lawnscore.points.estimate import Estimate
    from lawnscore.points.readers import Pair

_MAIN = 3
"""Shares with sentences and by group: green, straw, soil. The others are in the table alone."""


@dataclass(frozen=True)
class ShareRow:
    """One share as shown: name, program, by eye, difference, each interval, and the verdict."""

    name: str
    program: str
    eye: str
    eye_range: str
    gap: str
    gap_range: str
    verdict: str


def checked_page(check: PointsCheck, rounds: RoundRows, words: Words) -> str:
    """Return the page of a round whose points were read."""
    shares = [_share_row(one, words) for one in check.shares]
    return render(
        "checked.html",
        words=words,
        business=rounds.settings.report.business,
        lead=_lead(check, words),
        sentences=[_sentence(one, words) for one in check.shares[:_MAIN]],
        shares=shares,
        names=[row.name for row in shares],
        confusion=_confusion(check, [row.name for row in shares], words),
        group_names=[row.name for row in shares[:_MAIN]],
        groups=[_group(group, words) for group in check.groups],
        pairs=[_pair(pair, words) for pair in check.pairs],
        one_reader=not check.pairs and bool(check.n_points),
        lean=words.number(float(max(check.reader_se, default=0.0)), 1) if check.n_points else "",
        casts=_casts(check.casts, words) if check.casts else [],
        more=_more(check, words),
        untold=_counted("checked.untold", check.n_untold, words),
        stale=_counted("checked.stale", check.n_stale, words),
        corrected=check.corrected,
    )


def _lead(check: PointsCheck, words: Words) -> str:
    if not check.n_points:
        return words.text("checked.lead_none")
    return words.text(
        "checked.lead",
        points=words.number(check.n_points),
        photos=words.counted("count.photos", check.n_photos),
        readers=", ".join(check.readers),
    )


def _counted(key: str, n: int, words: Words) -> str:
    return words.counted(key, n) if n else ""


def _verdict(e: Estimate) -> str:
    if math.isnan(e.low):
        return "unknown"
    if not e.clear:
        return "unclear"
    return "more" if e.value > 0 else "less"


def _sentence(one: ShareCheck, words: Words) -> str:
    verdict = _verdict(one.bias)
    ends = sorted((abs(one.bias.low), abs(one.bias.high)))
    if verdict == "unknown":
        return words.text("checked.says_unknown", name=words.text(f"measure.{one.measure}"))
    if verdict == "unclear":
        return words.text(
            "checked.says_unclear",
            name=words.text(f"measure.{one.measure}"),
            most=words.number(ends[1], 1),
        )
    return words.text(
        f"checked.says_{verdict}",
        name=words.text(f"measure.{one.measure}"),
        size=words.number(abs(one.bias.value), 1),
        low=words.number(ends[0], 1),
        high=words.number(ends[1], 1),
    )


def _share_row(one: ShareCheck, words: Words) -> ShareRow:
    return ShareRow(
        name=words.text(f"measure.{one.measure}"),
        program=_share(one.program, words),
        eye=_share(one.eye.value, words),
        eye_range=_range(max(one.eye.low, 0.0), min(one.eye.high, 100.0), words, signed=False),
        gap=_signed(one.bias.value, words),
        gap_range=_range(one.bias.low, one.bias.high, words, signed=True),
        verdict=words.text(f"checked.verdict_{_verdict(one.bias)}"),
    )


def _share(value: float, words: Words) -> str:
    if math.isnan(value):
        return words.text("unit.unknown")
    return words.text("unit.percent", value=words.number(value, 1))


def _signed(value: float, words: Words) -> str:
    if math.isnan(value):
        return ""
    size = words.number(abs(value), 1)
    sign = "" if size == words.number(0, 1) else "+" if value > 0 else "−"
    return f"{sign}{size}"


def _range(low: float, high: float, words: Words, *, signed: bool) -> str:
    if math.isnan(low) or math.isnan(high):
        return ""
    shown = [_signed(end, words) if signed else words.number(end, 1) for end in (low, high)]
    return words.text("unit.range", low=shown[0], high=shown[1])


def _confusion(
    check: PointsCheck, names: list[str], words: Words
) -> list[tuple[str, str, list[str]]]:
    rows = []
    for name, line in zip(names, check.confusion, strict=False):
        total = float(line.sum())
        cells = [
            words.text("unit.percent", value=words.number(100 * v / total)) if total else ""
            for v in line.tolist()
        ]
        rows.append((name, words.number(total), cells))
    return rows


def _group(group: GroupBias, words: Words) -> tuple[str, str, list[tuple[str, str]]]:
    key = f"checked.{group.name.replace(' ', '_')}"
    name = words.text(key) if group.kind == "light" else group.name
    photos = words.counted("count.photos", group.n_photos)
    cells = [
        (_signed(e.value, words), _range(e.low, e.high, words, signed=True))
        for e in list(group.bias.values())[:_MAIN]
    ]
    return name, photos, cells


def _pair(pair: Pair, words: Words) -> str:
    k = pair.kappa
    return words.text(
        "checked.pair",
        first=pair.first,
        second=pair.second,
        percent=words.text("unit.percent", value=words.number(100 * k.observed)),
        points=words.number(k.n),
        kappa=words.number(k.kappa, 2) if math.isfinite(k.kappa) else words.text("unit.unknown"),
    )


def _casts(casts: CastCheck, words: Words) -> list[str]:
    lines = [
        words.text(
            "checked.casts",
            photos=words.counted("count.photos", casts.n_photos),
            seen=words.number(casts.seen),
            counted=words.number(casts.counted),
        )
    ]
    for key, value in (("recall", casts.recall), ("precision", casts.precision)):
        if math.isfinite(value):
            percent = words.text("unit.percent", value=words.number(100 * value))
            lines.append(words.text(f"checked.{key}", percent=percent))
    f = casts.factor
    lines.append(
        words.text(
            "checked.factor",
            factor=words.number(f.factor, 2),
            low=words.number(f.low, 2),
            high=words.number(f.high, 2),
        )
    )
    return lines


def _more(check: PointsCheck, words: Words) -> str:
    more = max((one.more_photos or 0 for one in check.shares), default=0)
    return words.text("checked.more", n=words.number(more)) if more else ""
