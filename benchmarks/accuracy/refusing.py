"""Tables on refused photos: spoilt ones, good ones, and those in shade."""

from __future__ import annotations

import numpy as np

from benchmarks.accuracy.tables import (
    Result,
    Table,
    errors,
    fmt,
    mark,
    mean,
    reasons,
    rms,
    scored,
    share_of,
)

BAD_POINTS = 10.0
"""A photo whose cover error passes this is to be refused, points."""

FINE_POINTS = 5.0
"""A photo whose cover error stays below this was refused in vain, points."""

SHARES = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct")


def would_be(result: Result) -> Result | None:
    """Row and truth of a photo as scored without quality checks; None where no stage can."""
    if result["row"]["status"] == "scored":
        return result
    return result.get("unchecked")


def _off(results: list[Result], names: tuple[str, ...] = SHARES[:1]) -> np.ndarray:
    """Largest error of the named shares of each photo, NaN where no number can be made."""
    out = np.full(len(results), np.nan)
    for k, result in enumerate(results):
        seen = would_be(result)
        if seen is not None:
            found = [abs(seen["row"][n] - seen["truth"][n]) for n in names]
            out[k] = max(found)
    return out


def _refused(results: list[Result]) -> np.ndarray:
    return np.array([r["row"]["status"] != "scored" for r in results], dtype=bool)


def refusing_table(results: list[Result]) -> Table:
    """Refusals of photos spoilt in known ways."""
    rows = []
    for kind in dict.fromkeys(r["tags"]["kind"] for r in results):
        part = [r for r in results if r["tags"]["kind"] == kind]
        for level in sorted(dict.fromkeys(r["tags"]["level"] for r in part), key=abs):
            some = [r for r in part if r["tags"]["level"] == level]
            refused, off = _refused(some), _off(some)
            numberless = int((refused & np.isnan(off)).sum())
            rows.append((kind, f"{level:g}", str(len(some)), str(int(refused.sum())),
                         reasons(some), _worst(off[~refused]), _worst(off[refused]),
                         str(numberless) if numberless else ""))  # fmt: skip
    return Table(
        "Photos spoilt from slightly to badly",
        ("spoilt by", "level", "photos", "refused", "reasons",
         "worst cover error of the scored, points", "of the refused, had they been scored",
         "refused: no number can be made"),
        tuple(rows),
        ("Levels: blur and motion in px of 0.6 mm, exposure in stops, tilt in degrees, covered and "
         "glare as shares, card or lawn in shade as the sun's or the shade's share, far in mm a "
         "px.",),
    )  # fmt: skip


def _worst(off: np.ndarray) -> str:
    known = off[np.isfinite(off)]
    return fmt(float(known.max()), 1) if len(known) else ""


def refusing_summary(results: dict[str, list[Result]]) -> Table:
    """The two bars on refusing.

    Good photos are the unspoilt ones in even light; those of the study `shade` are counted apart.
    """
    spoilt = [r for r in results["refusing"] if r["tags"]["kind"] != "none"]
    good = [r for r in results["refusing"] if r["tags"]["kind"] == "none"] + results["cover"]
    shade = results["shade"]
    every = [*spoilt, *good, *shade]
    refused, off, any_off = _refused(every), _off(every), _off(every, SHARES)
    bad = off > BAD_POINTS
    caught, lost = int((bad & refused).sum()), int(_refused(good).sum())
    any_bad = any_off > BAD_POINTS
    vain = _refused(spoilt) & (_off(spoilt) <= FINE_POINTS)
    rows = (
        (f"photos off by more than {BAD_POINTS:g} points that are refused",
         share_of(caught, int(bad.sum())), "99 %",
         mark(caught >= 0.99 * bad.sum() if bad.any() else None)),
        ("good photos refused", share_of(lost, len(good)), "2 %",
         mark(lost <= 0.02 * len(good) if good else None)),
        (f"photos with green, straw or soil off by more than {BAD_POINTS:g} that are refused",
         share_of(int((any_bad & refused).sum()), int(any_bad.sum())), "", ""),
        ("photos in shade over 10 to 60 % of the frame refused",
         share_of(int(_refused(shade).sum()), len(shade)), "", ""),
        ("spoilt photos refused", share_of(int(_refused(spoilt).sum()), len(spoilt)), "", ""),
        (f"spoilt photos refused though off by no more than {FINE_POINTS:g} points",
         share_of(int(vain.sum()), len(spoilt)), "", ""),
        ("photos of which no number can be made (refused by the stage that cannot go on)",
         str(int((refused & np.isnan(off)).sum())), "", ""),
    )  # fmt: skip
    return Table(
        "Refusing",
        ("figure", "value (95 %, Wilson)", "target", ""),
        rows,
        (f"{len(spoilt)} spoilt, {len(good)} good photos and {len(shade)} in shade. A refused "
         "photo is scored once more with the quality checks switched off, to know by how much its "
         "green cover would have been off; where no number can be made even so, it is no photo "
         "with an error. The share depends on how many photos are spoilt how badly.",),
    )  # fmt: skip


def shade_table(results: list[Result]) -> Table:
    """Cover in dapple and hard shadow edges, by how much of the frame is in shade."""
    rows = []
    for kind in ("edge", "dapple", "both"):
        for low, high in ((10, 30), (30, 60), (10, 60)):
            part = [
                r for r in results
                if kind in (r["tags"]["kind"], "both") and low <= r["true_shade_pct"] < high + 0.5
            ]  # fmt: skip
            if not part:
                continue
            good, refused = scored(part), _refused(part)
            e = errors(good, "green_cover_pct")
            whole = (low, high) == (10, 60)
            rows.append((
                kind, f"{low} to {high}", str(len(part)), str(int(refused.sum())), reasons(part),
                fmt(mean(e)), fmt(rms(e)), _worst(_off(good)), _worst(_off(part)[refused]),
                "bias 2" if whole else "", mark(abs(mean(e)) <= 2.0 if whole and len(e) else None),
            ))  # fmt: skip
    return Table(
        "Green cover in shade over 10 to 60 % of the frame, points",
        ("shade", "shaded, % of frame", "photos", "refused", "reasons", "bias", "RMSE", "worst",
         "worst of the refused, had they been scored", "target", ""),
        tuple(rows),
    )  # fmt: skip
