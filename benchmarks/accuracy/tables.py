"""One table a question: from judged cases to the figures and whether the target is met."""

from __future__ import annotations

from collections import Counter
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


def reasons(results: Iterable[Result]) -> str:
    """Why photos were refused, the most frequent reason first, each with its count."""
    count = Counter(r["row"]["reason"] for r in results if r["row"]["reason"])
    return ", ".join(f"{word} {n}" for word, n in count.most_common())


def mark(met: bool | None) -> str:
    """Say whether a target is met."""
    return "" if met is None else ("met" if met else "missed")


def fmt(value: float, digits: int = 2) -> str:
    """A figure with so many digits; nothing where it is not known."""
    return "" if not np.isfinite(value) else f"{value:.{digits}f}"


def _interval_of_rms(values: np.ndarray) -> str:
    """95 % bootstrap interval of a root mean square, seeded."""
    if len(values) < 5:
        return ""
    rng = np.random.default_rng(0)
    draws = values[rng.integers(0, len(values), (1000, len(values)))]
    low, high = np.percentile(np.sqrt(np.mean(draws**2, axis=1)), [2.5, 97.5])
    return f"{low:.2f} to {high:.2f}"


def _bias(values: np.ndarray, digits: int = 2) -> str:
    """Mean, and how far it may be off by chance (95 %)."""
    if len(values) < 5:
        return fmt(mean(values), digits)
    half = 1.96 * float(values.std(ddof=1)) / np.sqrt(len(values))
    return f"{fmt(mean(values), digits)} ± {fmt(half, digits)}"


def cover_table(results: list[Result]) -> Table:
    """Green cover, straw and soil over all lights and cameras."""
    return _shares_table(
        "Shares of the ground, points, over lawns of 2 to 97 % green in all lights and cameras",
        results,
    )


def phone_table(results: list[Result]) -> Table:
    """The same on whole photos of a phone."""
    return _shares_table(
        "Shares of the ground, points, on whole photos of a phone: 12 megapixels, 2.4 x 1.8 m",
        results,
    )


