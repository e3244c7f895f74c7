"""An invented round for the reports: tables without photos, and green noise for pictures.

Nobody's lawns: names, dates and numbers are made up from a seed.
"""

from __future__ import annotations

import json
import math
import os
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import INPUT_TABLES, OUTPUT_TABLES
from lawnscore.report.load import rows_of
from lawnscore.report.pictures import PICTURES, keep_pictures, picture_key
from lawnscore.scoring.tables import write_table

SURFACE = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct", "litter_pct", "cast_cover_pct")
FLAGS = ("cover_falling", "casts_rising", "recovery_slow", "uneven", "not_visited")
FIRST_DAY = date(2025, 3, 10)
LAST_DAY = "2025-10-07"
"""The day the reports of the invented round are made on: after its last visit."""
RENOVATION_VISIT = 5
HALF = {"share": 4.0, "density": 2.0, "size": 30.0, "index": 0.012, "colour": 0.8}


def measures_at(cover: float, rng: np.random.Generator) -> dict[str, float]:
    rest = 100 - cover
    straw, soil, litter = 0.6 * rest, 0.33 * rest, 0.05 * rest
    values = {
        "green_cover_pct": cover,
        "straw_cover_pct": straw,
        "bare_soil_pct": soil,
        "litter_pct": litter,
        "cast_cover_pct": 100 - cover - straw - soil - litter,
        "casts_per_m2": float(rng.gamma(2, 3)),
        "bare_patch_pct": rest / 8,
        "bare_patches_per_m2": rest / 12,
        "largest_bare_patch_cm2": 25 + rest * 2,
        "colour_index": 0.4 + cover / 900 + float(rng.normal(0, 0.008)),
        "leaf_L": 42.0,
        "leaf_a": -18.0,
        "leaf_b": 27.0,
        "evenness": max(0.0, 100 - 0.7 * rest),
    }
    values["condition"] = 0.6 * cover + 0.3 * values["evenness"] + 10
    return {name: round(value, 3) for name, value in values.items()}


def cover_at(day: int, renovated: int | None, pace: float) -> float:
    usual = 80 + 8 * math.sin(day / 365 * 2 * math.pi)
    if renovated is None or day < renovated:
        return usual
    return usual - 42 * math.exp(-(day - renovated) / pace)


