"""What depends on the day, computed for that day and never read from another day's table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore.contract.settings import read_settings
from lawnscore.contract.tables import ATTENTION, RECOVERY
from lawnscore.history.attention import attention
from lawnscore.history.recovery import recovery
from lawnscore.register.register import Register, read_register
from lawnscore.scoring.tables import read_table, tidied

if TYPE_CHECKING:
    import pandas as pd


def tables_as_of(
    round_path: Path, today: str, *, register: Register | None = None
) -> dict[str, pd.DataFrame]:
    """Return recovery and attention of a scored round as they stand on a day.

    Parameters
    ----------
    round_path
        Folder of the round.
    today
        That day, YYYY-MM-DD.
    register
        The register where it is read already.

    Raises
    ------
    LawnscoreError
        When the round is missing or not scored.
    """
    settings = read_settings(round_path / "round.toml").history
    kept = register or read_register(round_path)
    visits = read_table(round_path, "visit_scores")
    photos = read_table(round_path, "photo_scores")
    recovered = recovery(visits, kept.work, kept.weather, today=today, settings=settings)
    wanted = attention(
        visits,
        kept.work,
        kept.weather,
        photo_scores=photos,
        lawns=kept.lawns,
        today=today,
        settings=settings,
    )
    return {
        RECOVERY.name: tidied(RECOVERY, recovered),
        ATTENTION.name: tidied(ATTENTION, wanted),
    }
