"""Score each of many photos: always a row for each, whatever happens to the one that scores it."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo.method import method_version
from lawnscore.scoring.processes import Lost, each_done

if TYPE_CHECKING:
    from lawnscore.card.reference import ReferenceCard

Row = dict[str, Any]

Scorer = Callable[..., Any]
"""Called as ``scorer(path, card, settings=...)``; returns a `PhotoScore`."""


@dataclass(frozen=True, eq=False)
class Job:
    """What scoring one photo needs; goes to other processes.

    Without a ``scorer`` it is :func:`lawnscore.photo.score.score_photo`, imported where it runs.
    """

    scorer: Scorer | None
    card: ReferenceCard | None
    settings: ScoringSettings


@dataclass(frozen=True, eq=False)
class Scored:
    """What came of one photo: its row, what else is kept, and the traceback of a fault."""

    row: Row
    extra: Row
    fault: str = ""


def each_scored(job: Job, paths: list[Path], workers: int | None) -> Iterator[tuple[int, Scored]]:
    """Yield the index of each path and what came of it, as soon as it is there.

    Parameters
    ----------
    job, paths
        What to do with which photos.
    workers
        Processes beside this one; 0 scores in this process, ``None`` chooses.

    Raises
    ------
    LawnscoreError
        When the card cannot be used, or processes cannot be started.
    """
    for index, scored in each_done(partial(_score_one, job), paths, workers):
        if isinstance(scored, Lost):
            words = f"the process that scored it {scored.how}"
            yield index, Scored(_failed_row(job, words), {}, f"{words}\n")
        else:
            yield index, scored


def _score_one(job: Job, path: Path) -> Scored:
    try:
        score = (job.scorer or _default_scorer())(path, job.card, settings=job.settings)
    except LawnscoreError:
        raise
    except Exception as error:  # a fault of the program must not stop the other photos
        return Scored(_failed_row(job, f"{type(error).__name__}: {error}"), {}, _traceback())
    extra = {
        "patch_residual_lab": getattr(score, "patch_residual_lab", None),
        "measured_polygon_px": score.measured_polygon_px,
    }
    return Scored(dict(score.row), extra)


def _default_scorer() -> Scorer:
    from lawnscore.photo.score import score_photo

    return score_photo


def _traceback() -> str:
    """Return the traceback, with each line so that any file can hold it."""
    return traceback.format_exc().encode("utf-8", "backslashreplace").decode("utf-8")


def _failed_row(job: Job, words: str) -> Row:
    return {
        "status": "refused",
        "reason": "failed",
        "detail": f"{REASONS['failed'].meaning} ({words})",
        "version": method_version(),
        "settings_id": job.settings.settings_id,
    }
