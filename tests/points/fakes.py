"""A program that says what a test wants, and points to set beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lawnscore.contract.tables import PHOTO_SCORES, POINTS, SEEN_WORDS
from lawnscore.points.compare import SHARE_COLUMNS
from lawnscore.points.program import ProgramView

Array = NDArray[np.float64]


@dataclass
class FakeProgram:
    """Stands in for :class:`lawnscore.points.program.Program`; shares by the x of a place."""

    scores: pd.DataFrame
    shares: dict[str, Array]
    casts: dict[str, Array] = field(default_factory=dict)

    @property
    def current(self) -> dict[str, str]:
        good = self.scores[self.scores["status"] == "scored"]
        return dict(zip(good["sha256"], good["photo"], strict=True))

    @property
    def opened(self) -> Any:
        photos = [
            SimpleNamespace(relative=photo, path=Path(photo)) for photo in self.scores["photo"]
        ]
        return SimpleNamespace(photos=photos)

    def at(self, path: Path, sha256: str, places: Sequence[tuple[float, float]]) -> ProgramView:
        nan = np.full(5, np.nan)
        own = self.shares.get(sha256, np.zeros((0, 5)))
        rows = [own[int(x)] if 0 <= x < len(own) else nan for x, _ in places]
        casts = self.casts.get(sha256, np.zeros((0, 3)))
        return ProgramView(np.array(rows).reshape(-1, 5), casts)

    def plain_rows(self) -> list[dict[str, Any]]:
        return self.scores[self.scores["status"] == "scored"].to_dict("records")


def photo_table(shares: Array, se: float = 3.0, lawns: int = 3) -> pd.DataFrame:
    """Return a table of photos with these shares (n, 5), in the order of the class map, 0 to 1."""
    rows = []
    for k, line in enumerate(100 * np.asarray(shares)):
        lawn = f"lawn {k % lawns}"
        row: dict[str, Any] = {
            "lawn": lawn, "zone": "all", "date": "2026-05-01", "stage": "check",
            "photo": f"photos/{lawn}/all/2026-05-01-check/{k}.jpg", "sha256": f"{k:064x}",
            "status": "scored", "area_m2": 1.0, "shade_pct": 20.0 * (k % 2), "settings_id": "aaaa",
            "version": "0", "colour_index": 0.4, "colour_index_se": 0.01, "evenness": 80.0,
            "evenness_se": 2.0, "bare_patch_pct": 1.0, "bare_patch_pct_se": 0.5,
            "casts_per_m2": 10.0, "casts_per_m2_se": 3.0, "condition": 80.0, "condition_se": 2.0,
        }  # fmt: skip
        row |= dict(zip(SHARE_COLUMNS, line, strict=True))
        row |= {f"{name}_se": se if value > 1 else 0.3 for name, value in row.items()
                if name in SHARE_COLUMNS}  # fmt: skip
        rows.append(row)
    return PHOTO_SCORES.frame(rows)


def point_rows(sha256: str, seen: Sequence[int], reader: str = "A", **more: Any) -> pd.DataFrame:
    """Return rows of points of one photo, the k-th at x = k."""
    return POINTS.frame(
        [
            {
                "kind": "point", "photo": "p", "sha256": sha256, "draw": "d", "number": k + 1,
                "x_mm": float(k), "y_mm": 0.0, "seen": SEEN_WORDS[word], "reader": reader,
                "session": "s", "read_at": "2026-06-04T09:00:00Z", **more,
            }
            for k, word in enumerate(seen)
        ]
    )  # fmt: skip
