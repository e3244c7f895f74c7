"""One table a question: from judged cases to the figures and whether the target is met."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

Result = dict[str, Any]
SHARES = {
    "green": "green_cover_pct",
    "straw": "straw_cover_pct",
    "soil": "bare_soil_pct",
    "cast": "cast_cover_pct",
    "litter": "litter_pct",
}


@dataclass(frozen=True)
class Table:
    """A table of figures with its headers and what is to be said under it."""

    title: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


def scored(results: Iterable[Result]) -> list[Result]:
    """Results of photos that were not refused."""
    return [r for r in results if r["row"]["status"] == "scored"]


def errors(results: Iterable[Result], name: str) -> np.ndarray:
    """Value less truth of one measure, where both are known."""
    pairs = [(r["row"][name], r["truth"][name]) for r in results]
    known = [(v, t) for v, t in pairs if v is not None and t is not None and np.isfinite(t)]
    return np.array([v - t for v, t in known], dtype=float)


def ratios(results: Iterable[Result], name: str) -> np.ndarray:
    """Error over stated standard error of one measure."""
    out = []
    for r in results:
        value, truth, se = r["row"][name], r["truth"][name], r["row"][f"{name}_se"]
        if None not in (value, truth, se) and se > 0 and np.isfinite(truth):
            out.append((value - truth) / se)
    return np.array(out, dtype=float)


def rms(values: np.ndarray) -> float:
    """Root mean square; NaN of nothing."""
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


def mean(values: np.ndarray) -> float:
    """Mean; NaN of nothing."""
    return float(np.mean(values)) if len(values) else float("nan")


def mark(met: bool | None) -> str:
    """Say whether a target is met."""
    return "" if met is None else ("met" if met else "missed")


def _f(value: float, digits: int = 2) -> str:
    return "" if not np.isfinite(value) else f"{value:.{digits}f}"


def _interval_of_rms(values: np.ndarray) -> str:
    """95 % bootstrap interval of a root mean square, seeded."""
    if len(values) < 5:
        return ""
    rng = np.random.default_rng(0)
    draws = values[rng.integers(0, len(values), (1000, len(values)))]
    low, high = np.percentile(np.sqrt(np.mean(draws**2, axis=1)), [2.5, 97.5])
    return f"{low:.2f} to {high:.2f}"


def cover_table(results: list[Result]) -> Table:
    """Green cover, straw and soil over all lights and cameras."""
    good = scored(results)
    limits = {"green": (1.0, 2.5), "straw": (None, 5.0), "soil": (None, 5.0)}
    rows = []
    for surface, name in SHARES.items():
        e, z = errors(good, name), ratios(good, name)
        bias, limit = limits.get(surface, (None, None))
        met = None
        if limit is not None:
            met = rms(e) <= limit and (bias is None or abs(e.mean()) <= bias)
        worst = float(np.abs(e).max()) if len(e) else float("nan")
        target = "" if limit is None else f"RMSE {limit:g}" + (f", bias {bias:g}" if bias else "")
        rows.append(
            (surface, str(len(e)), _f(e.mean()), _f(rms(e)), _interval_of_rms(e), _f(worst, 1),
             _f(rms(z)), target, mark(met))
        )  # fmt: skip
    return Table(
        "Shares of the ground, points, over lawns of 2 to 97 % green in all lights and cameras",
        ("surface", "photos", "bias", "RMSE", "95 % of RMSE", "worst", "error / stated error (RMS)",
         "target", ""),
        tuple(rows),
        (f"{len(results) - len(good)} of {len(results)} photos were refused.",),
    )  # fmt: skip


def cover_by_level_table(results: list[Result]) -> Table:
    """Green cover error by true cover."""
    good = scored(results)
    rows = []
    for low, high in ((0, 20), (20, 40), (40, 60), (60, 80), (80, 101)):
        part = [r for r in good if low <= r["truth"]["green_cover_pct"] < high]
        e = errors(part, "green_cover_pct")
        if len(e):
            rows.append((f"{low} to {min(high, 100)}", str(len(e)), _f(e.mean()), _f(rms(e))))
    return Table(
        "Green cover error by true cover, points",
        ("true cover, %", "photos", "bias", "RMSE"),
        tuple(rows),
    )


def honesty_table(results: list[Result]) -> Table:
    """Every measure: its error, and whether the stated standard error tells its size."""
    from lawnscore.contract.measures import MEASURES

    good = scored(results)
    rows = []
    for name in MEASURES:
        e, z = errors(good, name), ratios(good, name)
        if not len(z):
            continue
        stated = [r["row"][f"{name}_se"] for r in good if r["row"][f"{name}_se"] is not None]
        digits = 3 if name == "colour_index" else 2
        rows.append(
            (
                name,
                str(len(e)),
                _f(mean(e), digits),
                _f(rms(e), digits),
                _f(float(np.median(stated)), digits),
                _f(rms(z)),
                _f(float(np.median(np.abs(z)) / 0.6745)),
                _f(100 * mean(np.abs(z) <= 1.96), 0),
            )
        )
    headers = (
        "measure",
        "photos",
        "bias",
        "RMSE",
        "stated error, median",
        "error / stated error, RMS",
        "the same, robust",
        "within 1.96 stated errors, %",
    )
    notes = ("Honest errors give 1, 1 and 95 %. Robust: median of the size over 0.6745.",)
    return Table("Every measure and its stated error", headers, tuple(rows), notes)


def same_table(results: list[Result]) -> Table:
    """Spread over lights, cameras and viewpoints of the same lawns."""
    good = scored(results)
    lawns = sorted({r["tags"]["lawn"] for r in good})
    groups = [[r for r in good if r["tags"]["lawn"] == lawn] for lawn in lawns]
    groups = [g for g in groups if len(g) > 2]
    rows = []
    for name, limit, digits in (
        ("green_cover_pct", 1.0, 2), ("straw_cover_pct", None, 2), ("bare_soil_pct", None, 2),
        ("colour_index", 0.01, 4), ("leaf_L", None, 2), ("leaf_a", None, 2), ("leaf_b", None, 2),
        ("evenness", None, 2), ("condition", None, 2),
    ):  # fmt: skip
        spread = [errors(g, name).std(ddof=1) for g in groups if len(errors(g, name)) > 2]
        raw = [
            np.std([r["row"][name] for r in g if r["row"][name] is not None], ddof=1)
            for g in groups
        ]
        pooled = rms(np.array(spread))
        rows.append((name, _f(pooled, digits), _f(rms(np.array(raw)), digits),
                     "" if limit is None else f"{limit:g}",
                     mark(None if limit is None else pooled <= limit)))  # fmt: skip
    delta = colour_differences(good)
    rows.append(("turf colour, mean CIEDE2000 off truth", _f(float(delta.mean())), "", "2.5",
                 mark(bool(delta.mean() <= 2.5))))  # fmt: skip
    return Table(
        "The same lawns under different lights, cameras and viewpoints",
        ("measure", "SD of the error", "SD of the value", "target", ""),
        tuple(rows),
        (
            f"{len(groups)} lawns, {len(good)} of {len(results)} photos scored. Each photo is set "
            "against the truth of the very ground it measured, so that the SD of the error is "
            "free of what differs between viewpoints.",
        ),
    )


def colour_differences(results: list[Result]) -> np.ndarray:
    """CIEDE2000 between measured and true mean leaf colour."""
    from lawnscore.card.colourspace import ciede2000

    names = ("leaf_L", "leaf_a", "leaf_b")
    known = [
        ([r["row"][n] for n in names], [r["truth"][n] for n in names])
        for r in results
        if all(r["row"][n] is not None and r["truth"][n] is not None for n in names)
    ]
    known = [pair for pair in known if np.isfinite(pair).all()]
    return np.array([float(ciede2000(np.array(a), np.array(b))) for a, b in known])


def shade_table(results: list[Result]) -> Table:
    """Cover in dapple and hard shadow edges."""
    good = scored(results)
    rows = []
    for kind in ("edge", "dapple", "both"):
        part = [r for r in good if kind in (r["tags"]["kind"], "both")]
        e = errors(part, "green_cover_pct")
        met = abs(e.mean()) <= 2.0 if len(e) else None
        rows.append(
            (
                kind,
                str(len(e)),
                _f(float(e.mean()) if len(e) else np.nan),
                _f(rms(e)),
                "bias 2",
                mark(met),
            )
        )
    return Table(
        "Green cover in shade over 10 to 60 % of the ground, points",
        ("shade", "photos", "bias", "RMSE", "target", ""),
        tuple(rows),
        (f"{len(results) - len(good)} of {len(results)} photos were refused.",),
    )


def casts_table(results: list[Result]) -> Table:
    """Casts: count, false casts and F1 by density."""
    good = scored(results)
    rows = []
    for density in sorted({r["tags"]["density"] for r in good}):
        part = [r for r in good if r["tags"]["density"] == density]
        area = sum(r["row"]["area_m2"] for r in part)
        true = sum(r["casts"]["true"] for r in part)
        found = sum(r["casts"]["found"] for r in part)
        hits = sum(r["casts"]["hits"] for r in part)
        expected = sum(r["casts"]["expected"] for r in part)
        f1 = 2 * hits / (true + found) if true + found else float("nan")
        off = (expected - true) / true if true else float("nan")
        each = np.array([(r["casts"]["expected"] - r["casts"]["true"]) / r["casts"]["true"]
                         for r in part if r["casts"]["true"]])  # fmt: skip
        target, met = "", None
        if density == 0:
            target, met = "1 false per m2", expected / area <= 1.0
        elif density == 40:
            target, met = "15 %, F1 0.85", abs(off) <= 0.15 and f1 >= 0.85
        elif density >= 10:
            target, met = "15 %", abs(off) <= 0.15
        size = np.nanmedian([r["casts"]["size_ratio"] for r in part]) if hits else float("nan")
        rows.append((f"{density:.0f}", str(len(part)), _f(true / area, 1), _f(expected / area, 1),
                     _f(100 * off, 1), _f(100 * rms(each), 0), _f(f1), _f(float(size)),
                     target, mark(met)))  # fmt: skip
    return Table(
        "Casts, all states (dry, wet, smeared)",
        ("asked for, per m2", "photos", "true, per m2", "counted, per m2", "count error, %",
         "RMS of a photo's count error, %", "F1", "diameter / true", "target", ""),
        tuple(rows),
    )  # fmt: skip


def patches_table(results: list[Result]) -> Table:
    """Bare patches: precision, recall and area."""
    good = scored(results)
    true = sum(r["patches"]["true"] for r in good)
    found = sum(r["patches"]["found"] for r in good)
    pairs = [pair for r in good for pair in r["patches"]["pairs"]]
    limit = 25.0
    precision = sum(a >= limit for a, _ in pairs) / found if found else float("nan")
    recall = sum(b >= limit for _, b in pairs) / true if true else float("nan")
    pairs = [(a, b) for a, b in pairs if b >= limit]
    ratio = np.array([a / b for a, b in pairs]) if pairs else np.array([np.nan])
    total = sum(a for a, _ in pairs) / max(sum(b for _, b in pairs), 1e-9)
    share = errors(good, "bare_patch_pct")
    rows = (
        ("precision", _f(precision), "0.9", mark(precision >= 0.9)),
        ("recall", _f(recall), "0.9", mark(recall >= 0.9)),
        ("area of all matched / true", _f(total), "within 10 %", mark(abs(total - 1) <= 0.10)),
        ("area of one / true, median", _f(float(np.median(ratio))), "", ""),
        (
            "area of one within 10 %, share of patches",
            _f(float(np.mean(np.abs(ratio - 1) <= 0.1))),
            "",
            "",
        ),
        ("bare_patch_pct, bias", _f(float(share.mean())), "", ""),
        ("bare_patch_pct, RMSE", _f(rms(share)), "", ""),
    )
    return Table(
        "Bare patches above 25 cm2",
        ("figure", "value", "target", ""),
        rows,
        (f"{true} true patches in {len(good)} photos, {found} found. True patches are those the "
         "same definition gives on the true shares. A patch of 20 to 25 cm2 may be the partner "
         "of one above 25, but is not asked for.",),
    )  # fmt: skip


def pose_table(results: list[Result]) -> Table:
    """Scale and tilt, with and without EXIF, flat and warped cards."""
    good = scored(results)
    rows = []
    for warp, focal in ((0.0, "exif"), (0.0, "hidden"), (3.0, "any")):
        part = [r for r in good if _is_pose(r, warp, focal)]
        if not part:
            continue
        scale = np.array([r["row"]["mm_per_px"] / r["true_mm_per_px"] - 1 for r in part])
        se = np.array([r["row"]["mm_per_px_se"] / r["true_mm_per_px"] for r in part])
        far = np.array([r["far_scale_error"] for r in part])
        tilt = np.array([r["row"]["tilt_deg"] - r["true_tilt_deg"] for r in part])
        limits = (0.5, 1.5, 1.0) if warp == 0 else (3.0, 3.0, 2.0)
        found = (100 * rms(scale), 100 * rms(far), rms(tilt))
        met = all(value <= limit for value, limit in zip(found, limits, strict=True))
        covered = 100 * float(np.mean(np.abs(scale) <= 1.96 * se))
        rows.append(
            (
                f"{'warped 3 mm' if warp else 'flat'}, focal length {focal}",
                str(len(part)),
                *(_f(value) for value in found),
                _f(100 * float(np.abs(scale).max())),
                _f(covered, 0),
                "{:g} %, {:g} %, {:g}°".format(*limits),
                mark(met),
            )
        )
    headers = (
        "card",
        "photos",
        "scale at the card, RMS %",
        "a metre away, RMS %",
        "tilt, RMS degrees",
        "worst scale at the card, %",
        "within 1.96 stated errors, %",
        "target (RMS)",
        "",
    )
    return Table("Scale and tilt, tilts of 0 to 35 degrees", headers, tuple(rows))


def _is_pose(result: Result, warp: float, focal: str) -> bool:
    tags = result["tags"]
    return tags["warp"] == warp and focal in (tags["focal"], "any")


def by_tag_table(title: str, tag: str, header: str) -> Callable[[list[Result]], Table]:
    """Make a table of the main errors by one tag."""

    def table(results: list[Result]) -> Table:
        rows = []
        for value in dict.fromkeys(r["tags"][tag] for r in results):
            part = [r for r in results if r["tags"][tag] == value]
            good = scored(part)
            e = {
                n: errors(good, n)
                for n in ("green_cover_pct", "straw_cover_pct", "bare_soil_pct", "colour_index")
            }
            green = e["green_cover_pct"]
            delta = colour_differences(good)
            word = f"{value:g}" if isinstance(value, float | int) else str(value)
            rows.append((word, f"{len(good)} of {len(part)}", _f(mean(green)), _f(rms(green)),
                         _f(rms(e["straw_cover_pct"])), _f(rms(e["bare_soil_pct"])),
                         _f(rms(e["colour_index"]), 3), _f(mean(delta))))  # fmt: skip
        headers = (header, "scored", "green bias", "green RMSE", "straw RMSE", "soil RMSE",
                   "colour index RMSE", "leaf colour, CIEDE2000")  # fmt: skip
        return Table(title, headers, tuple(rows))

    return table


def refusing_table(results: list[Result]) -> Table:
    """Refusals of photos spoilt in known ways."""
    rows = []
    for kind in dict.fromkeys(r["tags"]["kind"] for r in results):
        part = [r for r in results if r["tags"]["kind"] == kind]
        for level in dict.fromkeys(r["tags"]["level"] for r in part):
            some = [r for r in part if r["tags"]["level"] == level]
            good = scored(some)
            e = errors(good, "green_cover_pct")
            words = sorted({r["row"]["reason"] for r in some if r["row"]["reason"]})
            rows.append((kind, f"{level:g}", str(len(some)), str(len(some) - len(good)),
                         ", ".join(words), _f(float(np.abs(e).max(initial=0)), 1)))  # fmt: skip
    return Table(
        "Photos spoilt from slightly to badly",
        ("spoilt by", "level", "photos", "refused", "reasons",
         "worst cover error of the scored, points"),
        tuple(rows),
        ("Levels: blur and motion in px of 0.6 mm, exposure in stops, tilt in degrees, covered and "
         "glare as shares, card or lawn in shade as the sun's or the shade's share, far in mm a "
         "px.",),
    )  # fmt: skip


def refusing_summary(spoilt: list[Result], good: list[Result]) -> Table:
    """The two bars on refusing."""
    kept = scored([*spoilt, *good])
    bad = [r for r in kept if abs(r["row"]["green_cover_pct"] - r["truth"]["green_cover_pct"]) > 10]
    refused_spoilt = len(spoilt) - len(scored(spoilt))
    would_pass = len(bad) / max(len(bad) + refused_spoilt, 1)
    lost = len(good) - len(scored(good))
    rows = (
        ("photos scored with a cover error above 10 points", f"{len(bad)} of {len(kept)}", "", ""),
        ("of those that had to be refused, refused", f"{100 * (1 - would_pass):.1f} %", "99 %",
         mark(would_pass <= 0.01)),
        ("good photos refused", f"{lost} of {len(good)} ({100 * lost / max(len(good), 1):.1f} %)",
         "2 %",
         mark(lost <= 0.02 * len(good))),
    )  # fmt: skip
    return Table(
        "Refusing",
        ("figure", "value", "target", ""),
        rows,
        ("Those that had to be refused are the spoilt photos that were refused and all scored "
         "photos whose cover is off by more than 10 points; a refused photo has no error to look "
         "at.",),
    )  # fmt: skip


def markdown(table: Table) -> str:
    """The table as Markdown."""
    lines = [f"### {table.title}", ""]
    lines.append("| " + " | ".join(table.headers) + " |")
    lines.append("|" + " --- |" * len(table.headers))
    lines += ["| " + " | ".join(row) + " |" for row in table.rows]
    for note in table.notes:
        lines += ["", note]
    return "\n".join(lines) + "\n"


def plain(table: Table) -> str:
    """The table as text in columns."""
    cells = [table.headers, *table.rows]
    widths = [max(len(row[k]) for row in cells) for k in range(len(table.headers))]
    lines = [table.title]
    lines += [
        "  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip()
        for row in cells
    ]
    lines += [f"  {note}" for note in table.notes]
    return "\n".join(lines) + "\n"
