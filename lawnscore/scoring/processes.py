"""Worker processes that may die: each holds one task at a time, and end with their parent.

When a worker dies (killed, out of memory, a fault of a library), the task it held is tried once
more and then given up; the others go on. Workers end when the process that started them does,
however that ends.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import connection, get_context
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any, Generic

from lawnscore.contract.errors import LawnscoreError
from lawnscore.scoring.runner import SECONDS_MAX, TRIES, Item, Lost, Result, Task

__all__ = ["Lost", "Processes", "Task", "each_done", "n_processes"]

ITEMS_A_PROCESS = 4
"""Photos from which one more process costs less than it saves: about 1.5 s of CPU a start."""

PROCESS_BYTES = 400_000_000
"""Memory that a process may take: 300 MB for 12 megapixels, and room for larger ones."""

_FAILED_STARTS_MAX = 5

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")


@dataclass(frozen=True)
class Processes:
    """Runs tasks on this machine; a :class:`lawnscore.scoring.runner.Runner`.

    Parameters
    ----------
    workers
        Processes beside this one; 0 runs them in this process, ``None`` chooses.
    """

    workers: int | None
    sees_files: bool = True

    def each_done(
        self, task: Task[Item, Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | Lost]]:
        """Yield the index of each item and what the task made of it, as soon as it is there."""
        return each_done(task, items, self.workers)


def n_processes(workers: int | None, n_items: int) -> int:
    """Return how many processes to take for so many items; ``None`` chooses.

    Chosen are as many as there are cores, as the free memory holds, and as pay.
    """
    if workers is None:
        paying = -(-n_items // ITEMS_A_PROCESS)
        workers = min(_n_cores(), paying, max(1, _free_bytes() // PROCESS_BYTES))
    return max(1, min(workers, n_items))


def each_done(
    task: Task[Item, Result], items: Sequence[Item], workers: int | None
) -> Iterator[tuple[int, Result | Lost]]:
    """Yield the index of each item and what the task made of it, as soon as it is there.

    What it made is :class:`Lost` where its process ended at every try.

    Parameters
    ----------
    task, items
        What to do with what.
    workers
        Processes beside this one; 0 does it in this process, ``None`` chooses.

    Raises
    ------
    LawnscoreError
        When the task raises one, or processes cannot be started.
    """
    if workers == 0:
        yield from ((index, task(item)) for index, item in enumerate(items))
        return
    if not items:
        return
    pool = _Pool(task, items, n_processes(workers, len(items)))
    try:
        yield from pool.results()
    finally:
        pool.stop()


@dataclass(eq=False)
class _Worker:
    """One process, its end of the pipe, and the item it holds (its index and since when).

    It is ready once it has said so: starting takes seconds on a busy machine, no item's fault.
    """

    process: SpawnProcess
    pipe: connection.Connection
    ready: bool = False
    index: int | None = None
    since: float = field(default_factory=time.monotonic)


class _Pool(Generic[Item, Result]):
    """Processes that are handed one item each, and replaced when they die."""

    def __init__(self, task: Task[Item, Result], items: Sequence[Item], n: int) -> None:
        self.task = task
        self.items = items
        self.waiting = deque(range(len(items)))
        self.deaths: Counter[int] = Counter()
        self.n_failed_starts = 0
        self.workers: list[_Worker] = []
        try:
            self.workers += (_start(task) for _ in range(n))
        except BaseException:
            self.stop()
            raise

    def results(self) -> Iterator[tuple[int, Result | Lost]]:
        left = len(self.items)
        while left:
            for worker in self.workers:
                self._hand_out(worker)
            for index, result in self._answers():
                left -= 1
                yield index, result

    def stop(self) -> None:
        for worker in self.workers:
            worker.process.kill()
            worker.process.join()
            worker.pipe.close()

    def _hand_out(self, worker: _Worker) -> None:
        if worker.ready and worker.index is None and self.waiting:
            worker.index, worker.since = self.waiting.popleft(), time.monotonic()
            with contextlib.suppress(OSError):  # it has died, which is seen next
                worker.pipe.send(self.items[worker.index])

    def _answers(self) -> Iterator[tuple[int, Result | Lost]]:
        """Wait for an answer or a death, and yield what came of the items concerned."""
        busy = [w for w in self.workers if w.index is not None or not w.ready]
        ends = [worker.pipe for worker in busy] + [worker.process.sentinel for worker in busy]
        ready = connection.wait(ends, timeout=1.0)
        for worker in busy:
            if worker.pipe in ready or worker.process.sentinel in ready:
                yield from self._answer(worker)
            elif worker.ready and time.monotonic() - worker.since > SECONDS_MAX:
                worker.process.kill()
                yield from self._lost(worker, f"took longer than {SECONDS_MAX:g} s")

    def _answer(self, worker: _Worker) -> Iterator[tuple[int, Result | Lost]]:
        try:
            answer = worker.pipe.recv() if worker.pipe.poll() else None
        except (EOFError, OSError):
            answer = None
        if answer is None:
            worker.process.join()
            yield from self._lost(worker, _death(worker.process.exitcode))
        elif not worker.ready:
            worker.ready = True
        elif answer.error is not None:
            raise answer.error
        elif worker.index is not None:
            yield worker.index, answer.result
            worker.index = None

    def _lost(self, worker: _Worker, how: str) -> Iterator[tuple[int, Lost]]:
        """Replace a process, and try the item it held once more, last of all."""
        index = worker.index
        self.n_failed_starts += not worker.ready
        if self.n_failed_starts > _FAILED_STARTS_MAX:
            raise LawnscoreError(
                f"no process can be started: it {how}",
                "Close other programs and run again; what was done is kept.",
            )
        worker.process.join()
        worker.pipe.close()
        self.workers.remove(worker)
        self.workers.append(_start(self.task))
        if index is None:
            return
        self.deaths[index] += 1
        if self.deaths[index] < TRIES:
            self.waiting.append(index)
        else:
            yield index, Lost(f"{how}, {TRIES} times" if TRIES > 1 else how)


@dataclass(frozen=True, eq=False)
class _Answer:
    """What a worker sends back: a result, or what the task raised."""

    result: Any = None
    error: BaseException | None = None


def _start(task: Task[Item, Result]) -> _Worker:
    context = get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_work, args=(there, task), daemon=True)
    try:
        with _one_thread_each():
            process.start()
    except OSError as error:
        raise LawnscoreError(
            f"no process can be started ({error.strerror or error})",
            "Close other programs and run again; what was done is kept.",
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


def _work(pipe: connection.Connection, task: Task[Item, Result]) -> None:
    """Do the task for the items that come through the pipe until it is closed."""
    _prepare()
    with contextlib.suppress(OSError):
        pipe.send(_Answer())  # ready
    while True:
        try:
            item = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer = _Answer(task(item))
        except Exception as error:  # raised again in the first process
            answer = _Answer(error=error)
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
