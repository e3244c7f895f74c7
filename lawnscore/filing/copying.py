"""Copy what a plan files: verified, never over another file, written down as it is done."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.journal import Journal
from lawnscore.filing.plan import FilingItem, FilingPlan
from lawnscore.filing.shots import sha256_of


@dataclass(frozen=True)
class Filed:
    """What filing did: items that were filed, and the name of the run for undoing it."""

    items: tuple[FilingItem, ...]
    run: str


def file_photos(plan: FilingPlan, *, now: datetime | None = None) -> Filed:
    """Copy what the plan files, verify each copy and write it down.

    Raises
    ------
    LawnscoreError
        When a photo cannot be read or copied, or its copy differs. What was filed before that
        stays, is written down and can be undone.
    """
    journal = Journal(plan.round_path, now=now or datetime.now())
    done: list[FilingItem] = []
    for item in plan.having("file"):
        target = plan.round_path / item.target
        try:
            _make_folders(target.parent, plan.round_path, journal)
            _copy(item, target)
            journal.filed(item.source, item.target, item.sha256)
        except OSError as error:
            raise LawnscoreError(
                f"cannot be copied ({error.strerror or error}); {len(done)} photos were filed",
                "Mend that and file again: what was filed is recognised.",
                item.source,
            ) from None
        done.append(item)
    return Filed(tuple(done), journal.run)


def _make_folders(folder: Path, root: Path, journal: Journal) -> None:
    missing = [p for p in (folder, *folder.parents) if p.is_relative_to(root) and not p.exists()]
    for path in reversed(missing):
        path.mkdir()
        journal.made_folder(path.relative_to(root).as_posix())


def _copy(item: FilingItem, target: Path) -> None:
    """Copy beside the target, verify, then give it its name, which must be free."""
    part = target.with_name(f".{target.name}.part")
    try:
        shutil.copy2(item.source, part)
        if sha256_of(part) != item.sha256:
            raise LawnscoreError(
                "its copy differs from it", "Check the disk and file again.", item.source
            )
        _take_name(part, target)
    finally:
        part.unlink(missing_ok=True)


def _take_name(part: Path, target: Path) -> None:
    try:
        os.link(part, target)  # fails when the name is taken, unlike a rename
    except FileExistsError:
        raise
    except OSError:
        _copy_to_new(part, target)


def _copy_to_new(part: Path, target: Path) -> None:
    """Copy once more, for file systems without hard links such as a memory card's."""
    with target.open("xb") as out:
        try:
            with part.open("rb") as copy:
                shutil.copyfileobj(copy, out)
        except OSError:
            out.close()
            target.unlink()  # ours: it did not exist before
            raise
    shutil.copystat(part, target)
