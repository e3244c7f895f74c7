"""Score many photos: one after another, or in a few processes."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lawnscore import __version__
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.settings import ScoringSettings

if TYPE_CHECKING:
    from lawnscore.card.reference import ReferenceCard

Row = dict[str, Any]

Scorer = Callable[..., Any]
"""Called as ``scorer(path, card, settings=...)``; returns a `PhotoScore`."""

PROCESSES_MAX = 2
"""Processes taken by default; each holds one photo, and memory is counted."""

PROCESSES_PAY_FROM = 12
"""Photos from which starting processes costs less than it saves: about 2 s a start."""


@dataclass(frozen=True, eq=False)
class Job:
    """What scoring one photo needs; goes to other processes."""

    scorer: Scorer
    card: ReferenceCard | None
    settings: ScoringSettings


@dataclass(frozen=True, eq=False)
class Scored:
    """What came of one photo: its row, what else is kept, and the traceback of a fault."""

    row: Row
    extra: Row
    fault: str = ""


def n_processes(workers: int | None, n_photos: int) -> int:
    """Return how many processes to take for so many photos; ``None`` chooses."""
    if workers is None:
        workers = min(PROCESSES_MAX, os.cpu_count() or 1) if n_photos >= PROCESSES_PAY_FROM else 1
    return max(1, min(workers, n_photos))


def each_scored(job: Job, paths: list[Path], workers: int | None) -> Iterator[tuple[int, Scored]]:
    """Yield the index of each path and what came of it, as soon as it is there.

    Raises
    ------
    LawnscoreError
        When the card cannot be used, or a process ended unexpectedly.
    """
    n = n_processes(workers, len(paths))
    if n == 1:
        for index, path in enumerate(paths):
            yield index, _score_one(job, path)
        return
    from multiprocessing import get_context

    pool = ProcessPoolExecutor(n, get_context("spawn"), _start_process)
    try:
        waiting: dict[Future[Scored], int] = {
            pool.submit(_score_one, job, path): index for index, path in enumerate(paths)
        }
        for future in as_completed(waiting):
            yield waiting[future], future.result()
    except BrokenProcessPool:
        raise LawnscoreError(
            "a process that scores photos ended unexpectedly, often for want of memory",
            "Run again with one process (--workers 1); what was scored is kept.",
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _score_one(job: Job, path: Path) -> Scored:
    try:
        score = job.scorer(path, job.card, settings=job.settings)
    except LawnscoreError:
        raise
    except Exception as error:  # a fault of the program must not stop the other photos
        row: Row = {
            "status": "refused",
            "reason": "failed",
            "detail": f"{REASONS['failed'].meaning} ({type(error).__name__}: {error})",
            "version": __version__,
            "settings_id": job.settings.settings_id,
        }
        return Scored(row, {}, traceback.format_exc())
    extra = {
        "patch_residual_lab": getattr(score, "patch_residual_lab", None),
        "measured_polygon_px": score.measured_polygon_px,
    }
    return Scored(dict(score.row), extra)


def _start_process() -> None:
    """Prepare a process: one thread each, and an interrupt is for the first process to handle."""
    import signal

    import cv2

    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