class RoundMaker:
    """Grows the tables of one invented round, lawn by lawn."""

    def __init__(self, seed: int = 7) -> None:
        self.rng = np.random.default_rng(seed)
        self.rows: dict[str, list[dict[str, Any]]] = {
            name: [] for name in (*OUTPUT_TABLES, *INPUT_TABLES, "next_visits")
        }

    def lawn(
        self,
        lawn: str,
        *,
        zones: tuple[str, ...] = ("all",),
        n_visits: int = 12,
        n_photos: int = 4,
        renovate: bool = True,
        refuse_last: bool = False,
        name: str = "",
        flag: bool = False,
    ) -> None:
        days = [30 * k for k in range(n_visits)]
        renovated = days[RENOVATION_VISIT] if renovate and n_visits > RENOVATION_VISIT else None
        for zone in zones:
            self.rows["lawns"].append(
                {"lawn": lawn, "zone": zone, "area_m2": 120.0, "name": name or lawn}
            )
            pace = float(self.rng.uniform(20, 45))
            self._visits(lawn, zone, days, renovated, pace, n_photos, refuse_last)
            self._changes(lawn, zone, renovated)
            if renovated is not None:
                self._recovery(lawn, zone, renovated, pace)
        if flag:
            self._attention(lawn, zones[0], days[-1])
        for day in days:
            task = "scarify" if day == renovated else "mow"
            self.rows["work"].append(
                {"date": iso(day), "lawn": lawn, "zone": zones[0], "task": task, "height_mm": 32.0}
            )
        self.rows["next_visits"].append(
            {"date": iso(days[-1] + 28), "lawn": lawn, "zone": zones[0], "why": "season"}
        )

    def _visits(
        self,
        lawn: str,
        zone: str,
        days: list[int],
        renovated: int | None,
        pace: float,
        n_photos: int,
        refuse_last: bool,
    ) -> None:
        for day in days:
            stages = ("before", "after") if day == renovated else ("check",)
            for stage in stages:
                refused = refuse_last and day == days[-1]
                cover = cover_at(day - 1 if stage == "before" else day, renovated, pace)
                cover = min(99.0, max(1.0, cover + float(self.rng.normal(0, 1.2))))
                values = {} if refused else measures_at(cover, self.rng)
                self._photos(lawn, zone, day, stage, values, n_photos)
                self._visit(lawn, zone, day, stage, values, n_photos)

    def _photos(
        self,
        lawn: str,
        zone: str,
        day: int,
        stage: str,
        values: dict[str, float],
        n_photos: int,
    ) -> None:
        for k in range(n_photos):
            spot = f"spot{k + 1}"
            photo = f"photos/{lawn}/{zone}/{iso(day)}-{stage}/{spot}--{k}.jpg"
            row: dict[str, Any] = {
                "lawn": lawn,
                "zone": zone,
                "spot": spot,
                "date": iso(day),
                "stage": stage,
                "photo": photo,
                "sha256": f"{abs(hash((photo, 1))):064x}",
                "status": "scored" if values else "refused",
                "reason": None if values else "blurred",
                "detail": None if values else "edges are 9 px wide",
                "version": "0.1.0",
                "settings_id": "abcd1234",
                "card": "turf-a5",
            }
            if values:
                row |= values | {
                    "card_delta_e": 1.6,
                    "mm_per_px": 0.52,
                    "tilt_deg": 4.0 + k,
                    "area_m2": 1.4,
                    "straw_soil_confidence": 0.9,
                    "colour_reference": "nominal",
                }
            self.rows["photo_scores"].append(row)

    def _visit(
        self,
        lawn: str,
        zone: str,
        day: int,
        stage: str,
        values: dict[str, float],
        n_photos: int,
    ) -> None:
        row: dict[str, Any] = {
            "lawn": lawn,
            "zone": zone,
            "date": iso(day),
            "stage": stage,
            "photos": n_photos if values else 0,
            "refused": 0 if values else n_photos,
            "area_m2": 1.4 * n_photos if values else None,
            "version": "0.1.0",
            "settings_id": "abcd1234",
        }
        for name, value in values.items():
            row[name] = value
            if n_photos > 1:
                half = HALF[MEASURES[name].kind]
                low, high = MEASURES[name].low, MEASURES[name].high
                row[f"{name}_low"] = value - half if low is None else max(low, value - half)
                row[f"{name}_high"] = value + half if high is None else min(high, value + half)
        self.rows["visit_scores"].append(row)

    def _changes(self, lawn: str, zone: str, renovated: int | None) -> None:
        rows = [
            r
            for r in self.rows["visit_scores"]
            if r["lawn"] == lawn and r["zone"] == zone and r["photos"]
        ]
        start = [r for r in rows if renovated is not None and r["date"] == iso(renovated)]
        for a, b in pairwise(rows):
            self._change(a, b, "work" if a["date"] == b["date"] else "visit")
        if start:
            for b in rows[rows.index(start[-1]) + 1 :]:
                self._change(start[-1], b, "since_renovation")
            if rows[-1]["date"] > start[-1]["date"]:
                self._change(start[0], rows[-1], "since_before_work")

    def _change(self, a: dict[str, Any], b: dict[str, Any], kind: str) -> None:
        for name, measure in MEASURES.items():
            change, half = b[name] - a[name], 1.4 * HALF[measure.kind]
            clear = abs(change) > half and measure.better
            good = change * measure.better > 0
            self.rows["changes"].append(
                {
                    "lawn": a["lawn"],
                    "zone": a["zone"],
                    "measure": name,
                    "kind": kind,
                    "from_date": a["date"],
                    "from_stage": a["stage"],
                    "to_date": b["date"],
                    "to_stage": b["stage"],
                    "change": change,
                    "low": change - half,
                    "high": change + half,
                    "verdict": ("better" if good else "worse") if clear else "no clear change",
                    "smallest_detectable": half,
                    "n_paired_spots": 4,
                    "method_changed": False,
                }
            )

    def _recovery(self, lawn: str, zone: str, renovated: int, pace: float) -> None:
        rows = [
            r
            for r in self.rows["visit_scores"]
            if r["lawn"] == lawn and r["zone"] == zone and r["photos"]
        ]
        day = [r for r in rows if r["date"] == iso(renovated)]
        before, after, now = (r["green_cover_pct"] for r in (day[0], day[-1], rows[-1]))
        days_to_95 = pace * math.log(42 / 4)
        self.rows["recovery"].append(
            {
                "lawn": lawn,
                "zone": zone,
                "renovation_date": iso(renovated),
                "task": "scarify",
                "cover_before": before,
                "cover_after": after,
                "cover_now": now,
                "days_since": (date.fromisoformat(rows[-1]["date"]) - FIRST_DAY).days - renovated,
                "recovered_pct": 100 * (now - after) / max(1.0, before - after),
                "days_to_95": days_to_95,
                "days_to_95_low": 0.75 * days_to_95,
                "days_to_95_high": 1.4 * days_to_95,
                "state": "recovered" if now > 0.95 * before else "recovering",
                "expected_days_to_95": 80.0,
                "expected_from": "default",
                "clock": "days",
                "back_by": next(
                    (
                        r["date"]
                        for r in rows
                        if r["date"] > iso(renovated) and r["green_cover_pct"] >= 0.95 * before
                    ),
                    None,
                ),
            }
        )

    def _attention(self, lawn: str, zone: str, day: int) -> None:
        rank = len(self.rows["attention"]) + 1
        self.rows["attention"].append(
            {
                "rank": rank,
                "lawn": lawn,
                "zone": zone,
                "flag": FLAGS[rank % len(FLAGS)],
                "since": iso(day - 30),
                "measure": "green_cover_pct",
                "evidence": "Green cover fell by 9 points (5 to 13) in 8 weeks.",
                "next_step": "Look for shade, compaction and disease; retake the photos.",
                "urgency": 10.0 / rank,
            }
        )

    def frames(self) -> dict[str, pd.DataFrame]:
        tables = {**OUTPUT_TABLES, **INPUT_TABLES}
        frames = {
            name: tables[name].frame(rows) for name, rows in self.rows.items() if name in tables
        }
        columns = ["date", "lawn", "zone", "why"]
        frames["next_visits"] = pd.DataFrame(self.rows["next_visits"], columns=columns)
        return frames


