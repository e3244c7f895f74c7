"""Score many photos: one after another here, or in worker processes that may die.

A worker holds one photo at a time. When it dies (killed, out of memory, a fault of a library), the
photo it held is tried once more, and then refused as `failed`; the others go on. Workers end when
the process that started them does, however that ends.
"""

from __future__ import annotations

import contextlib
import os
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import connection, get_context
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

PHOTOS_A_PROCESS = 4
"""Photos from which one more process costs less than it saves: about 1.5 s of CPU a start."""

PROCESS_BYTES = 400_000_000
"""Memory that a process may take: 300 MB for 12 megapixels, and room for larger ones."""

TRIES = 2
"""How often a photo is tried whose process ends while it holds it."""

SECONDS_MAX = 120.0
"""A process that holds one photo longer than this is stopped; the slowest known takes 10 s."""

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")


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


def n_processes(workers: int | None, n_photos: int) -> int:
    """Return how many processes to take for so many photos; ``None`` chooses.

    Chosen are as many as there are cores, as the free memory holds, and as pay.
    """
    if workers is None:
        paying = -(-n_photos // PHOTOS_A_PROCESS)
        workers = min(_n_cores(), paying, max(1, _free_bytes() // PROCESS_BYTES))
    return max(1, min(workers, n_photos))


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
    if not paths:
        return
    if workers == 0:
        for index, path in enumerate(paths):
            yield index, _score_one(job, path)
        return
    pool = _Pool(job, paths, n_processes(workers, len(paths)))
    try:
        yield from pool.results()
    finally:
        pool.stop()


@dataclass(eq=False)
class _Worker:
    """One process, its end of the pipe, and the photo it holds (its index and since when)."""

    process: Any
    pipe: Any
    index: int | None = None
    since: float = field(default_factory=time.monotonic)


class _Pool:
    """Processes that are handed one photo each, and replaced when they die."""

    def __init__(self, job: Job, paths: list[Path], n: int) -> None:
        self.job = job
        self.paths = paths
        self.waiting = deque(range(len(paths)))
        self.deaths: Counter[int] = Counter()
        self.n_idle_deaths = 0
        self.workers = [_start(job) for _ in range(n)]

    def results(self) -> Iterator[tuple[int, Scored]]:
        left = len(self.paths)
        while left:
            for worker in self.workers:
                self._hand_out(worker)
            for index, scored in self._gather():
                left -= 1
                yield index, scored

    def stop(self) -> None:
        for worker in self.workers:
            worker.process.kill()
            worker.process.join()
            worker.pipe.close()

    def _hand_out(self, worker: _Worker) -> None:
        if worker.index is None and self.waiting:
            worker.index, worker.since = self.waiting.popleft(), time.monotonic()
            with contextlib.suppress(OSError):  # it has died, which is seen next
                worker.pipe.send(self.paths[worker.index])

    def _gather(self) -> Iterator[tuple[int, Scored]]:
        """Wait for one answer or death, and yield what came of the photos concerned."""
        busy = [worker for worker in self.workers if worker.index is not None]
        ends = [worker.pipe for worker in busy] + [worker.process.sentinel for worker in busy]
        ready = connection.wait(ends, timeout=1.0)
        for worker in busy:
            if worker.pipe in ready or worker.process.sentinel in ready:
                yield from self._answer(worker)
            elif time.monotonic() - worker.since > SECONDS_MAX:
                worker.process.kill()
                yield from self._lost(worker, f"took longer than {SECONDS_MAX:g} s")

    def _answer(self, worker: _Worker) -> Iterator[tuple[int, Scored]]:
        try:
            answer = worker.pipe.recv() if worker.pipe.poll() else None
        except (EOFError, OSError):
            answer = None
        if isinstance(answer, tuple):
            raise LawnscoreError(*answer)
        if answer is None:
            worker.process.join()
            yield from self._lost(worker, _death(worker.process.exitcode))
        elif worker.index is not None:
            yield worker.index, answer
            worker.index = None

    def _lost(self, worker: _Worker, how: str) -> Iterator[tuple[int, Scored]]:
        """Replace a process, and try the photo it held once more, last of all."""
        index = worker.index
        worker.process.join()
        worker.pipe.close()
        self.workers[self.workers.index(worker)] = _start(self.job)
        if index is None:
            return
        self.deaths[index] += 1
        if self.deaths[index] < TRIES:
            self.waiting.append(index)
        else:
            words = f"the process that scored it {how}, {TRIES} times"
            yield index, Scored(_failed_row(self.job, words), {}, f"{words}\n")


def _start(job: Job) -> _Worker:
    context = get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_work, args=(there, job), daemon=True)
    try:
        with _one_thread_each():
            process.start()
    except OSError as error:
        raise LawnscoreError(
            f"no process can be started ({error.strerror or error})",
            "Close other programs and run again; what was scored is kept.",
        ) from None
    there.close()
    return _Worker(process, here)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let the number libraries of a process take one thread: the processes are the threads."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _work(pipe: Any, job: Job) -> None:
    """Score the photos that come through the pipe until it is closed."""
    _prepare()
    while True:
        try:
            path = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer: Any = _score_one(job, path)
        except LawnscoreError as error:
            answer = (error.what, error.mend, error.where)
        try:
            pipe.send(answer)
        except OSError:
            return


def _prepare() -> None:
    """Take one thread, leave an interrupt to the first process, and end when that one ends."""
    import signal
    from threading import Thread

    import cv2

    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _death(exit_code: int | None) -> str:
    if exit_code is not None and exit_code < 0:
        import signal

        name = signal.strsignal(-exit_code) or f"signal {-exit_code}"
        return f"was ended ({name}; often for want of memory)"
    return f"ended by itself (exit status {exit_code})"


def _n_cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _free_bytes() -> int:
    """Return the memory that can be taken without swapping; much where it is not known."""
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
    except OSError:
        return 1 << 40
    words = next((line.split() for line in lines if line.startswith("MemAvailable:")), None)
    return int(words[1]) * 1024 if words else 1 << 40


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
        "version": __version__,
        "settings_id": job.settings.settings_id,
    }
