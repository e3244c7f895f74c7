"""Remove a customer from a round: everywhere, said item by item; photos only when asked for.

A ledger that rounds share is one of the places, where it is named. What stays are counts without
names, in `.lawnscore/aggregates.json`.
"""

from __future__ import annotations

import json
import shutil
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import cannot_write, write_whole
from lawnscore.contract.rows import rows_of
from lawnscore.contract.tables import CUSTOMERS, OUTPUT_TABLES
from lawnscore.register.add import COMPLAINT_PHOTOS
from lawnscore.register.customers import customers_of
from lawnscore.register.folder import PhotoPlace, open_round, photo_folders
from lawnscore.register.lock import FOLDER, locked
from lawnscore.register.register import nearest, read_register
from lawnscore.register.remove import folded, without_customer, without_lawn
from lawnscore.register.round_log import note
from lawnscore.report.load import file_stems
from lawnscore.report.outbox import outbox_files
from lawnscore.report.pictures import PICTURES, picture_key
from lawnscore.scoring.batch import FAULTS
from lawnscore.scoring.datapackage import write_datapackage
from lawnscore.scoring.ledger import FILE_NAME, Ledger
from lawnscore.scoring.shared_ledger import ROUND_ID, SharedLedger
from lawnscore.scoring.tables import REPORTS, read_table, table_path, write_table
from lawnscore.scoring.unchanged import STATE

AGGREGATES = Path(FOLDER) / "aggregates.json"
_PAGES_OF_ALL = ("index.html", "attention.html", "attention.pdf", "visits.ics", "round.xlsx")


@dataclass(frozen=True)
class Forgotten:
    """What was removed, and what of the lawn is left.

    Attributes
    ----------
    removed
        As (what, how many).
    photos_left
        Photos left where they are.
    held_elsewhere
        Scores that another round holds in the shared ledger, and so stay there.
    ledger_unnamed
        Whether a shared ledger has this round's scores and was not named.
    """

    lawn: str
    removed: tuple[tuple[str, int], ...]
    photos_left: int
    held_elsewhere: int = 0
    ledger_unnamed: bool = False


@dataclass(eq=False)
class _Work:
    """One forgetting: the round, the lawn, its photos, and what was removed so far."""

    root: Path
    lawn: str
    photos: list[PhotoPlace]
    hashes: set[str]
    tables: dict[str, pd.DataFrame]
    removed: Counter[str] = field(default_factory=Counter)


def forget_lawn(
    round_path: Path | str, lawn: str, *, photos: bool = False, ledger: str | None = None
) -> Forgotten:
    """Remove a lawn from every file of a round.

    Taken out are its rows in hand-kept files and the copies kept of them, its rows in every table,
    its pages and pictures, its scores, what filing wrote down of it, and what faults said of it.
    Pages and workbooks that speak of all lawns are removed: `lawnscore report` writes them anew.

    Parameters
    ----------
    round_path
        Folder of the round.
    lawn
        The lawn, as in lawns.csv.
    photos
        Delete its photos too. This cannot be undone.
    ledger
        Address of the PostgreSQL database that keeps scores of this round as well.

    Raises
    ------
    LawnscoreError
        When the lawn is unknown, a hand-kept file cannot be read, the database cannot be reached
        (of each, nothing is removed), or something cannot be removed;
        what was removed until then stays removed, and the command can be given again.
    """
    root = Path(round_path)
    unnamed = ledger is None and (root / FOLDER / ROUND_ID).exists()
    with locked(root):
        try:
            work = _of_lawn(root, lawn)
            # First of all, so that one that cannot be reached leaves the round as it is.
            n_held = 0 if ledger is None else _shared_scores(work, ledger)
            _keep_aggregates(work)
            for step in (
                _pages, _pictures, _tables, _scores, _filing, _faults, _customers, _register,
            ):  # fmt: skip
                step(work)
            if photos:
                _delete_photos(work)
                _complaint_photos(work)
        except OSError as error:
            raise cannot_write(error.filename or root, error) from None
    left = 0 if photos else len(work.photos)
    note(root, "forget", photos_removed=len(work.photos) - left)
    removed = tuple(sorted(work.removed.items()))
    return Forgotten(work.lawn, removed, left, n_held, unnamed)


