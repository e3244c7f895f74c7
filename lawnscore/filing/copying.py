"""Copy what a plan files: verified, never over another file, written down as it is done."""

from __future__ import annotations

import contextlib
import os
import shutil
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import file_mode, make_folder, part_beside, sweep_parts, sync_folder
from lawnscore.filing.journal import Journal
from lawnscore.filing.places import round_hashes
from lawnscore.filing.plan import FilingItem, FilingPlan
from lawnscore.filing.shots import sha256_of
from lawnscore.register.folder import PHOTOS
from lawnscore.register.lock import locked
from lawnscore.register.round_log import noted


@dataclass(frozen=True)
class Filed:
    """What filing did: items that were filed, and the name of the run for undoing it."""

    items: tuple[FilingItem, ...]
    run: str


def file_photos(plan: FilingPlan, *, now: datetime | None = None) -> Filed:
    """Copy what the plan files, verify each copy and write it down.

    What is going to be copied is written down before, so that a run that is cut off at any
    moment can be undone; a photo counts as filed once its copy is safe on the disk.

    Raises
    ------
    LawnscoreError
        When a photo cannot be read or copied, its copy differs, or another run is at work on the
        round. What was filed before that stays, is written down and can be undone.
    """
    with locked(plan.round_path), noted(plan.round_path, "file") as facts:
        sweep_parts([plan.round_path / PHOTOS])
        journal = Journal(plan.round_path, now=now or datetime.now())
        done: list[FilingItem] = []
        items = plan.having("file")
        # What another run has filed since the plan was made is in the round by now.
        here = round_hashes(plan.round_path, (_size(item.source) for item in items))
        for item in items:
            try:
                if item.sha256 not in here:
                    _file(item, plan.round_path, journal)
            except OSError as error:
                raise LawnscoreError(
                    f"cannot be copied ({error.strerror or error}); {len(done)} photos were filed",
                    "Mend that and file again: what was filed is recognised.",
                    item.source,
                ) from None
            done.append(item)
            facts["filed"] = len(done)
        facts["left"] = len(plan.having("left", "ask"))
        return Filed(tuple(done), journal.run)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return -1  # copying it will say what is the matter


def _file(item: FilingItem, root: Path, journal: Journal) -> None:
    target = root / item.target
    _make_folders(target.parent, root, journal)
    journal.copying(item.source, item.target, item.sha256)
    _copy(item, target)
    journal.filed(item.target)


def _make_folders(folder: Path, root: Path, journal: Journal) -> None:
    missing = [p for p in (folder, *folder.parents) if p.is_relative_to(root) and not p.exists()]
    for path in reversed(missing):
        journal.making_folder(path.relative_to(root).as_posix())
    for path in make_folder(folder):
        sync_folder(path.parent)


def _copy(item: FilingItem, target: Path) -> None:
    """Copy beside the target, verify, then give it its name, which must be free."""
    part = part_beside(target)
    try:
        shutil.copyfile(item.source, part)
        shutil.copystat(item.source, part)
        part.chmod(file_mode(target.parent))
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        if sha256_of(part) != item.sha256:
            raise LawnscoreError(
                "its copy differs from it", "Check the disk and file again.", item.source
            )
        _take_name(part, target)
        sync_folder(target.parent)
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _take_name(part: Path, target: Path) -> None:
    try:
        os.link(part, target)  # fails when the name is taken, unlike a rename
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links, such as a memory card's
        if os.path.lexists(target):
            raise FileExistsError(17, "File exists", str(target)) from None
        part.rename(target)
