"""What has been scored already: one row a photo's content, committed photo by photo.

The ledger lies in .lawnscore/ of the round. Losing it costs time, never facts: every table can
be made again from the photos.
"""

from __future__ import annotations

import json
import math
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lawnscore.contract.errors import LawnscoreError

FOLDER = ".lawnscore"
"""Folder of a round that the program keeps for itself."""

FILE_NAME = "ledger.sqlite3"
_LOCK_NAME = "lock.sqlite3"

SCHEMA_VERSION = 1
"""Kept as SQLite's `user_version`; a ledger of another version is set aside."""

_RACY_NS = 2_000_000_000
"""A file changed less than 2 s before it was hashed is hashed again: file systems keep times
no finer than that (FAT: 2 s), so it may have changed once more unnoticed."""

_SCHEMA = """
CREATE TABLE IF NOT EXISTS files (
    photo TEXT PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    ctime_ns INTEGER NOT NULL, inode INTEGER NOT NULL, hashed_ns INTEGER NOT NULL,
    sha256 TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS scores (
    sha256 TEXT NOT NULL, version TEXT NOT NULL, settings_id TEXT NOT NULL,
    card_id TEXT NOT NULL, row TEXT NOT NULL, extra TEXT NOT NULL, scored_at TEXT NOT NULL,
    PRIMARY KEY (sha256, version, settings_id, card_id)
) WITHOUT ROWID;
"""


@dataclass(frozen=True)
class Method:
    """How photos are scored; together with a photo's content it is the key of a score.

    Parameters
    ----------
    version
        Program version and id of its code.
    settings_id
        Id of the settings that change the numbers.
    card_id
        Id of the reference card's colours.
    """

    version: str
    settings_id: str
    card_id: str


class Ledger:
    """The scores kept in a round. Use as a context manager, or call :meth:`close`.

    Parameters
    ----------
    round_path
        Folder of the round.

    Attributes
    ----------
    problem
        What was wrong with the ledger found, in one line; empty when nothing was.

    Raises
    ------
    LawnscoreError
        When it cannot be written.
    """

    def __init__(self, round_path: Path | str) -> None:
        self.path = Path(round_path) / FOLDER / FILE_NAME
        self.problem = ""
        _make_folder(self.path.parent)
        try:
            self._db = _open(self.path)
        except _DamagedError as error:
            kept = _set_aside(self.path)
            self.problem = (
                f"{self.path}: the ledger {error}. It was kept as {kept.name} and all photos "
                "are scored anew."
            )
            self._db = _open(self.path)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def known_hash(self, photo: str, path: Path) -> str | None:
        """Return the SHA-256 kept for a file when the file is surely unchanged since."""
        with _as_one_line(self.path):
            found = self._db.execute(
                "SELECT size, mtime_ns, ctime_ns, inode, hashed_ns, sha256 FROM files"
                " WHERE photo = ?",
                (photo,),
            ).fetchone()
        if found is None:
            return None
        size, mtime_ns, ctime_ns, inode, hashed_ns, sha256 = found
        if (size, mtime_ns, ctime_ns, inode) != _stamp(path):
            return None
        return sha256 if max(mtime_ns, ctime_ns) + _RACY_NS < hashed_ns else None

    def keep_hash(self, photo: str, path: Path, sha256: str, *, hashed_ns: int) -> None:
        """Keep the SHA-256 of a file that was read at ``hashed_ns`` (ns since 1970)."""
        with _as_one_line(self.path), self._db:
            self._db.execute(
                "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?, ?, ?)",
                (photo, *_stamp(path), hashed_ns, sha256),
            )

    def forget_files_except(self, photos: set[str]) -> None:
        """Forget the hashes of files that are gone; their scores are kept by content."""
        with _as_one_line(self.path), self._db:
            known = [row[0] for row in self._db.execute("SELECT photo FROM files")]
            gone = [(photo,) for photo in known if photo not in photos]
            self._db.executemany("DELETE FROM files WHERE photo = ?", gone)

    def score(self, sha256: str, method: Method) -> dict[str, Any] | None:
        """Return the row kept for a content scored by a method, or ``None``."""
        with _as_one_line(self.path):
            found = self._db.execute(
                "SELECT row FROM scores WHERE sha256 = ? AND version = ? AND settings_id = ?"
                " AND card_id = ?",
                (sha256, method.version, method.settings_id, method.card_id),
            ).fetchone()
        return None if found is None else json.loads(found[0])

    def keep_score(
        self,
        sha256: str,
        method: Method,
        row: Mapping[str, Any],
        extra: Mapping[str, Any] | None = None,
    ) -> None:
        """Keep a row, with what else the score offers, and commit it at once."""
        when = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        with _as_one_line(self.path), self._db:
            self._db.execute(
                "INSERT OR REPLACE INTO scores VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    sha256,
                    method.version,
                    method.settings_id,
                    method.card_id,
                    _json(row),
                    _json(extra or {}),
                    when,
                ),
            )

    def extras(self, method: Method) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
        """Yield content, row and what else was kept, for all scores of a method."""
        with _as_one_line(self.path):
            found = self._db.execute(
                "SELECT sha256, row, extra FROM scores WHERE version = ? AND settings_id = ?"
                " AND card_id = ? ORDER BY sha256",
                (method.version, method.settings_id, method.card_id),
            ).fetchall()
        for sha256, row, extra in found:
            yield sha256, json.loads(row), json.loads(extra)