def _of_lawn(root: Path, lawn: str) -> _Work:
    opened = open_round(root)
    if opened.absent:
        raise LawnscoreError(
            "the folder of older photos is not there, so the customer cannot be forgotten whole",
            "Connect its disk, or empty `photos.elsewhere` in round.toml.",
            opened.elsewhere,
        )
    register = read_register(root)
    tables = {n: read_table(root, n) for n in OUTPUT_TABLES if table_path(root, n).exists()}
    known = {str(name) for frame in (register.lawns, *tables.values()) for name in frame["lawn"]}
    known |= {place.lawn for place in opened.photos}
    found = [name for name in known if folded(name) == folded(lawn)]
    if not found:
        mend = nearest(lawn, known) or "`lawnscore check` names the lawns of a round."
        raise LawnscoreError(f"there is no lawn `{lawn}`", mend, root)
    for path in _hand_kept(root):
        without_lawn(path.read_bytes(), lawn, where=path)  # says first what cannot be read
    photos = [place for place in opened.photos if folded(place.lawn) == folded(lawn)]
    hashes = _own_hashes(root, tables.get("photo_scores"), lawn)
    return _Work(root, found[0], photos, hashes, tables)


def _own_hashes(root: Path, scores: pd.DataFrame | None, lawn: str) -> set[str]:
    """Return the contents of the lawn's photos that are no other lawn's too.

    The ledger knows them as well, for a round whose tables were deleted.
    """
    own: set[str] = set()
    others: set[str] = set()
    if scores is not None:
        mine = scores["lawn"].map(folded) == folded(lawn)
        own |= set(scores["sha256"][mine].dropna())
        others |= set(scores["sha256"][~mine].dropna())
    if (root / FOLDER / FILE_NAME).exists():
        with Ledger(root) as ledger:
            for photo, sha256 in ledger.files().items():
                parts = Path(photo).parts
                mine_too = len(parts) > 1 and folded(parts[1]) == folded(lawn)
                (own if mine_too else others).add(sha256)
    return own - others


def _hand_kept(root: Path) -> list[Path]:
    backups = sorted((root / FOLDER / "backups").glob("*.csv"))
    return [*sorted(root.glob("*.csv")), *backups, *sorted((root / REPORTS).glob("sent.csv"))]


def _customers(work: _Work) -> None:
    """Take out the customer, where this is their last lawn, and the drafts of messages to them."""
    for customer in customers_of(read_register(work.root)):
        if folded(work.lawn) not in map(folded, customer.lawns):
            continue
        for path in outbox_files(work.root, customer.customer):
            _remove(work, path, "drafts of messages")
        if {folded(lawn) for lawn in customer.lawns} != {folded(work.lawn)}:
            continue  # another lawn is theirs too
        for path in _hand_kept(work.root):
            if path.stem.partition("-")[0] != CUSTOMERS.name:
                continue
            data, n = without_customer(path.read_bytes(), customer.customer, where=path)
            if n:
                write_whole(path, data)
                kept = "backups of " if path.parent.name == "backups" else ""
                work.removed[f"rows of {kept}customers"] += n


def _register(work: _Work) -> None:
    for path in _hand_kept(work.root):
        data, n = without_lawn(path.read_bytes(), work.lawn, where=path)
        if n:
            write_whole(path, data)
            kept = "backups of " if path.parent.name == "backups" else ""
            work.removed[f"rows of {kept}{path.name.partition('-')[0].removesuffix('.csv')}"] += n


def _keep_aggregates(work: _Work) -> None:
    """Add what the lawn's rows say in sum to the round's counts without names."""
    path = work.root / AGGREGATES
    try:
        sums = Counter(json.loads(path.read_text(encoding="ascii")))
    except (OSError, ValueError, TypeError, RecursionError):
        sums = Counter()
    own = {name: _own(frame, work.lawn) for name, frame in work.tables.items()}
    sums["lawns"] += 1
    sums["photos"] += len(own.get("photo_scores", ()))
    sums["visits"] += len(own.get("visit_scores", ()))
    sums["renovations"] += len(own.get("recovery", ()))
    if "recovery" in own:
        sums["recovered"] += int((own["recovery"]["state"] == "recovered").sum())
    write_whole(path, (json.dumps(dict(sorted(sums.items())), indent=1) + "\n").encode("ascii"))


def _own(frame: pd.DataFrame, lawn: str) -> pd.DataFrame:
    return frame[frame["lawn"].map(folded) == folded(lawn)]


def _tables(work: _Work) -> None:
    for name, frame in work.tables.items():
        others = frame[frame["lawn"].map(folded) != folded(work.lawn)]
        if len(others) < len(frame):
            work.removed[f"rows of {name}"] += len(frame) - len(others)
            write_table(work.root, name, others)
        _remove(work, table_path(work.root, name, suffix=".parquet"), "Parquet files of all lawns")
    _remove(work, work.root / STATE, "notes on the last run")
    if work.tables:
        write_datapackage(work.root)


