"""A round scored, and its table of photos corrected by the points read by eye."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore.scoring.batch import Corrector, Progress, ScoreSummary
from lawnscore.scoring.batch import score_round as score_plainly

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.register.folder import Round
    from lawnscore.scoring.each_photo import Scorer


def score_round(
    path: Path | str,
    *,
    progress: Progress | None = None,
    scorer: Scorer | None = None,
    workers: int | None = 0,
    parquet: bool = False,
    today: str | None = None,
    add: bool = False,
    no_points: bool = False,
    cluster: str | None = None,
    ledger: str | None = None,
) -> ScoreSummary:
    """Score every new or changed photo of a round and write its tables.

    The same as :func:`lawnscore.scoring.batch.score_round`, and then corrected by the
    points read by eye where `[points] correct` of `round.toml` says yes.

    Parameters
    ----------
    no_points
        Leave the points out, whatever `round.toml` says.

    Raises
    ------
    LawnscoreError
        As there, and when points.csv cannot be read.
    """
    corrector: Corrector | None = None if no_points else _corrected
    return score_plainly(
        path,
        progress=progress,
        scorer=scorer,
        workers=workers,
        parquet=parquet,
        today=today,
        add=add,
        corrector=corrector,
        cluster=cluster,
        ledger=ledger,
    )


def _corrected(opened: Round, photos: pd.DataFrame) -> pd.DataFrame:
    # SciPy, which only correcting needs, takes longer to import than an unchanged round to score.
    from lawnscore.points.correct import correct_photos

    return correct_photos(opened, photos)