@contextmanager
def locked(round_path: Path | str) -> Iterator[None]:
    """Hold the round for one run; the lock goes with the process, however it ends.

    Raises
    ------
    LawnscoreError
        When another run holds it, or nothing can be written there.
    """
    path = Path(round_path) / FOLDER / _LOCK_NAME
    _make_folder(path.parent)
    lock = sqlite3.connect(path, timeout=0, isolation_level=None)
    try:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise LawnscoreError(
                    "another run is scoring this round",
                    "Wait until it has finished and run again.",
                    round_path,
                ) from None
            raise _unwritable(path, error) from None
        except sqlite3.DatabaseError:  # damaged; it holds nothing
            lock.close()
            path.unlink(missing_ok=True)
            lock = sqlite3.connect(path, timeout=0, isolation_level=None)
            lock.execute("BEGIN EXCLUSIVE")
        yield
    finally:
        lock.close()


class _DamagedError(Exception):
    """The ledger is no ledger of ours, in words that follow "the ledger"."""


def _open(path: Path) -> sqlite3.Connection:
    """Open the ledger, made when missing.

    Raises
    ------
    _DamagedError
        When the file is not a ledger of this schema.
    LawnscoreError
        When it cannot be written.
    """
    db = sqlite3.connect(path, timeout=10)
    try:
        if db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise _DamagedError("is damaged")
        found = db.execute("PRAGMA user_version").fetchone()[0]
        if found not in (0, SCHEMA_VERSION):
            raise _DamagedError(f"is of another program version (schema {found})")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.executescript(_SCHEMA)
        db.execute("SELECT photo, sha256 FROM files LIMIT 1")
        db.execute("SELECT row, extra FROM scores LIMIT 1")
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        db.commit()
    except _DamagedError:
        db.close()
        raise
    except sqlite3.OperationalError as error:
        db.close()
        if "no such column" in str(error):
            raise _DamagedError("has other columns than it should") from None
        raise _unwritable(path, error) from None
    except sqlite3.DatabaseError:
        db.close()
        raise _DamagedError("is damaged") from None
    return db


def _set_aside(path: Path) -> Path:
    """Rename a ledger that cannot be used; nothing is deleted."""
    number = 1
    while (kept := path.with_name(f"{path.stem}-damaged-{number}{path.suffix}")).exists():
        number += 1
    path.replace(kept)
    for tail in ("-wal", "-shm"):
        beside = path.with_name(path.name + tail)
        if beside.exists():
            beside.replace(kept.with_name(kept.name + tail))
    return kept


@contextmanager
def _as_one_line(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: sqlite3.Error) -> LawnscoreError:
    return LawnscoreError(
        f"the ledger cannot be written ({error})",
        "Free some space, or allow yourself to write in the round, and run again.",
        path,
    )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise LawnscoreError(
            f"the folder cannot be made ({error.strerror})",
            "Allow yourself to write in the round and run again.",
            folder,
        ) from None


def _stamp(path: Path) -> tuple[int, int, int, int]:
    status = path.stat()
    return (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


def _json(values: Mapping[str, Any]) -> str:
    return json.dumps(_plain(values), ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    """Return a value as JSON types; NaN and other unknowns become ``None``."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    text = str(value)
    return None if text in {"<NA>", "NaT"} else text
