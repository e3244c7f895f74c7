"""One run at a time on a round: the lock goes with the process, however it ends."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import cannot_write, file_mode, make_folder, sweep_parts

FOLDER = ".lawnscore"
"""Folder of a round that the program keeps for itself."""

_LOCK_NAME = "lock.sqlite3"
_WRITTEN = ("reports", FOLDER)
_PATIENCE_S = 1.0
"""Two runs that begin at one moment each find the lock half taken; one of them must go on."""


@contextmanager
def locked(round_path: Path | str) -> Iterator[None]:
    """Hold the round for one run, and tidy away what a killed run left half written.

    Raises
    ------
    LawnscoreError
        When another run holds it, or nothing can be written there.
    """
    root = Path(round_path)
    path = own_folder(root) / _LOCK_NAME
    lock = _connect(path)
    try:
        _hold(lock, path, root)
    except _DamagedError:  # it holds nothing
        lock.close()
        path.unlink(missing_ok=True)
        lock = _connect(path)
        _hold(lock, path, root)
    try:
        sweep_parts((root / name for name in _WRITTEN), beside=root)
        yield
    finally:
        lock.close()


def own_folder(round_path: Path) -> Path:
    """Return the round's own folder, made when missing.

    Raises
    ------
    LawnscoreError
        When it is not there and cannot be made.
    """
    folder = round_path / FOLDER
    try:
        make_folder(folder)
    except OSError as error:
        raise LawnscoreError(
            f"the folder cannot be made ({error.strerror})",
            "Allow yourself to write in the round and run again.",
            folder,
        ) from None
    return folder


def touch_own(path: Path) -> None:
    """Make a file that is to be opened by SQLite, for its owner alone; one there is left alone.

    Raises
    ------
    LawnscoreError
        When it cannot be made.
    """
    try:
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, file_mode(path.parent)))
    except OSError as error:
        raise cannot_write(path, error) from None


class _DamagedError(Exception):
    """The lock file is no database."""


def _connect(path: Path) -> sqlite3.Connection:
    touch_own(path)
    return sqlite3.connect(path, timeout=_PATIENCE_S, isolation_level=None)


def _hold(lock: sqlite3.Connection, path: Path, root: Path) -> None:
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        with contextlib.suppress(sqlite3.Error):
            lock.close()
        if "locked" in str(error):
            raise LawnscoreError(
                "another run is at work on this round",
                "Wait until it has finished and run again.",
                root,
            ) from None
        raise LawnscoreError(
            f"the round cannot be written ({error})",
            "Free some space, or allow yourself to write in the round, and run again.",
            path,
        ) from None
    except sqlite3.DatabaseError:
        raise _DamagedError from None
