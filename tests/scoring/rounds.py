"""Rounds on disk for the tests, and scorers that stand in for the real one."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from lawnscore import __version__
from lawnscore.card.design import card_design
from lawnscore.card.draw import card_image
from lawnscore.contract.errors import PhotoRefused
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo.read import read_photo
from lawnscore.photo.score import PhotoScore

LAWN_MM_PER_PX = 0.6

VISIT = "photos/oak-lane/front/2026-05-01-before"


def new_round(base: Path, settings: str = "") -> Path:
    """Make a round without photos."""
    base.mkdir(parents=True, exist_ok=True)
    (base / "round.toml").write_text(settings)
    (base / "lawns.csv").write_text("lawn,zone,area_m2\noak-lane,front,120\n")
    return base


def put_photo(base: Path, name: str = "a.jpg", *, seed: int = 0, visit: str = VISIT) -> Path:
    """Write a small photo of noise; ``seed`` makes its content."""
    path = base / visit / name
    path.parent.mkdir(parents=True, exist_ok=True)
    pixels = np.random.default_rng(seed).integers(0, 255, (80, 100, 3), np.uint8)
    Image.fromarray(pixels).save(path, "JPEG", quality=90)
    return path


def put_lawn_photo(base: Path, name: str = "lawn.jpg", *, visit: str = VISIT) -> Path:
    """Write a photo that can be scored: half green ground from above, with the card on it."""
    path = base / visit / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(_lawn_jpeg())
    return path


@lru_cache(maxsize=1)
def _lawn_jpeg() -> bytes:
    rng = np.random.default_rng(3)
    card = card_image(card_design("turf-a5"), dpi=25.4 / LAWN_MM_PER_PX)
    texture = cv2.GaussianBlur(rng.normal(0, 8, (900, 1200)).astype(np.float32), (0, 0), 2)
    green = cv2.GaussianBlur(rng.normal(0, 1, (900, 1200)).astype(np.float32), (0, 0), 3) > 0
    ground = np.where(green[..., None], (70.0, 115.0, 45.0), (95.0, 75.0, 55.0))
    ground *= 1 + texture[..., None] / 8
    ground += rng.normal(0, 4, ground.shape)
    pixels = np.clip(ground, 0, 255).astype(np.uint8)
    pixels[300 : 300 + card.shape[0], 700 : 700 + card.shape[1]] = card
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=92)
    return out.getvalue()


@dataclass
class Counting:
    """A scorer that reads the photo, makes numbers of its content, and counts its calls.

    Parameters
    ----------
    stop_at
        Raise ``KeyboardInterrupt`` at this call, counted from 1.
    fail_on
        Raise ``RuntimeError`` for photos of this name.
    """

    stop_at: int = 0
    fail_on: str = ""
    calls: list[str] = field(default_factory=list)
    cards: list[Any] = field(default_factory=list)

    def __call__(self, path: Path, card: object, *, settings: ScoringSettings) -> PhotoScore:
        self.calls.append(path.name)
        self.cards.append(card)
        if len(self.calls) == self.stop_at:
            raise KeyboardInterrupt
        if path.name == self.fail_on:
            raise RuntimeError("a fault\nof two lines")
        return score_by_content(path, card, settings=settings)


def score_by_content(path: Path, card: object, *, settings: ScoringSettings) -> PhotoScore:
    """Return measures that follow from the mean colour: wrong, but the same every time."""
    row: dict[str, object] = {
        "photo": path.as_posix(),
        "version": __version__,
        "settings_id": settings.settings_id,
    }
    try:
        photo = read_photo(path)
    except PhotoRefused as refusal:
        data = path.read_bytes() if path.is_file() else b""
        row["sha256"] = hashlib.sha256(data).hexdigest() if data else None
        row.update(status="refused", reason=refusal.reason, detail=refusal.detail)
        return PhotoScore(row, (), True)
    mean = float(photo.rgb.mean())
    row.update(sha256=photo.sha256, status="scored", taken_at=photo.taken_at, area_m2=1.5)
    row.update(dict.fromkeys(MEASURES, mean / 3))
    row.update({f"{name}_se": 0.5 for name in MEASURES})
    return PhotoScore(row, ((0.0, 0.0), (10.0, 0.0), (10.0, 8.0)), False)
