"""Score each of many photos: always a row for each, whatever happens to the one that scores it."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, overload

from lawnscore.contract.errors import LawnscoreError, PhotoRefused
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.rows import Row
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo.method import method_version
from lawnscore.scoring.method import installed_here
from lawnscore.scoring.photo_source import LocalPhoto, PhotoSource, SentPhoto
from lawnscore.scoring.runner import Lost, Runner

if TYPE_CHECKING:
    from lawnscore.card.reference import ReferenceCard
    from lawnscore.photo.score import PhotoScore

Scorer = Callable[..., "PhotoScore"]
"""Called as ``scorer(path, card, settings=...)``; returns a `PhotoScore`."""


SENT_BYTES_MAX = 100_000_000
"""Larger files are scored here, not sent: every one waits in the memory of two machines."""


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


def each_scored(
    job: Job, photos: Sequence[PhotoSource], runner: Runner
) -> Iterator[tuple[int, Scored]]:
    """Yield the index of each photo and what came of it, as soon as it is there.

    Parameters
    ----------
    job, photos
        What to do with which photos.
    runner
        Who does it. One that does not see the files of this machine is sent their content.

    Raises
    ------
    LawnscoreError
        When the card cannot be used, or nobody can score.
    """
    task = partial(_score_one, job)
    items: Sequence[PhotoSource] | _Sent = photos
    if not runner.sees_files:
        task = partial(_score_elsewhere, job, installed_here())
        items = _Sent(job, photos)
    for index, scored in runner.each_done(task, items):
        if isinstance(scored, Lost):
            words = f"the process that scored it {scored.how}"
            yield index, Scored(_failed_row(job, words), {}, f"{words}\n")
        else:
            yield index, scored


class _Sent(Sequence["PhotoSource | Scored"]):
    """Photos as they are sent to other machines, each read when it is asked for."""

    def __init__(self, job: Job, photos: Sequence[PhotoSource]) -> None:
        self._job = job
        self._photos = photos

    def __len__(self) -> int:
        return len(self._photos)

    @overload
    def __getitem__(self, index: int) -> PhotoSource | Scored: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[PhotoSource | Scored]: ...
    def __getitem__(
        self, index: int | slice
    ) -> PhotoSource | Scored | Sequence[PhotoSource | Scored]:
        if isinstance(index, slice):
            return [self[k] for k in range(*index.indices(len(self)))]
        photo = self._photos[index]
        if not isinstance(photo, LocalPhoto):
            return photo
        with suppress(OSError):
            if photo.path.is_file() and photo.path.stat().st_size <= SENT_BYTES_MAX:
                return SentPhoto(photo.name, photo.path.read_bytes())
        return _score_one(self._job, photo)  # what cannot be read has its words from here


def _score_elsewhere(job: Job, installed: str, photo: PhotoSource | Scored) -> Scored:
    """Score a photo on another machine, once that is sure to give the same numbers."""
    import cv2

    if isinstance(photo, Scored):
        return photo
    if installed_here() != installed:
        raise LawnscoreError(
            f"a worker has {installed_here()}, and here is {installed}",
            "Install the same versions on every machine: others could give other numbers.",
            "the cluster",
        )
    cv2.setNumThreads(1)
    return _score_one(job, photo)


def _score_one(job: Job, photo: PhotoSource) -> Scored:
    try:
        with photo.at_hand() as path:
            score = (job.scorer or _default_scorer())(path, job.card, settings=job.settings)
    except PhotoRefused as refusal:  # it could not be had as a file
        return Scored(_refused_row(job, refusal.reason, refusal.detail), {})
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
    return _refused_row(job, "failed", f"{REASONS['failed'].meaning} ({words})")


def _refused_row(job: Job, reason: str, detail: str) -> Row:
    return {
        "status": "refused",
        "reason": reason,
        "detail": detail,
        "version": method_version(),
        "settings_id": job.settings.settings_id,
    }
