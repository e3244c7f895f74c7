"""Set what scoring found beside the truth of the demo."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lawnscore.demo.demo_round import TRUTH_FILE

Array = NDArray[np.float64]
Names = NDArray[np.str_]

if TYPE_CHECKING:
    import pandas as pd

COUNTED_FROM_PER_M2 = 10.0
"""Below this density a share of the count says little: one cast more is a tenth."""


@dataclass(frozen=True)
class DemoCheck:
    """How near the scores came to the truth.

    Parameters
    ----------
    photos, missing
        Photos in the truth; those without a row in the scores.
    compared
        Photos scored that were meant to be.
    cover_rmse, cover_bias
        Root mean square and mean error of green cover, points; NaN when nothing was compared.
    cast_photos, cast_rmse_pct, cast_bias_pct
        Photos with at least 10 casts per m2, and the relative error of their density, %.
    refused_rightly
        Photos made to be refused that were.
    refused_wrongly, scored_wrongly
        Photos refused that were meant to be scored, and the other way round.
    """

    photos: int
    missing: tuple[str, ...]
    compared: int
    cover_rmse: float
    cover_bias: float
    cast_photos: int
    cast_rmse_pct: float
    cast_bias_pct: float
    refused_rightly: int
    refused_wrongly: tuple[str, ...]
    scored_wrongly: tuple[str, ...]

    @property
    def as_meant(self) -> bool:
        """Whether every photo has a row and just those were refused that were meant to be."""
        return not (self.missing or self.refused_wrongly or self.scored_wrongly)

    def lines(self) -> list[str]:
        """Return it as lines for people."""
        out = [
            f"Against the truth of {self.compared} photos: green cover within "
            f"{self.cover_rmse:.1f} points (root mean square), mean error {self.cover_bias:+.1f}."
        ]
        if self.cast_photos:
            out.append(
                f"Casts, {self.cast_photos} photos with 10 per m2 or more: within "
                f"{self.cast_rmse_pct:.0f} % (root mean square), mean error "
                f"{self.cast_bias_pct:+.0f} %."
            )
        out.append(f"Photos made to be refused, and refused: {self.refused_rightly}.")
        for title, names in (
            ("Missing from the scores", self.missing),
            ("Refused though good", self.refused_wrongly),
            ("Scored though made to be refused", self.scored_wrongly),
        ):
            out += [f"{title}: {name}" for name in names]
        return out


def check_demo(folder: Path | str) -> DemoCheck:
    """Compare the scores of a demo round (or of its samples) with its truth.csv."""
    import pandas as pd

    from lawnscore.scoring.tables import read_table

    path = Path(folder)
    truth = pd.read_csv(path / TRUTH_FILE)
    return compare(truth, read_table(path, "photo_scores"))


def compare(truth: pd.DataFrame, scores: pd.DataFrame) -> DemoCheck:
    """Compare photo scores with the truth, photo by photo.

    Parameters
    ----------
    truth
        Columns of truth.csv.
    scores
        Columns of photo_scores.csv.
    """
    found = scores.set_index("photo")
    true = truth.set_index("photo")
    missing = [name for name in true.index if name not in found.index]
    both = true.loc[true.index.isin(found.index)]
    was = found.loc[both.index, "status"].to_numpy(dtype=str)
    meant = both["status"].to_numpy(dtype=str)
    names = both.index.to_numpy(dtype=str)
    good = names[(was == "scored") & (meant == "scored")]
    cover = _error(true, found, good, "green_cover_pct")
    density = true["casts_per_m2"].loc[good.tolist()].to_numpy(dtype=float)
    dense = good[density >= COUNTED_FROM_PER_M2]
    cast = _error(true, found, dense, "casts_per_m2")
    cast = 100.0 * cast / density[density >= COUNTED_FROM_PER_M2]
    return DemoCheck(
        photos=len(true), missing=tuple(missing), compared=len(good),
        cover_rmse=_rms(cover), cover_bias=_mean(cover),
        cast_photos=len(dense), cast_rmse_pct=_rms(cast), cast_bias_pct=_mean(cast),
        refused_rightly=int(((was == "refused") & (meant == "refused")).sum()),
        refused_wrongly=tuple(names[(was == "refused") & (meant == "scored")].tolist()),
        scored_wrongly=tuple(names[(was == "scored") & (meant == "refused")].tolist()),
    )  # fmt: skip


def _error(true: pd.DataFrame, found: pd.DataFrame, names: Names, column: str) -> Array:
    chosen = names.tolist()
    was = found[column].loc[chosen].to_numpy(dtype=float)
    return np.asarray(was - true[column].loc[chosen].to_numpy(dtype=float))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else math.nan


def _mean(values: Array) -> float:
    return float(np.mean(values)) if values.size else math.nan


def as_dict(check: DemoCheck) -> Mapping[str, object]:
    """Return it as plain values for one JSON document."""
    return {name: getattr(check, name) for name in check.__dataclass_fields__}
