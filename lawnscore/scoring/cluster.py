"""Tasks on a Dask cluster: the scheduler hands them to workers on any number of machines.

A worker that is lost costs nothing but time: the scheduler gives what it held to another. An item
that was begun at each of :data:`~lawnscore.scoring.runner.TRIES` tries and never ended is given
up. What was begun is noted on the scheduler (an event a try), since a worker that dies can tell
nobody; an item that only waited on a worker that was lost has begun nothing.
"""

from __future__ import annotations

import contextlib
import queue
import time
import uuid
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Thread
from typing import TYPE_CHECKING, Generic

from lawnscore.contract.errors import LawnscoreError
from lawnscore.scoring.address import shown
from lawnscore.scoring.photo_source import SCRATCH
from lawnscore.scoring.runner import SECONDS_MAX, TRIES, Item, Lost, Result, Task

if TYPE_CHECKING:
    from distributed import Client, Event, Future

CONNECT_SECONDS = 10
NO_WORKER_SECONDS = 60.0
"""How long a cluster may be without any worker, so that one that grows with its work can start."""

WAITING_MIN = 8
"""Items handed over at least; else twice as many as the workers have threads."""

_COUNT_SECONDS = 2.0
_GIVEN_BACK_MAX = 10
"""How often the scheduler may give up an item that was not begun at every try."""


@dataclass(frozen=True)
class Cluster:
    """Runs tasks on a Dask cluster; a :class:`lawnscore.scoring.runner.Runner`.

    Parameters
    ----------
    address
        Of the scheduler, such as ``tcp://192.0.2.7:8786``.
    """

    address: str
    sees_files: bool = False

    def each_done(
        self, task: Task[Item, Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | Lost]]:
        """Yield the index of each item and what the task made of it, as soon as it is there.

        Raises
        ------
        LawnscoreError
            When the task raises one, or the scheduler is not there, or has no worker.
        """
        with _connected(self.address) as client:
            run = _Run(client, self.address, task, items)
            try:
                yield from run.results()
            finally:
                run.stop()


@contextmanager
def _connected(address: str) -> Iterator[Client]:
    try:
        from distributed import Client
    except ImportError:
        raise LawnscoreError(
            "scoring on a cluster needs the package distributed, which is not installed",
            "Install it: pip install 'lawnscore[cluster]'.",
        ) from None
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError, TypeError, ImportError) as error:
        raise LawnscoreError(
            f"no scheduler answers ({type(error).__name__})",
            "Name the address of a running Dask scheduler, such as tcp://192.0.2.7:8786.",
            shown(address),
        ) from None
    try:
        yield client
    finally:
        client.close(timeout=2)


