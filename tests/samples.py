"""The sample photos of sample_images/ and what is true of them; each is scored once a session."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pandas as pd

from lawnscore.photo.score import Row, score_photo

FOLDER = Path(__file__).resolve().parent.parent / "sample_images"


@dataclass(frozen=True, eq=False)
class Sample:
    """The row of a sample photo, and the standard error of its tilt (degrees)."""

    row: Row
    tilt_se_deg: float | None


@cache
def truth() -> pd.DataFrame:
    """What each photo truly shows, by its name."""
    return pd.read_csv(FOLDER / "truth.csv", keep_default_na=True).set_index("photo")


@cache
def sample(name: str) -> Sample:
    """Score one photo with the card's nominal colours."""
    score = score_photo(FOLDER / name, keep_views=True)
    tilt_se = None if score.views is None else score.views.card_fit.tilt_se_deg
    return Sample(score.row, tilt_se)
