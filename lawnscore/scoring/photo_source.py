"""A photo wherever it lies: on this machine, or sent along with the task."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

SCRATCH: ContextVar[str | None] = ContextVar("SCRATCH", default=None)
"""Folder for photos that are at hand for a moment; ``None`` is the system's own."""


class PhotoSource(Protocol):
    """A photo that can be had as a file."""

    @property
    def name(self) -> str:
        """File name of the photo."""

    @contextmanager
    def at_hand(self) -> Iterator[Path]:
        """Give the photo as a file of this machine, for as long as the context lasts."""


@dataclass(frozen=True)
class LocalPhoto:
    """A photo in a folder of this machine."""

    path: Path

    @property
    def name(self) -> str:
        """File name of the photo."""
        return self.path.name

    @contextmanager
    def at_hand(self) -> Iterator[Path]:
        """Give the file itself."""
        yield self.path


@dataclass(frozen=True)
class SentPhoto:
    """The content of a photo, for a machine that cannot see its folder."""

    name: str
    data: bytes

    @contextmanager
    def at_hand(self) -> Iterator[Path]:
        """Give a copy that is removed afterwards."""
        with copy_at_hand(self.name, self.data) as path:
            yield path


@contextmanager
def copy_at_hand(name: str, data: bytes) -> Iterator[Path]:
    """Give a file with this name and content, in a folder for its owner alone, for a moment."""
    with tempfile.TemporaryDirectory(prefix="lawnscore-", dir=SCRATCH.get()) as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        yield path
