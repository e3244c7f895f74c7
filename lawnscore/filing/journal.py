"""What was filed, so that it can be undone and is recognised again.

One file a run in ``.lawnscore/filing/``, one JSON object a line, written as each photo is filed:
a run that was cut off can be undone too.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.shots import sha256_of

FOLDER = Path(".lawnscore") / "filing"
_UNDONE = ".undone"


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

    def made_folder(self, relative: str) -> None:
        """Write down a folder of the round that did not exist before."""
        self._write({"folder": relative})

    def filed(self, source: Path, target: str, sha256: str) -> None:
        """Write down one copy."""
        self._write({"source": str(source.resolve()), "target": target, "sha256": sha256})

    def _write(self, entry: dict[str, str]) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(entry, ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())


def filed_before(round_path: Path) -> dict[str, str]:
    """Return the target of every photo that was filed and not undone, by its SHA-256."""
    return {
        entry["sha256"]: entry["target"]
        for path in _open_runs(round_path)
        for entry in _entries(path)
        if "sha256" in entry
    }


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
    removed: list[str] = []
    kept: list[tuple[str, str]] = []
    entries = list(_entries(runs[-1]))
    for entry in reversed(entries):
        if "sha256" not in entry:
            continue
        why = _why_kept(root, entry)
        if why:
            kept.append((entry["target"], why))
        else:
            (root / entry["target"]).unlink()
            removed.append(entry["target"])
    for entry in reversed(entries):
        if "folder" in entry and _is_empty(root / entry["folder"]):
            (root / entry["folder"]).rmdir()
    if removed or not kept:
        runs[-1].rename(runs[-1].with_name(f"{runs[-1].name}{_UNDONE}"))
    return Undone(runs[-1].stem, tuple(reversed(removed)), tuple(reversed(kept)))


def _why_kept(root: Path, entry: dict[str, Any]) -> str:
    target, source = root / entry["target"], Path(entry["source"])
    if not target.is_file():
        return "no longer there"
    if sha256_of(target) != entry["sha256"]:
        return "changed since it was filed"
    if not source.is_file():
        return f"its original {source} is gone, so this is the only copy"
    if sha256_of(source) != entry["sha256"]:
        return f"its original {source} has changed, so this is the only copy"
    return ""


def _is_empty(folder: Path) -> bool:
    return folder.is_dir() and not any(folder.iterdir())


def _all_runs(round_path: Path) -> list[Path]:
    return sorted((round_path / FOLDER).glob("*.jsonl*"))


def _open_runs(round_path: Path) -> list[Path]:
    runs = [path for path in _all_runs(round_path) if path.suffix == ".jsonl"]
    # Second runs of one second, "...-2" to "...-10", follow the first by number.
    return sorted(runs, key=lambda path: (path.stem[:15], len(path.stem), path.stem))


def _entries(path: Path) -> Iterator[dict[str, Any]]:
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            entry = json.loads(line)
        except json.JSONDecodeError:  # the last line of a run that was cut off
            continue
        if isinstance(entry, dict):
            yield entry