def _pages(work: _Work) -> None:
    names = {str(lawn) for frame in work.tables.values() for lawn in frame["lawn"]}
    names |= set(read_register(work.root).lawns["lawn"])
    names |= set(read_register(work.root).work["lawn"])
    stems = file_stems(sorted(names))
    own = {stem for name, stem in stems.items() if folded(name) == folded(work.lawn)}
    reports = work.root / REPORTS
    for folder in ("customers", "lawns"):
        for path in sorted((reports / folder).glob("*")):
            if path.stem in own:
                _remove(work, path, "pages")
    # written one by one, maybe when no other lawn was spelt alike; a complaint's is STEM--DATE
    own |= {file_stems([name])[name] for name in names if folded(name) == folded(work.lawn)}
    for folder in ("surveys", "complaints"):
        for path in sorted((reports / folder).glob("*")):
            if path.stem in own or path.stem.rpartition("--")[0] in own:
                _remove(work, path, "pages")
    for name in _PAGES_OF_ALL:
        _remove(work, reports / name, "pages of all lawns")
    for place in work.photos:
        seen = reports / "seen" / Path(place.relative).parts[0] / place.path.parts[-4]
        if seen.is_dir():
            work.removed["pictures"] += sum(p.is_file() for p in seen.rglob("*"))
            shutil.rmtree(seen)
    state = work.root / FOLDER / "reports.json"
    if state.exists():  # names its pages; without it they are all written anew
        state.unlink()


def _pictures(work: _Work) -> None:
    scores = work.tables.get("photo_scores")
    keys = [] if scores is None else [picture_key(row) for row in rows_of(_own(scores, work.lawn))]
    for folder in (work.root / PICTURES, work.root / REPORTS / "lawns" / "pictures"):
        for key in keys:
            for path in folder.glob(f"{key}*"):
                _remove(work, path, "pictures")


def _shared_scores(work: _Work, address: str) -> int:
    """Take the lawn's scores out of a shared ledger; return how many another round holds."""
    with closing(SharedLedger(address, work.root)) as shared:
        n = shared.release(work.hashes)
        held = shared.held(work.hashes)
    if n:
        work.removed["rows of the shared ledger"] += n
    return held


def _scores(work: _Work) -> None:
    if (work.root / FOLDER / FILE_NAME).exists():
        with Ledger(work.root) as ledger:
            places = {place.relative for place in work.photos}
            n = ledger.forget_scores(work.hashes) + ledger.forget_files(places)
        if n:
            work.removed["rows of the ledger"] += n
    for path in (work.root / FOLDER).glob("ledger-damaged-*"):
        _remove(work, path, "damaged ledgers")


def _filing(work: _Work) -> None:
    """Take out what filing saw and did: entries of its journals, and slips it has seen."""
    for path in sorted((work.root / FOLDER / "filing").glob("*.jsonl*")):
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
        kept = [line for line in lines if not _speaks_of(work, line)]
        if len(kept) < len(lines):
            work.removed["entries of filing"] += len(lines) - len(kept)
            write_whole(path, "".join(f"{line}\n" for line in kept).encode("utf-8"))
    _remove(work, work.root / FOLDER / "slips_seen.json", "lists of slips seen")


def _speaks_of(work: _Work, line: str) -> bool:
    try:
        entry: dict[str, Any] = json.loads(line)
        place = Path(entry.get("target") or entry.get("folder") or "")
    except (ValueError, TypeError, AttributeError, RecursionError):
        return True  # cut off in its middle: it helps nobody
    return len(place.parts) > 1 and folded(place.parts[1]) == folded(work.lawn)


def _faults(work: _Work) -> None:
    _remove(work, work.root / FOLDER / FAULTS, "reports of faults")


def _complaint_photos(work: _Work) -> None:
    """Remove the photos that came with the lawn's complaints."""
    kept = work.root / COMPLAINT_PHOTOS
    for folder in sorted(kept.iterdir()) if kept.is_dir() else ():
        if folder.is_dir() and not folder.is_symlink() and folded(folder.name) == folded(work.lawn):
            n = sum(path.is_file() for path in folder.rglob("*"))
            work.removed["photos of complaints"] += n
            shutil.rmtree(folder)


def _delete_photos(work: _Work) -> None:
    folders = [
        path
        for photos in photo_folders(work.root)
        for path in (photos.iterdir() if photos.is_dir() else ())
        if path.is_dir() and not path.is_symlink() and folded(path.name) == folded(work.lawn)
    ]
    for folder in folders:
        work.removed["photos"] += sum(path.is_file() for path in folder.rglob("*"))
        shutil.rmtree(folder)


def _remove(work: _Work, path: Path, what: str) -> None:
    try:
        path.unlink()
    except FileNotFoundError:
        return
    work.removed[what] += 1
