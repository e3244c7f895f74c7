"""What filing would do with a dump: the words of the person, and one item a file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Literal

from lawnscore.filing.shots import Shot
from lawnscore.filing.slip_code import SlipCode

Action = Literal["file", "ask", "filed before", "slip", "twin", "burst", "left", "not a photo"]


@dataclass(frozen=True)
class FilingOptions:
    """What a person says about a dump.

    Parameters
    ----------
    clock_offset
        Added to every time taken, for a camera whose clock was wrong.
    date
        Date of all visits of the dump, ISO text; empty takes it from the slips.
    gap_min
        A break of more minutes than this needs a word from a person; ``None`` takes
        `filing.gap_min` of the round.
    confirm
        File what needs a word from a person, as proposed.
    together
        The cameras have the same time, so a slip holds for photos of the others.
    no_work
        No work was done where there is no ``after``: file ``before`` as ``check``.
    bursts
        File every photo of a burst instead of the sharpest.
    again
        File also what was filed before and removed from the round since.
    slip_hours
        A photo taken longer after its slip is left; ``None`` takes `filing.slip_hours`.
    forgotten
        A slip that was not photographed: it speaks for photos that have none.
    only, leave
        Photos whose groups alone are taken by ``confirm`` and ``forgotten``, or are left.
    """

    clock_offset: timedelta = timedelta(0)
    date: str = ""
    gap_min: float | None = None
    confirm: bool = False
    together: bool = False
    no_work: bool = False
    bursts: bool = False
    again: bool = False
    slip_hours: float | None = None
    forgotten: SlipCode | None = None
    only: tuple[str, ...] = ()
    leave: tuple[str, ...] = ()


@dataclass(frozen=True)
class FilingItem:
    """One file of the dump and what is done with it.

    ``target`` is relative to the round and empty where nothing is filed; ``reason`` says why, or
    what needs a word from a person. Photos that wait for the same word are of one ``group``,
    named by its first photo.
    """

    source: Path
    relative: str
    action: Action
    reason: str = ""
    target: str = ""
    lawn: str = ""
    zone: str = ""
    date: str = ""
    stage: str = ""
    spot: str = ""
    sha256: str = ""
    taken_at: str = ""
    group: str = ""


@dataclass(frozen=True)
class FilingPlan:
    """What filing would do: one item a file of the dump, in the order of their paths."""

    round_path: Path
    folder: Path
    items: tuple[FilingItem, ...]

    def having(self, *actions: Action) -> tuple[FilingItem, ...]:
        """Return the items with these actions."""
        return tuple(item for item in self.items if item.action in actions)


def confirmed(item: FilingItem) -> FilingItem:
    """Return an item that asked for a word as one to file; any other as it is."""
    return replace(item, action="file") if item.action == "ask" else item


def new_item(shot: Shot, action: Action, reason: str = "") -> FilingItem:
    """Return an item that is filed nowhere yet."""
    taken = "" if shot.local is None else shot.local.isoformat(timespec="seconds")
    return FilingItem(shot.path, shot.relative, action, reason, taken_at=taken)


def counts(items: Iterable[FilingItem]) -> dict[str, int]:
    """Return how many items have each action."""
    return dict(Counter(item.action for item in items))
