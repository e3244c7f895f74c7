"""What has been scored already: one row a photo's content, committed photo by photo.

The ledger lies in .lawnscore/ of the round. Losing it costs time, never facts: every table can
be made again from the photos. Each row carries a checksum: one that changed on the disk is not
believed, and its photo is scored anew.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row, plain
from lawnscore.register.lock import FOLDER, locked, own_folder, touch_own
from lawnscore.scoring.method import Method
from lawnscore.scoring.shared_ledger import SharedLedger

__all__ = ["FILE_NAME", "FOLDER", "SCHEMA_VERSION", "Ledger", "Method", "locked"]

FILE_NAME = "ledger.sqlite3"

SCHEMA_VERSION = 2
"""Kept as SQLite's `user_version`; a ledger of a later version is set aside."""

_RACY_NS = 2_000_000_000
"""A file changed less than 2 s before it was hashed is hashed again: file systems keep times
no finer than that (FAT: 2 s), so it may have changed once more unnoticed."""

_CHUNK = 500
"""Contents asked for at once; SQLite takes 999 values in any build."""

Stamp = tuple[int, int, int, int]
"""By what a file is known to be unchanged: bytes, times of its content and of its entry (ns),
and a number of its own."""

_SCHEMA = """
CREATE TABLE IF NOT EXISTS files (
    photo TEXT PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    ctime_ns INTEGER NOT NULL, inode INTEGER NOT NULL, hashed_ns INTEGER NOT NULL,
    sha256 TEXT NOT NULL, checksum TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS scores (
    sha256 TEXT NOT NULL, version TEXT NOT NULL, settings_id TEXT NOT NULL,
    card_id TEXT NOT NULL, row TEXT NOT NULL, extra TEXT NOT NULL, checksum TEXT NOT NULL,
    PRIMARY KEY (sha256, version, settings_id, card_id)
) WITHOUT ROWID;
"""


