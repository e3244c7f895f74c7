"""What was filed, so that it can be undone and is recognised again.

One file a run in ``.lawnscore/filing/``, one JSON object a line: what is about to be copied, then
that it was. So a run that was cut off can be undone too, and nothing half done is called filed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypedDict, TypeGuard

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import file_mode, make_folder, sync_folder
from lawnscore.filing.shots import sha256_of
from lawnscore.register.folder import PHOTOS
from lawnscore.register.lock import locked
from lawnscore.register.round_log import noted

FOLDER = Path(".lawnscore") / "filing"
_UNDONE = ".undone"
_COPYING = "copying"


class Entry(TypedDict, total=False):
    """One line of a journal: a photo that was copied, or a folder that was made for some."""

    source: str
    target: str
    sha256: str
    state: str
    folder: str


@dataclass(frozen=True)
class Undone:
    """What was undone: copies that were removed, and those that were kept, with the reason."""

    run: str
    removed: tuple[str, ...]
    kept: tuple[tuple[str, str], ...]


class Journal:
    """Writes down one run of filing; the file appears with its first line."""

    def __init__(self, round_path: Path, *, now: datetime) -> None:
        self.round = round_path
        stem = f"{now:%Y%m%dT%H%M%S}"
        taken = {p.name.split(".")[0] for p in _all_runs(round_path)}
        names = [stem, *(f"{stem}-{n}" for n in range(2, 1000))]
        self.run = next(name for name in names if name not in taken)
        self.path = round_path / FOLDER / f"{self.run}.jsonl"

    def making_folder(self, relative: str) -> None:
        """Write down a folder of the round that is about to be made."""
        self._write({"folder": relative})

    def copying(self, source: Path, target: str, sha256: str) -> None:
        """Write down one copy that is about to be made; its source relative to the round."""
        self._write(
            {
                "source": _relative(source, self.round),
                "target": target,
                "sha256": sha256,
                "state": _COPYING,
            }
        )

    def filed(self, target: str) -> None:
        """Write down that a copy has its name and is safe on the disk."""
        self._write({"target": target, "state": "filed"})

    def _write(self, entry: Entry) -> None:
        new = not self.path.exists()
        make_folder(self.path.parent)
        with open(self.path, "a", encoding="ascii", opener=_opener) as file:
            file.write(json.dumps(entry) + "\n")  # escapes what is not UTF-8 in a name
            file.flush()
            os.fsync(file.fileno())
        if new:
            sync_folder(self.path.parent)


def _opener(path: str, flags: int) -> int:
    return os.open(path, flags, file_mode(Path(path).parent))


def _relative(source: Path, root: Path) -> str:
    """Return a path relative to the round: whole paths would tell more than undoing needs."""
    try:
        return os.path.relpath(source.resolve(), root.resolve())
    except ValueError:  # another drive, on Windows
        return str(source.resolve())


@dataclass(frozen=True)
class _Copy:
    """One copy of a run; not ``sure`` where the run was cut off while it was made."""

    source: str
    target: str
    sha256: str
    sure: bool


def _copies(path: Path) -> list[_Copy]:
    """Return the copies that a run made or was about to make, in order."""
    entries = list(_entries(path))
    filed = {entry["target"] for entry in entries if entry.get("state") == "filed"}
    return [
        _Copy(
            entry["source"],
            entry["target"],
            entry["sha256"],
            entry.get("state") != _COPYING or entry["target"] in filed,
        )
        for entry in entries
        if "sha256" in entry
    ]


def filed_before(round_path: Path) -> dict[str, str]:
    """Return the target of every photo that was filed and not undone, by its SHA-256."""
    return {
        copy.sha256: copy.target
        for path in _open_runs(round_path)
        for copy in _copies(path)
        if copy.sure
    }


def unfinished(round_path: Path) -> list[str]:
    """Return the runs that were cut off in the middle of a copy."""
    return [
        path.stem for path in _open_runs(round_path) if any(not copy.sure for copy in _copies(path))
    ]


def undo_filing(round_path: Path | str) -> Undone:
    """Take back the last run of filing that was not undone yet.

    A copy is removed only when it is unchanged and its original still lies, unchanged, where it
    was filed from: undoing never costs the only copy. Folders the run made are removed when
    they are empty. When nothing could be taken back, such as while the card with the originals
    is out, the run can be undone later.

    Raises
    ------
    LawnscoreError
        When there is nothing to undo.
    """
    root = Path(round_path)
    runs = _open_runs(root)
    if not runs:
        raise LawnscoreError("nothing was filed that can be undone", "File first.", root)
    with locked(root), noted(root, "undo") as facts:
        undone = _undo(root, runs[-1])
        facts |= {"removed": len(undone.removed), "kept": len(undone.kept)}
        return undone


def _undo(root: Path, run: Path) -> Undone:
    removed: list[str] = []
    kept: list[tuple[str, str]] = []
    for copy in reversed(_copies(run)):
        if not copy.sure and not (root / copy.target).exists():
            continue  # the run was cut off before it had its name
        why = _why_kept(root, copy)
        if why:
            kept.append((copy.target, why))
        else:
            (root / copy.target).unlink()
            removed.append(copy.target)
    for entry in reversed(list(_entries(run))):
        if "folder" in entry and _is_empty(root / entry["folder"]):
            (root / entry["folder"]).rmdir()
    if removed or not kept:
        run.rename(run.with_name(f"{run.name}{_UNDONE}"))
    return Undone(run.stem, tuple(reversed(removed)), tuple(reversed(kept)))


def _why_kept(root: Path, copy: _Copy) -> str:
    target, source = root / copy.target, root / copy.source
    if not target.is_file():
        return "no longer there"
    if sha256_of(target) != copy.sha256:
        return "changed since it was filed"
    if not source.is_file():
        return f"its original {source.resolve()} is gone, so this is the only copy"
    if sha256_of(source) != copy.sha256:
        return f"its original {source.resolve()} has changed, so this is the only copy"
    return ""


def _is_empty(folder: Path) -> bool:
    return folder.is_dir() and not any(folder.iterdir())


def _all_runs(round_path: Path) -> list[Path]:
    return sorted((round_path / FOLDER).glob("*.jsonl*"))


def _open_runs(round_path: Path) -> list[Path]:
    runs = [path for path in _all_runs(round_path) if path.suffix == ".jsonl"]
    # Second runs of one second, "...-2" to "...-10", follow the first by number.
    return sorted(runs, key=lambda path: (path.stem[:15], len(path.stem), path.stem))


def _entries(path: Path) -> Iterator[Entry]:
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):  # the last line of a run that was cut off
            continue
        if _is_sound(entry):
            yield entry


def _is_sound(entry: object) -> TypeGuard[Entry]:
    """Return whether an entry is one of ours and stays in the round, whatever was done to it."""
    if not isinstance(entry, dict):
        return False
    if "sha256" in entry and not {"source", "target"} <= entry.keys():
        return False
    inside = [str(entry["target"])] if "target" in entry else []
    inside += [str(entry["folder"])] if "folder" in entry else []
    return (
        bool(inside)
        and all(place.startswith(f"{PHOTOS}/") or place == PHOTOS for place in inside)
        and not any(".." in Path(place).parts for place in inside)
    )