class _Run(Generic[Item, Result]):
    """Items on their way through a cluster."""

    def __init__(
        self, client: Client, address: str, task: Task[Item, Result], items: Sequence[Item]
    ) -> None:
        self.client = client
        self.address = address
        self.task = task
        self.items = items
        self.key = f"lawnscore-{uuid.uuid4().hex[:12]}"
        self.waiting = deque(range(len(items)))
        self.held: dict[int, Future] = {}
        self.given_back: Counter[int] = Counter()
        self.ended: queue.SimpleQueue[int] = queue.SimpleQueue()
        self.n_threads = 0
        self.counted_at = 0.0
        self.worker_seen = time.monotonic()

    def results(self) -> Iterator[tuple[int, Result | Lost]]:
        left = len(self.items)
        while left:
            self._count_threads()
            self._hand_over()
            with contextlib.suppress(queue.Empty):
                index = self.ended.get(timeout=_COUNT_SECONDS)
                for outcome in self._outcome(index):
                    left -= 1
                    yield index, outcome

    def stop(self) -> None:
        """Take back what is still there."""
        with contextlib.suppress(Exception):  # the scheduler may be what went away
            self.client.cancel(list(self.held.values()), force=True)
            for index in self.held:
                _clear(self._marks(index))

    def _count_threads(self) -> None:
        """Count the threads of the cluster, now and then."""
        now = time.monotonic()
        if self.counted_at and now - self.counted_at < _COUNT_SECONDS:
            return
        self.counted_at = now
        try:
            self.n_threads = sum(self.client.nthreads().values())
        except Exception as error:  # of the connection, in many kinds
            raise self._gone(error) from None
        if self.n_threads:
            self.worker_seen = now
        elif now - self.worker_seen > NO_WORKER_SECONDS:
            raise LawnscoreError(
                f"the scheduler has had no worker for {NO_WORKER_SECONDS:g} s",
                "Start workers (`dask worker ADDRESS`) and run again; what was done is kept.",
                shown(self.address),
            )

    def _hand_over(self) -> None:
        import dask

        # a photo sent along is no large graph: it is released as soon as it is scored
        quiet = {"distributed.admin.large-graph-warning-threshold": "1 GB"}
        while self.waiting and len(self.held) < max(WAITING_MIN, 2 * self.n_threads):
            index = self.waiting.popleft()
            item = self.items[index]
            name = f"{self.key}-{index}-{self.given_back[index]}"
            with dask.config.set(quiet):
                future = self.client.submit(
                    _attempt,
                    self.task,
                    item,
                    self._marks_key(index),
                    SECONDS_MAX,
                    key=name,
                    pure=False,
                )
            self.held[index] = future
            future.add_done_callback(lambda _future, index=index: self.ended.put(index))

    def _outcome(self, index: int) -> Iterator[Result | Lost]:
        """Yield what came of an item; nothing when it is to be tried once more."""
        from distributed import KilledWorker

        future = self.held.pop(index)
        try:
            found = [future.result(timeout=SECONDS_MAX)]
        except LawnscoreError:
            raise
        except KilledWorker:
            found = self._killed(index)
        except ImportError as error:
            raise LawnscoreError(
                f"the workers cannot run lawnscore ({error})",
                "Install the same version of lawnscore on every worker.",
                shown(self.address),
            ) from None
        except Exception as error:
            if future.status in ("cancelled", "lost"):
                raise self._gone(error) from None
            if not isinstance(error, OSError):
                raise
            found = self._try_again(index, error)  # it was lost on its way
        finally:
            future.release()
        yield from found

    def _killed(self, index: int) -> list[Result | Lost]:
        marks = self._marks(index)
        if not all(mark.is_set() for mark in marks):
            return self._try_again(index, None)
        _clear(marks)
        return [_lost()]

    def _try_again(self, index: int, error: Exception | None) -> list[Result | Lost]:
        self.given_back[index] += 1
        if self.given_back[index] > _GIVEN_BACK_MAX:
            raise self._gone(error)
        self.waiting.append(index)
        return []

    def _gone(self, error: Exception | None) -> LawnscoreError:
        why = "its workers keep dying" if error is None else type(error).__name__
        return LawnscoreError(
            f"the cluster was lost ({why})",
            "See that scheduler and workers run, and run again; what was done is kept.",
            shown(self.address),
        )

    def _marks_key(self, index: int) -> str:
        return f"{self.key}-{index}"

    def _marks(self, index: int) -> list[Event]:
        return _marks(self._marks_key(index), self.client)


def _attempt(task: Task[Item, Result], item: Item, key: str, seconds: float) -> Result | Lost:
    """Do the task on a worker, unless it was begun at every try before."""
    marks = _marks(key)
    n_begun = next((n for n, mark in enumerate(marks) if not mark.is_set()), len(marks))
    if n_begun == len(marks):
        _clear(marks)
        return _lost()
    marks[n_begun].set()
    try:
        return _in_time(task, item, seconds)
    finally:
        _clear(marks[: n_begun + 1])


@dataclass(frozen=True, eq=False)
class _Raised:
    """What a task raised in its thread."""

    error: BaseException


def _in_time(task: Task[Item, Result], item: Item, seconds: float) -> Result | Lost:
    """Do the task in a thread of its own, which is left behind when it takes too long."""
    from distributed import get_worker

    folder = get_worker().local_directory  # emptied by the next worker, however this one ends
    answer: queue.SimpleQueue[Result | _Raised] = queue.SimpleQueue()

    def work() -> None:
        SCRATCH.set(folder)
        try:
            answer.put(task(item))
        except BaseException as error:
            answer.put(_Raised(error))

    Thread(target=work, daemon=True).start()
    try:
        result = answer.get(timeout=seconds)
    except queue.Empty:
        return Lost(f"took longer than {seconds:g} s")
    if isinstance(result, _Raised):
        raise result.error
    return result


def _marks(key: str, client: Client | None = None) -> list[Event]:
    from distributed import Event

    return [Event(f"{key}-{number}", client=client) for number in range(TRIES)]


def _clear(marks: list[Event]) -> None:
    for mark in marks:
        mark.clear()


def _lost() -> Lost:
    return Lost(f"was lost, {TRIES} times")