def iso(day: int) -> str:
    return (FIRST_DAY + timedelta(days=day)).isoformat()


def turf_picture(seed: int, cover: float, *, size: tuple[int, int] = (700, 1000)) -> np.ndarray:
    """Green noise over brown, coarse and fine, as a stand-in for corrected ground."""
    rng = np.random.default_rng(seed)
    fine = rng.normal(0, 1, (*size, 1))
    coarse = np.kron(rng.normal(0, 1, (size[0] // 20, size[1] // 20)), np.ones((20, 20)))
    level = fine[..., 0] * 0.7 + coarse[: size[0], : size[1]] * 0.6
    green = level < np.quantile(level, cover / 100)
    picture = np.where(green[..., None], (78, 112, 50), (150, 122, 84)) + fine * 14
    return np.clip(picture, 10, 255).astype(np.uint8)


def write_round(folder: Path, frames: dict[str, pd.DataFrame], **report: str) -> Path:
    """Write an invented round as it lies on disk after scoring, without its photos."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["[report]", *(f"{key} = {json.dumps(value)}" for key, value in report.items())]
    (folder / "round.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    for name in ("lawns", "work"):
        frames[name].to_csv(folder / f"{name}.csv", index=False, encoding="utf-8")
    for name in OUTPUT_TABLES:
        write_table(folder, name, frames[name])
    return folder


def keep_turf_pictures(folder: Path, frames: dict[str, pd.DataFrame], *, most: int = 120) -> None:
    """Put pictures of green noise where the pictures of a round's photos are kept.

    Few are drawn; the others are the same files under other names.
    """
    home = folder / PICTURES
    scored = rows_of(frames["photo_scores"])
    drawn: dict[int, str] = {}
    for row in [r for r in scored if r["status"] == "scored"][:most]:
        cover, key = round(row["green_cover_pct"] / 10), picture_key(row)
        if cover in drawn:
            for end in ("-ground.jpg", "-seen.jpg", ".json"):
                (home / f"{key}{end}").unlink(missing_ok=True)
                os.link(home / f"{drawn[cover]}{end}", home / f"{key}{end}")
            continue
        picture = turf_picture(cover, 10 * cover, size=(300, 400))
        keep_pictures(
            home,
            key,
            ground=picture,
            seen=np.hstack([picture, picture]),
            origin_mm=(-400.0, -300.0),
            mm_per_px=3.0,
        )
        drawn[cover] = key
