"""Tables on single things: casts, bare patches, and the pose of the camera."""

from __future__ import annotations

import numpy as np

from benchmarks.accuracy.tables import Result, Table, errors, fmt, mark, rms, scored


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
        rows.append((f"{density:.0f}", str(len(part)), fmt(true / area, 1), fmt(expected / area, 1),
                     fmt(100 * off, 1), fmt(100 * rms(each), 0), fmt(f1), fmt(float(size)),
                     target, mark(met)))  # fmt: skip
    return Table(
        "Casts, all states (dry, wet, smeared)",
        ("asked for, per m2", "photos", "true, per m2", "counted, per m2", "count error, %",
         "RMS of a photo's count error, %", "F1", "diameter / true", "target", ""),
        tuple(rows),
    )  # fmt: skip


def casts_by_state_table(results: list[Result]) -> Table:
    """The same by state, where ten or more were asked for."""
    some = [r for r in scored(results) if r["tags"]["density"] >= 10]
    rows = []
    for state in ("dry", "wet", "smeared"):
        part = [r for r in some if r["made"]["spec"]["cast_state"] == state]
        if not part:
            continue
        true, found, hits, expected = (
            sum(r["casts"][word] for r in part) for word in ("true", "found", "hits", "expected")
        )
        rows.append((state, str(len(part)), str(true), fmt(expected, 0),
                     fmt(100 * (expected - true) / max(true, 1), 1), fmt(hits / max(true, 1)),
                     fmt(hits / max(found, 1)), fmt(2 * hits / max(true + found, 1))))  # fmt: skip
    headers = ("state", "photos", "true casts", "counted", "count error, %", "recall",
               "precision", "F1")  # fmt: skip
    return Table("Casts by state, 10 per m2 and more", headers, tuple(rows))


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
        ("precision", fmt(precision), "0.9", mark(precision >= 0.9)),
        ("recall", fmt(recall), "0.9", mark(recall >= 0.9)),
        ("area of all matched / true", fmt(total), "within 10 %", mark(abs(total - 1) <= 0.10)),
        ("area of one / true, median", fmt(float(np.median(ratio))), "", ""),
        (
            "area of one within 10 %, share of patches",
            fmt(float(np.mean(np.abs(ratio - 1) <= 0.1))),
            "",
            "",
        ),
        ("bare_patch_pct, bias", fmt(float(share.mean())), "", ""),
        ("bare_patch_pct, RMSE", fmt(rms(share)), "", ""),
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
                *(fmt(value) for value in found),
                fmt(100 * float(np.abs(scale).max())),
                fmt(covered, 0),
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
