"""Who runs a task over many items: this process, processes beside it, or a cluster.

:class:`lawnscore.scoring.processes.Processes` and :class:`lawnscore.scoring.cluster.Cluster` do
the same in two places. Whoever dies while it holds an item, the item is tried :data:`TRIES` times
and then given up; the others go on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

Task = Callable[[Item], Result]
"""A function of one item; it goes to other processes by its name, its result by pickling."""

TRIES = 2
"""How often a task is tried whose process ends while it holds it."""

SECONDS_MAX = 120.0
"""Longest time for one item; the slowest known takes 10 s."""


@dataclass(frozen=True)
class Lost:
    """What came of an item whose process ended at every try, in words that follow `the process`."""

    how: str


class Runner(Protocol):
    """Runs a task over items."""

    @property
    def sees_files(self) -> bool:
        """Whether the files of this machine can be opened where the task runs."""

    def each_done(
        self, task: Task[Item, Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | Lost]]:
        """Yield the index of each item and what the task made of it, as soon as it is there.

        An item is taken from ``items`` when it is handed out, so that a sequence may make it then.
        What came of it is :class:`Lost` where its process ended at every try.

        Raises
        ------
        LawnscoreError
            When the task raises one, or nobody can run it.
        """
