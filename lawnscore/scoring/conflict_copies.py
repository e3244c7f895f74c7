"""Copies that programs which synchronise folders leave beside a file that two people changed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from lawnscore.contract.tables import INPUT_TABLES, POINTS
from lawnscore.register.folder import PhotoPlace
from lawnscore.register.problems import Problem
from lawnscore.scoring.ledger import FILE_NAME, FOLDER

_CONFLICT = re.compile(r"conflict|konflikt", re.IGNORECASE)
_COPY = re.compile(r"conflict|konflikt|\bcopy\b|\bkopie\b|\(\d+\)$", re.IGNORECASE)
"""What such names hold: common practice, no source; a number in brackets is a second download."""

_KEPT = {**{f"{name}.csv": True for name in INPUT_TABLES}, f"{POINTS.name}.csv": False,
         "round.toml": False}  # fmt: skip
"""Files kept by hand, and whether `lawnscore merge` takes the rows of a copy."""


def conflict_copies(folder: Path, photos: Iterable[PhotoPlace]) -> Iterator[Problem]:
    """Yield each file of a round that looks like the other side of a conflict; none is read.

    Parameters
    ----------
    folder
        The round.
    photos
        Its photos.
    """
    for path in sorted(folder.iterdir()):
        own = next((name for name in _KEPT if _is_copy(path, name)), None)
        if own is not None:
            take = f"Take its rows with `lawnscore merge {folder.name or '.'} '{path.name}'`"
            mend = take if _KEPT[own] else f"Compare it with {own}"
            what = f"looks like another copy of {own}, which is not read"
            yield Problem(path.name, None, "", what, f"{mend}, then move it out of the round.")
    for path in sorted((folder / FOLDER).glob("*")):
        if path.name.startswith(Path(FILE_NAME).stem) and _CONFLICT.search(path.stem):
            what = "another copy of the ledger, which is not read"
            mend = "Delete it: nothing is lost, at most some photos are scored anew."
            yield Problem(f"{FOLDER}/{path.name}", None, "", what, mend)
    for place in photos:
        if _CONFLICT.search(place.path.stem):
            mend = "Keep one of the two; both are scored."
            what = "looks like a copy that was left when two people changed one photo"
            yield Problem(place.relative, None, "", what, mend)


def _is_copy(path: Path, name: str) -> bool:
    """Return whether a file's name is a hand-kept file's with the mark of a copy.

    >>> _is_copy(Path("work (1).csv"), "work.csv"), _is_copy(Path("work.csv"), "work.csv")
    (True, False)
    >>> _is_copy(Path("workshop copy.csv"), "work.csv")
    False
    """
    stem, suffix = Path(name).stem, Path(name).suffix
    rest = path.stem[len(stem) :]
    return (
        path.suffix.casefold() == suffix
        and path.stem.casefold().startswith(stem)
        and bool(rest)
        and not rest[0].isalnum()
        and bool(_COPY.search(rest.replace("_", " ")))
    )