def _shares_table(title: str, results: list[Result]) -> Table:
    good = scored(results)
    limits = {"green": (1.0, 2.5), "straw": (None, 5.0), "soil": (None, 5.0)}
    rows = []
    for surface, name in SHARES.items():
        e, z = errors(good, name), ratios(good, name)
        bias, limit = limits.get(surface, (None, None))
        met = None
        if limit is not None and len(e):
            met = rms(e) <= limit and (bias is None or abs(e.mean()) <= bias)
        worst = float(np.abs(e).max()) if len(e) else float("nan")
        target = "" if limit is None else f"RMSE {limit:g}" + (f", bias {bias:g}" if bias else "")
        rows.append(
            (surface, str(len(e)), _bias(e), fmt(rms(e)), _interval_of_rms(e), fmt(worst, 1),
             fmt(rms(z)), target, mark(met))
        )  # fmt: skip
    return Table(
        title,
        ("surface", "photos", "bias (95 %)", "RMSE", "95 % of RMSE", "worst",
         "error / stated error (RMS)", "target", ""),
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
            rows.append((f"{low} to {min(high, 100)}", str(len(e)), _bias(e), fmt(rms(e))))
    return Table(
        "Green cover error by true cover, points",
        ("true cover, %", "photos", "bias (95 %)", "RMSE"),
        tuple(rows),
    )


def _light_of(made: dict[str, Any]) -> str:
    light = made["light"]
    if light["sun_share"] == 0:
        return "overcast"
    if light["sun_elevation_deg"] < 21:
        return "low sun"
    return "hazy" if light["sun_share"] < 0.62 else "sun"


CONDITIONS: dict[str, Callable[[dict[str, Any]], str]] = {
    "light": _light_of,
    "camera": lambda made: str(made["camera"]["name"]),
    "soil": lambda made: str(made["spec"]["tint"]["soil"]),
    "leaf": lambda made: "pale" if made["spec"]["tint"]["chlorophyll"] < 2.2 else "dark",
    "dew": lambda made: "dew" if made["spec"]["tint"]["dew"] else "dry",
    "moss": lambda made: "moss" if made["spec"]["moss"] else "none",
    "fallen leaves": lambda made: "some" if made["spec"]["leaves_per_m2"] else "none",
}


def cover_by_condition_table(results: list[Result]) -> Table:
    """Errors of the shares by light, camera and what grows and lies there."""
    good = scored(results)
    rows = []
    for condition, word_of in CONDITIONS.items():
        for word in sorted({word_of(r["made"]) for r in good}):
            part = [r for r in good if word_of(r["made"]) == word]
            e = {name: errors(part, name) for name in list(SHARES.values())[:3]}
            green = e["green_cover_pct"]
            rows.append((condition, word, str(len(part)), _bias(green),
                         *(fmt(rms(values)) for values in e.values()),
                         fmt(rms(ratios(part, "green_cover_pct")))))  # fmt: skip
    return Table(
        "Errors by light, camera, soil and growth, points",
        ("", "", "photos", "green bias (95 %)", "green RMSE", "straw RMSE", "soil RMSE",
         "green error / stated error (RMS)"),
        tuple(rows),
    )  # fmt: skip


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
                fmt(mean(e), digits),
                fmt(rms(e), digits),
                fmt(float(np.median(stated)), digits),
                fmt(rms(z)),
                fmt(float(np.median(np.abs(z)) / 0.6745)),
                fmt(100 * mean(np.abs(z) <= 1.96), 0),
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
        rows.append((name, fmt(pooled, digits), fmt(rms(np.array(raw)), digits),
                     "" if limit is None else f"{limit:g}",
                     mark(None if limit is None else pooled <= limit)))  # fmt: skip
    delta = colour_differences(good)
    rows.append(("turf colour, mean CIEDE2000 off truth", fmt(float(delta.mean())), "", "2.5",
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
            rows.append((word, f"{len(good)} of {len(part)}", reasons(part),
                         fmt(mean(green)), fmt(rms(green)),
                         fmt(rms(e["straw_cover_pct"])), fmt(rms(e["bare_soil_pct"])),
                         fmt(rms(e["colour_index"]), 3), fmt(mean(delta))))  # fmt: skip
        headers = (header, "scored", "refused as", "green bias", "green RMSE", "straw RMSE",
                   "soil RMSE", "colour index RMSE", "leaf colour, CIEDE2000")  # fmt: skip
        return Table(title, headers, tuple(rows))

    return table


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927), 0 to 1; NaN of nothing."""
    if n == 0:
        return float("nan"), float("nan")
    z = 1.959964
    share, more = hits / n, z * z / n
    middle = (share + more / 2) / (1 + more)
    half = z / (1 + more) * np.sqrt(share * (1 - share) / n + more / (4 * n))
    return max(float(middle - half), 0.0), min(float(middle + half), 1.0)


def share_of(hits: int, n: int) -> str:
    """A share in words: how many of how many, in per cent, with its interval."""
    if n == 0:
        return "none to ask"
    low, high = wilson(hits, n)
    return f"{hits} of {n}: {100 * hits / n:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def timings_table(results: dict[str, list[Result]]) -> Table:
    """Processor seconds by study and part."""
    parts = ("grow", "render", "score", "score again", "truth")
    rows = []
    for study, some in results.items():
        if not some:
            continue
        spent = [sum(r["seconds"].get(part, 0.0) for r in some) for part in parts]
        longest = max(r["seconds"]["score"] for r in some)
        rows.append((study, str(len(some)), *(fmt(s, 1) for s in spent), fmt(sum(spent), 0),
                     fmt(sum(spent) / len(some)), fmt(longest)))  # fmt: skip
    headers = ("study", "photos", *parts, "all", "a photo", "longest score")
    return Table("Processor seconds", headers, tuple(rows))


def markdown(table: Table) -> str:
    """The table as Markdown."""
    head, *rows = [
        "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"
        for row in (table.headers, *table.rows)
    ]
    lines = [f"### {table.title}", "", head, "|" + " --- |" * len(table.headers), *rows]
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
