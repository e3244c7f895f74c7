"""Whether a round is as it was when its tables were written: then they need not be made again.

What the tables follow from (scores, places, hand-kept files, settings, date, code) is kept as one
hash, with the hash of each table. When all agree, what the last run found is said again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from functools import cache
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_whole
from lawnscore.register.lock import FOLDER
from lawnscore.scoring.summary import Attention, RefusedPhoto, ScoreSummary

STATE = Path(FOLDER) / "tables.json"
_ROOMS = ("contract", "card", "history", "register", "scoring", "points")


def inputs_digest(round_path: Path, parts: Iterable[str], **options: object) -> str:
    """Return a hash of all that the tables of a round follow from.

    Parameters
    ----------
    round_path
        Folder of the round; its settings and hand-kept files count.
    parts
        One text a photo: where it lies and the checksum of its score.
    options
        Anything else, such as the date and the method.
    """
    digest = hashlib.sha256(_code_digest().encode())
    for path in sorted([round_path / "round.toml", *round_path.glob("*.csv")]):
        with contextlib.suppress(OSError):
            digest.update(path.name.encode("utf-8", "surrogateescape") + b"\0")
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    digest.update(json.dumps(options, sort_keys=True, default=str).encode())
    for part in parts:
        digest.update(part.encode("utf-8", "surrogatepass") + b"\n")
    return digest.hexdigest()


@cache
def _code_digest() -> str:
    digest = hashlib.sha256()
    for room in _ROOMS:
        for file in sorted((Path(__file__).parents[1] / room).glob("*.py")):
            digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


def last_summary(round_path: Path, inputs: str) -> ScoreSummary | None:
    """Return what the last run found, when inputs and tables are the same as then."""
    try:
        state = json.loads((round_path / STATE).read_text(encoding="utf-8"))
        if state["inputs"] != inputs:
            return None
        tables = {name: round_path / relative for name, relative in state["tables"].items()}
        if any(_sha256(round_path / name) != kept for name, kept in state["outputs"].items()):
            return None
        return ScoreSummary(
            path=round_path,
            n_photos=int(state["n_photos"]),
            n_scored=int(state["n_scored"]),
            n_new=0,
            refused=tuple(RefusedPhoto(**one) for one in state["refused"]),
            problems=tuple(map(str, state["problems"])),
            attention=tuple(Attention(**one) for one in state["attention"]),
            tables=tables,
            checked_points=int(state["checked_points"]),
            checked_casts=int(state["checked_casts"]),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def keep_summary(summary: ScoreSummary, inputs: str, outputs: Iterable[Path]) -> None:
    """Keep what a run found and wrote. That it cannot be kept costs time at the next run only."""
    root = summary.path
    state: Mapping[str, object] = {
        "inputs": inputs,
        "outputs": {_inside(root, path): _sha256(path) for path in outputs},
        "tables": {name: _inside(root, path) for name, path in summary.tables.items()},
        "n_photos": summary.n_photos,
        "n_scored": summary.n_scored,
        "checked_points": summary.checked_points,
        "checked_casts": summary.checked_casts,
        "refused": [asdict(one) for one in summary.refused],
        "problems": list(summary.problems),
        "attention": [asdict(one) for one in summary.attention],
    }
    with contextlib.suppress(LawnscoreError):
        write_whole(root / STATE, json.dumps(state).encode("utf-8"))


def _inside(root: Path, path: Path) -> str:
    return path.relative_to(root).as_posix()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