class Ledger:
    """The scores kept in a round. Use as a context manager, or call :meth:`close`.

    Parameters
    ----------
    round_path
        Folder of the round.
    shared
        Where scores are kept for other rounds as well; what is there is taken from there.

    Attributes
    ----------
    n_bad
        How many rows that were asked for had changed on the disk.

    Raises
    ------
    LawnscoreError
        When it cannot be written.
    """

    def __init__(self, round_path: Path | str, shared: SharedLedger | None = None) -> None:
        self.shared = shared
        self.path = own_folder(Path(round_path)) / FILE_NAME
        self.n_bad = 0
        self._found = ""
        self._files: dict[str, tuple[Any, ...]] | None = None
        try:
            self._db = _open(self.path)
        except _DamagedError as error:
            kept = _set_aside(self.path)
            self._found = (
                f"{self.path}: the ledger {error}. It was kept as {kept.name} and all photos "
                "are scored anew."
            )
            self._db = _open(self.path)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    @property
    def problem(self) -> str:
        """What was wrong with the ledger, in one line; empty when nothing was."""
        if not self.n_bad:
            return self._found
        rows = "1 row" if self.n_bad == 1 else f"{self.n_bad} rows"
        bad = f"{self.path}: {rows} of the ledger had changed on the disk and were not believed."
        return f"{self._found} {bad} Their photos are scored anew; check the disk.".strip()

    def close(self) -> None:
        """Close the file."""
        try:
            if self.shared is not None:
                self.shared.close()
        finally:
            self._db.close()

    def settle(self) -> None:
        """Bring everything into the one file, so that a copy of it is whole."""
        with _as_one_line(self.path):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def known_hash(self, photo: str, file: Path | Stamp) -> str | None:
        """Return the SHA-256 kept for a file when the file is surely unchanged since."""
        found = self._file_rows().get(photo)
        if found is None:
            return None
        _, *stamp, hashed_ns, sha256, checksum = found
        if checksum != _checksum(photo, *stamp, hashed_ns, sha256):
            self.n_bad += 1
            return None
        if tuple(stamp) != _stamp(file):
            return None
        return str(sha256) if max(stamp[1], stamp[2]) + _RACY_NS < hashed_ns else None

    def keep_hash(self, photo: str, file: Path | Stamp, sha256: str, *, hashed_ns: int) -> None:
        """Keep the SHA-256 of a file that was read at ``hashed_ns`` (ns since 1970)."""
        values = (photo, *_stamp(file), hashed_ns, sha256)
        row = (*values, _checksum(*values))
        with _as_one_line(self.path), self._db:
            self._db.execute("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
        if self._files is not None:
            self._files[photo] = row

    def files(self) -> dict[str, str]:
        """Return the SHA-256 of every file that is kept, by its path in the round."""
        rows = self._file_rows().values()
        return {row[0]: row[6] for row in rows if row[7] == _checksum(*row[:7])}

    def _file_rows(self) -> dict[str, tuple[Any, ...]]:
        """Return the row of every file by its path; read once, as every file is asked for."""
        if self._files is None:
            with _as_one_line(self.path):
                rows = self._db.execute("SELECT * FROM files ORDER BY photo").fetchall()
            self._files = {row[0]: row for row in rows}
        return self._files

    def take_from(self, path: Path) -> int:
        """Take the sound scores of another ledger that are not known here; return how many.

        The other is only read; one that cannot be is of no use, and costs time alone.
        """
        try:
            other = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
            try:
                fits = other.execute("PRAGMA user_version").fetchone()[0] == SCHEMA_VERSION
                rows = other.execute("SELECT * FROM scores").fetchall() if fits else []
            finally:
                other.close()
        except sqlite3.DatabaseError:
            return 0
        sound = [row for row in rows if len(row) == 7 and row[6] == _checksum(*row[:6])]
        with _as_one_line(self.path), self._db:
            before = self._db.total_changes
            self._db.executemany("INSERT OR IGNORE INTO scores VALUES (?, ?, ?, ?, ?, ?, ?)", sound)
            return self._db.total_changes - before

    def forget_files_except(self, photos: set[str]) -> None:
        """Forget the hashes of files that are gone; their scores are kept by content."""
        self._forget("files", "photo", photos)

    def forget_scores_except(self, hashes: Iterable[str]) -> None:
        """Forget the scores of contents that neither these are nor any file still kept has."""
        with _as_one_line(self.path):
            kept = {row[0] for row in self._db.execute("SELECT sha256 FROM files")}
        self._forget("scores", "sha256", kept | set(hashes))

    def forget_files(self, photos: Iterable[str]) -> int:
        """Forget the hashes of these photos; return how many there were."""
        return self._delete("files", "photo", photos)

    def forget_scores(self, hashes: Iterable[str]) -> int:
        """Forget the scores of these contents; return how many there were."""
        return self._delete("scores", "sha256", hashes)

    def _forget(self, table: str, column: str, kept: set[str]) -> None:
        with _as_one_line(self.path):
            known = self._db.execute(f"SELECT DISTINCT {column} FROM {table}").fetchall()
        self._delete(table, column, [value for (value,) in known if value not in kept])

    def _delete(self, table: str, column: str, values: Iterable[str]) -> int:
        self._files = None
        with _as_one_line(self.path), self._db:
            found = self._db.executemany(
                f"DELETE FROM {table} WHERE {column} = ?", [(value,) for value in values]
            )
        return max(0, found.rowcount)

    def score(self, sha256: str, method: Method) -> Row | None:
        """Return the row kept for a content scored by a method, or ``None``."""
        found = self.score_text(sha256, method)
        return None if found is None else _row(found[0])

    def score_text(self, sha256: str, method: Method) -> tuple[str, str] | None:
        """Return the row kept as JSON text, and its checksum; ``None`` where there is none."""
        found = self._kept((sha256, *method.key))
        return None if found is None else (found[-3], found[-1])

    def score_texts(self, hashes: Iterable[str], method: Method) -> dict[str, tuple[str, str]]:
        """Return what :meth:`score_text` does for each of these contents that has a row."""
        wanted = sorted(set(hashes))
        out: dict[str, tuple[str, str]] = {}
        for start in range(0, len(wanted), _CHUNK):
            some = wanted[start : start + _CHUNK]
            with _as_one_line(self.path):
                rows = self._db.execute(
                    f"SELECT * FROM scores WHERE sha256 IN ({', '.join('?' * len(some))})"
                    " AND version = ? AND settings_id = ? AND card_id = ?",
                    (*some, *method.key),
                ).fetchall()
            sound = [row for row in rows if row[-1] == _checksum(*row[:-1])]
            self.n_bad += len(rows) - len(sound)
            out |= {row[0]: (row[-3], row[-1]) for row in sound}
        return out

    def _kept(self, key: tuple[str, ...]) -> tuple[str, ...] | None:
        """Return all columns of a sound row."""
        with _as_one_line(self.path):
            found = self._db.execute(
                "SELECT * FROM scores WHERE sha256 = ? AND version = ?"
                " AND settings_id = ? AND card_id = ?",
                key,
            ).fetchone()
        if found is None:
            return None
        if found[-1] != _checksum(*found[:-1]):
            self.n_bad += 1
            return None
        return tuple(map(str, found))

    def fetch(self, hashes: Iterable[str], method: Method) -> None:
        """Take over from the shared ledger what of these contents is not kept here."""
        if self.shared is None:
            return
        lacking = [sha256 for sha256 in hashes if self._kept((sha256, *method.key)) is None]
        for row in self.shared.scores(lacking, method.key):
            if row[-1] == _checksum(*row[:-1]):
                self._insert(row)
            else:
                self.n_bad += 1

    def share(self, hashes: Iterable[str], method: Method) -> None:
        """Say to the shared ledger which contents the round holds, and give it what it lacks."""
        if self.shared is None:
            return
        held = set(hashes)
        self.shared.send()
        self.shared.hold(held)
        for sha256 in sorted(self.shared.lacks(held, method.key)):
            row = self._kept((sha256, *method.key))
            if row is not None:
                self.shared.keep(row)
        self.shared.send()

    def keep_score(
        self,
        sha256: str,
        method: Method,
        row: Row,
        extra: Row | None = None,
    ) -> tuple[str, str]:
        """Keep a row, with what else the score offers, and commit it at once.

        Where the photo lies is not kept: a score belongs to a content. Returns what
        :meth:`score_text` will.
        """
        placeless = {name: value for name, value in row.items() if name != "photo"}
        values = (sha256, *method.key, _json(placeless), _json(extra or {}))
        kept = (*values, _checksum(*values))
        self._insert(kept)
        if self.shared is not None:
            self.shared.keep(kept)
        return kept[-3], kept[-1]

    def _insert(self, row: tuple[str, ...]) -> None:
        with _as_one_line(self.path), self._db:
            self._db.execute("INSERT OR REPLACE INTO scores VALUES (?, ?, ?, ?, ?, ?, ?)", row)

    def audit(self) -> tuple[int, int]:
        """Return how many rows there are, and how many of them have changed on the disk."""
        n_bad = n = 0
        with _as_one_line(self.path):
            for table in ("files", "scores"):
                for *values, checksum in self._db.execute(f"SELECT * FROM {table}"):
                    n += 1
                    n_bad += checksum != _checksum(*values)
        return n, n_bad

    def extras(self, method: Method) -> Iterator[tuple[str, Row, Row]]:
        """Yield content, row and what else was kept, for all sound scores of a method."""
        key = method.key
        with _as_one_line(self.path):
            found = self._db.execute(
                "SELECT sha256, row, extra, checksum FROM scores WHERE version = ?"
                " AND settings_id = ? AND card_id = ? ORDER BY sha256",
                key,
            ).fetchall()
        for sha256, row, extra, checksum in found:
            if checksum == _checksum(sha256, *key, row, extra):
                yield sha256, json.loads(row), json.loads(extra)


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
    touch_own(path)
    db = sqlite3.connect(path, timeout=10)
    try:
        if db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise _DamagedError("is damaged")
        found = db.execute("PRAGMA user_version").fetchone()[0]
        if found not in (0, 1, SCHEMA_VERSION):
            raise _DamagedError(f"is of another program version (schema {found})")
        if found == 1:  # scores of other code, with paths in them; none of them could be used
            db.executescript("DROP TABLE IF EXISTS files; DROP TABLE IF EXISTS scores; VACUUM;")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.execute("PRAGMA secure_delete = ON")  # what is forgotten does not stay in the file
        db.executescript(_SCHEMA)
        db.execute("SELECT photo, checksum FROM files LIMIT 1")
        db.execute("SELECT row, checksum FROM scores LIMIT 1")
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


def _stamp(file: Path | Stamp) -> Stamp:
    if isinstance(file, tuple):
        return file
    status = file.stat()
    return (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


def _row(text: str) -> Row:
    row: Row = json.loads(text)
    return row


def _checksum(*values: object) -> str:
    """Return a checksum of the values of a row; it guards against a disk, not against people."""
    text = "\x1f".join(map(str, values))
    return hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=8).hexdigest()


def _json(values: Row) -> str:
    return json.dumps(plain(values), allow_nan=False)
