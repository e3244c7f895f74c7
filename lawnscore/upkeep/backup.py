"""A round as one ZIP file, and back: every file with its SHA-256, checked on both ways.

The archive is a plain ZIP (PKWARE APPNOTE) with the round's files under their own paths, so that it
can be opened without this program, and a list of all files with size and hash as its last entry.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import IO, TypedDict

from lawnscore import __version__
from lawnscore.contract.errors import LawnscoreError, printable
from lawnscore.contract.files import (
    PART_END,
    PART_START,
    cannot_write,
    check_output,
    file_mode,
    make_folder,
    part_beside,
    sync_folder,
)
from lawnscore.register.folder import PHOTO_SUFFIXES, open_round
from lawnscore.register.lock import FOLDER, locked
from lawnscore.register.round_log import noted
from lawnscore.scoring.ledger import FILE_NAME as LEDGER

LIST = "lawnscore-backup.json"
_CHUNK_BYTES = 1 << 20
_LIST_BYTES_MAX = 500_000_000
_LEFT_OUT = ("lock.sqlite3", f"{LEDGER}-wal", f"{LEDGER}-shm")
_PACKED = PHOTO_SUFFIXES | {".zip", ".pdf", ".xlsx", ".parquet"}
"""Endings of files that are packed already, and are stored as they are."""


class FileNote(TypedDict):
    """What the list of a backup says of one file."""

    path: str
    entry: str
    size: int
    sha256: str
    modified_ns: int


@dataclass(frozen=True)
class Backup:
    """An archive, how many files and bytes of the round it holds, and what was left out.

    ``elsewhere`` is the folder of older photos that lies outside the round, and is not in it.
    """

    path: Path
    n_files: int
    n_bytes: int
    left_out: tuple[str, ...] = ()
    elsewhere: Path | None = None


def back_up(round_path: Path | str, out: Path | str) -> Backup:
    """Write a round into a ZIP file, read it back and compare every file's hash.

    Links are left out and said; a lock and what a killed run left half written are left out.

    Raises
    ------
    LawnscoreError
        When there is no round, another run is at work on it, ``out`` is not a place for it, a file
        cannot be read, or what was written does not read back.
    """
    root, out = Path(round_path), Path(out)
    opened = open_round(root)  # says when this is no round
    check_output(out, ".zip")
    with locked(root), noted(root, "backup") as facts:
        part = part_beside(out)
        try:
            make_folder(out.parent)
            backup = replace(_written(root, out, part), elsewhere=opened.elsewhere)
            _checked(part, out)
            part.chmod(file_mode(out.parent))
            part.replace(out)
            sync_folder(out.parent)
        except OSError as error:
            raise cannot_write(error.filename or out, error) from None
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
        facts |= {"files": backup.n_files, "bytes": backup.n_bytes}
    return backup


def _written(root: Path, out: Path, part: Path) -> Backup:
    files: list[FileNote] = []
    left_out: list[str] = []
    with zipfile.ZipFile(part, "x", allowZip64=True) as archive:
        for path in _files(root):
            relative = path.relative_to(root).as_posix()
            if path.is_symlink():
                left_out.append(printable(relative))
            elif path.resolve() not in (out.resolve(), part.resolve()):
                files.append(_add(archive, path, relative, len(files)))
        about = {
            "made_by": f"lawnscore {__version__}",
            "when": datetime.now(UTC).isoformat(timespec="seconds"),
            "files": files,
        }
        text = json.dumps(about, indent=1)  # ASCII: names that are not UTF-8 come back as they were
        archive.writestr(LIST, text, zipfile.ZIP_DEFLATED)
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    return Backup(out, len(files), sum(file["size"] for file in files), tuple(left_out))


def _files(root: Path) -> Iterator[Path]:
    for folder, folders, names in os.walk(root):
        folders.sort()
        here = Path(folder)
        for name in sorted([*names, *(f for f in folders if (here / f).is_symlink())]):
            half = name.startswith(PART_START) and name.endswith(PART_END)
            own = here == root / FOLDER and name in _LEFT_OUT
            if not half and not own and ((here / name).is_symlink() or (here / name).is_file()):
                yield here / name


def _add(archive: zipfile.ZipFile, path: Path, relative: str, number: int) -> FileNote:
    """Put one file into the archive; return what the list says of it."""
    entry = relative if _is_plain(relative) else f"names/{number:06d}"
    packed = path.suffix.lower() in _PACKED
    info = zipfile.ZipInfo(entry, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
    info.external_attr = 0o100600 << 16
    digest, size = hashlib.sha256(), 0
    with contextlib.ExitStack() as opened:
        source = opened.enter_context(_opened(path))
        target = opened.enter_context(archive.open(info, "w", force_zip64=True))
        while chunk := source.read(_CHUNK_BYTES):
            digest.update(chunk)
            size += len(chunk)
            target.write(chunk)
    stamp = path.stat().st_mtime_ns
    return {
        "path": relative,
        "entry": entry,
        "size": size,
        "sha256": digest.hexdigest(),
        "modified_ns": stamp,
    }


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
    """Open a file; of the ledger, a copy that is whole at this moment."""
    if path.name != LEDGER or path.parent.name != FOLDER:
        with path.open("rb") as file:
            yield file
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / path.name
        source, target = sqlite3.connect(path), sqlite3.connect(copy)
        try:
            source.backup(target)
        except sqlite3.DatabaseError:  # damaged: kept as it is
            shutil.copyfile(path, copy)
        finally:
            source.close()
            target.close()
        with copy.open("rb") as file:
            yield file


def _is_plain(relative: str) -> bool:
    """Return whether a name can stand in a ZIP file and be told from our own."""
    try:
        relative.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return relative != LIST and not relative.startswith("names/") and "\\" not in relative


def _checked(part: Path, where: Path) -> list[FileNote]:
    """Read an archive through and compare every file with the list; return the list.

    Raises
    ------
    LawnscoreError
        When it is no backup, or a file in it is missing or changed.
    """
    with _archive(part, where) as archive:
        files = _listed(archive, where)
        for file in files:
            with archive.open(file["entry"]) as source:
                _compare(file, source, None, where)
    return files


@contextlib.contextmanager
def _archive(path: Path, where: Path) -> Iterator[zipfile.ZipFile]:
    """Open an archive; whatever is wrong with it inside the block is told in one line."""
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except (zipfile.BadZipFile, KeyError, EOFError, NotImplementedError, RuntimeError) as error:
        words = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise LawnscoreError(
            f"not a sound backup ({words})", "Use another backup.", where
        ) from None
    except ValueError as error:
        raise LawnscoreError(
            f"not a sound backup ({error})", "Use another backup.", where
        ) from None
    except Exception as error:  # zlib and lzma raise kinds of their own for damaged data
        if isinstance(error, OSError | LawnscoreError):
            raise
        words = f"not a sound backup ({type(error).__name__})"
        raise LawnscoreError(words, "Use another backup.", where) from None


def _listed(archive: zipfile.ZipFile, where: Path) -> list[FileNote]:
    unsound = LawnscoreError("its list of files is not sound", "Use another backup.", where)
    if archive.getinfo(LIST).file_size > _LIST_BYTES_MAX:
        raise unsound
    try:
        listed = json.loads(archive.read(LIST))["files"]
        files = [
            FileNote(
                path=file["path"],
                entry=file["entry"],
                size=int(file["size"]),
                sha256=file["sha256"],
                modified_ns=int(file["modified_ns"]),
            )
            for file in listed
        ]
        fine = all(
            isinstance(file["path"], str)
            and isinstance(file["entry"], str)
            and isinstance(file["sha256"], str)
            and min(file["size"], file["modified_ns"]) >= 0
            and _stays_inside(file["path"])
            for file in files
        )
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        raise unsound from None
    if not fine or len({file["path"] for file in files}) != len(files):
        raise unsound
    return files


def _stays_inside(relative: str) -> bool:
    path = PurePosixPath(relative)
    odd = "\\" in relative or ":" in relative.split("/")[0] or "\0" in relative
    return bool(path.parts) and not path.is_absolute() and ".." not in path.parts and not odd


def _compare(file: FileNote, source: IO[bytes], target: IO[bytes] | None, where: Path) -> None:
    """Read one file of an archive, write it where asked, and compare size and hash."""
    digest, left = hashlib.sha256(), file["size"]
    while chunk := source.read(_CHUNK_BYTES):
        left -= len(chunk)
        if left < 0:
            break
        digest.update(chunk)
        if target is not None:
            target.write(chunk)
    if left != 0 or digest.hexdigest() != file["sha256"]:
        name = printable(file["path"])
        raise LawnscoreError(f"{name} in it has changed", "Use another backup.", where)


def restore(backup: Path | str, folder: Path | str) -> Backup:
    """Unpack a backup into a new folder, which gets its name once every file is sound.

    Raises
    ------
    LawnscoreError
        When the folder is there and not empty, the file is no backup or not sound, or the disk
        cannot hold it. The folder is then as it was.
    """
    backup, folder = Path(backup), Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise LawnscoreError("this is there already", "Name a new folder.", folder)
    if not backup.is_file():
        raise LawnscoreError("there is no such backup", "Check the path.", backup)
    part = part_beside(folder)
    try:
        make_folder(folder.parent)
        part.mkdir(mode=0o700)
        try:
            files = _unpacked(backup, part)
            if folder.exists():
                folder.rmdir()
            part.rename(folder)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except OSError as error:
        raise cannot_write(error.filename or folder, error) from None
    return Backup(folder, len(files), sum(file["size"] for file in files))


def _unpacked(backup: Path, part: Path) -> list[FileNote]:
    with _archive(backup, backup) as archive:
        files = _listed(archive, backup)
        needed, free = sum(file["size"] for file in files), shutil.disk_usage(part).free
        if needed > free:
            raise LawnscoreError(
                f"it needs {needed / 1e6:.0f} MB and the disk has {free / 1e6:.0f} MB free",
                "Free some space.",
                backup,
            )
        for file in files:
            path = part / file["path"]
            make_folder(path.parent)
            with archive.open(file["entry"]) as source, path.open("xb") as target:
                _compare(file, source, target, backup)
                target.flush()
                os.fsync(target.fileno())
            path.chmod(0o600)
            os.utime(path, ns=(file["modified_ns"], file["modified_ns"]))
    return files
