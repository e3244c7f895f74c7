"""A small round for each command that writes, what to do with it, and what it ends with.

For `benchmarks/robustness/kills.py`.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.filing.copying import file_photos
from lawnscore.filing.plan import FilingOptions
from lawnscore.filing.slip_code import SlipCode
from lawnscore.filing.sorting import plan_filing
from lawnscore.photo.read import read_photo
from lawnscore.photo.score import PhotoScore
from lawnscore.points.record import FILE_NAME, ROWS_IN_FILE, keep_file
from lawnscore.report import write_reports
from lawnscore.scoring.batch import score_round

TODAY = "2026-05-02"
NOW = datetime(2026, 4, 1, 12, 0)
VISIT = "photos/oak-lane/front/2026-05-01-before"


@dataclass(frozen=True)
class Case:
    """One command: how to prepare for it, do it, and read what it ends with."""

    name: str
    prepare: Callable[[Path], None]
    act: Callable[[Path], object]
    outcome: Callable[[Path], dict[str, bytes]]


def make_photo(path: Path, seed: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    pixels = np.random.default_rng(seed).integers(0, 255, (80, 100, 3), np.uint8)
    Image.fromarray(pixels).save(path, "JPEG", quality=90)


def by_content(path: Path, card: object, *, settings: ScoringSettings) -> PhotoScore:
    """Score a photo by its mean colour: wrong, quick, and the same every time."""
    photo = read_photo(path)
    row: dict[str, object] = {
        "photo": path.as_posix(),
        "sha256": photo.sha256,
        "status": "scored",
        "area_m2": 1.5,
        "version": "0",
        "settings_id": settings.settings_id,
    }
    row.update(dict.fromkeys(MEASURES, float(photo.rgb.mean()) / 3))
    row.update({f"{name}_se": 0.5 for name in MEASURES})
    return PhotoScore(row, (), False)


def prepare_score(base: Path) -> None:
    base.mkdir(parents=True)
    (base / "round.toml").write_text("")
    (base / "lawns.csv").write_text("lawn,zone,area_m2\noak-lane,front,120\n")
    for seed in range(3):
        make_photo(base / VISIT / f"p{seed}.jpg", seed)


def prepare_report(base: Path) -> None:
    prepare_score(base)
    score(base)


def prepare_file(base: Path) -> None:
    """Make a round and a phone's dump whose slip was seen already: no photo need be decoded."""
    prepare_score(base)
    phone = base.parent / f"{base.name}-phone"
    seen: dict[str, Any] = {}
    for number in range(3):
        photo = phone / f"IMG_{number:04d}.jpg"
        make_photo(photo, 50 + number)
        os.utime(photo, (1_770_000_000 + 60 * number,) * 2)
        sha256 = hashlib.sha256(photo.read_bytes()).hexdigest()
        codes = [vars(SlipCode("oak-lane", "front", "check"))] if number == 0 else []
        seen[sha256] = {"codes": codes, "fault": "", "shows_card": False, "sharpness": 1.0}
    kept = base / ".lawnscore" / "slips_seen.json"
    kept.parent.mkdir()
    kept.write_text(json.dumps({"1": seen}))


def prepare_points(base: Path) -> None:
    """Make a scored round with one reading kept, and the file of a second beside it."""
    prepare_report(base)
    for reader in ("first", "second"):
        rows = [_read(base, photo, number, reader) for photo in range(3) for number in range(4)]
        for row in rows:
            row[ROWS_IN_FILE] = len(rows)
        file = base.parent / f"{base.name}-phone" / f"{reader}.csv"
        file.parent.mkdir(exist_ok=True)
        file.write_text(pd.DataFrame(rows).to_csv(index=False))
    keep_file(base, base.parent / f"{base.name}-phone" / "first.csv")


def _read(base: Path, photo: int, number: int, reader: str) -> dict[str, Any]:
    path = f"{VISIT}/p{photo}.jpg"
    sha256 = hashlib.sha256((base / path).read_bytes()).hexdigest()
    place = {"number": number, "x_mm": 10.0 * number, "y_mm": 5.0 * number, "side_mm": ""}
    who = {"reader": reader, "session": reader, "read_at": f"{TODAY}T10:0{number}:00+00:00"}
    seen = ("green leaf", "straw", "soil", "cast")[number]
    return {"kind": "point", "photo": path, "sha256": sha256, "draw": "d1", **place,
            "seen": seen, **who}  # fmt: skip


def score(base: Path) -> object:
    return score_round(base, scorer=by_content, today=TODAY)


def file_dump(base: Path) -> object:
    phone = base.parent / f"{base.name}-phone"
    plan = plan_filing(base, phone, FilingOptions(date="2026-03-05"), now=NOW)
    return file_photos(plan, now=NOW)


def report(base: Path) -> object:
    return write_reports(base, pictures="none", pdf=True)


def points(base: Path) -> object:
    return keep_file(base, base.parent / f"{base.name}-phone" / "second.csv")


def readings_of(base: Path) -> dict[str, bytes]:
    return {FILE_NAME: (base / FILE_NAME).read_bytes()}


def tables_of(base: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in (base / "reports").glob("*.*")}


def photos_of(base: Path) -> dict[str, bytes]:
    photos = base / "photos"
    return {str(p.relative_to(photos)): p.read_bytes() for p in photos.rglob("*") if p.is_file()}


def pages_of(base: Path) -> dict[str, bytes]:
    reports = base / "reports"
    return {str(p.relative_to(reports)): p.read_bytes() for p in reports.rglob("*") if p.is_file()}


CASES = (
    Case("score", prepare_score, score, tables_of),
    Case("file", prepare_file, file_dump, photos_of),
    Case("report", prepare_report, report, pages_of),
    Case("points", prepare_points, points, readings_of),
)
