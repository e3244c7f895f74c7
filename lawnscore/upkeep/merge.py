"""Bring two copies of a round together: what the other has and this one lacks is added to it.

Nothing is changed or removed on either side. Photos are known by their content, rows by what they
say; where both say something else of one thing, this round's is kept and the difference is named.
There is no common past to tell a row that was deleted here from one that was written there: it
comes back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row
from lawnscore.contract.tables import INPUT_TABLES, SENT, WORK, Table
from lawnscore.filing.copying import file_photos
from lawnscore.filing.places import round_hashes
from lawnscore.filing.plan import FilingItem, FilingPlan
from lawnscore.filing.shots import sha256_of
from lawnscore.points.record import FILE_NAME as POINTS_FILE
from lawnscore.points.record import keep_file
from lawnscore.register.add import SAME_WORK, add_rows
from lawnscore.register.folder import PhotoPlace, Round, open_round
from lawnscore.register.lock import locked
from lawnscore.register.register import TableRead, read_table_file
from lawnscore.register.round_log import noted
from lawnscore.report.outbox import SENT_FILE, note_sent
from lawnscore.scoring.ledger import FILE_NAME as LEDGER
from lawnscore.scoring.ledger import FOLDER, Ledger

_TOML = "round.toml"


@dataclass(frozen=True)
class Merged:
    """What one copy of a round took from another.

    Parameters
    ----------
    photos
        Photos that were copied, by their path here.
    rows
        How many rows each hand-kept file took.
    scores
        How many scores the ledger took, which need not be made again.
    differs
        One line for each thing that a person should look at; nothing of it was taken.
    """

    photos: tuple[str, ...] = ()
    rows: dict[str, int] = field(default_factory=dict)
    scores: int = 0
    differs: tuple[str, ...] = ()


def merge_rounds(round_path: Path | str, other: Path | str, *, plan: bool = False) -> Merged:
    """Take from another copy of a round what this one lacks.

    Photos are copied and compared as in filing, and can be taken back with
    :func:`~lawnscore.filing.journal.undo_filing`; a photo of another content under the same name
    is copied beside it. A copy of each hand-kept file as it was is kept in `.lawnscore/backups`.

    Parameters
    ----------
    round_path
        The round that takes.
    other
        The other copy; or one hand-kept file of it, such as one left beside it by a program that
        synchronises folders.
    plan
        Only say what would be taken.

    Raises
    ------
    LawnscoreError
        When one of them is no round, both are the same, or a file cannot be read or written.
    """
    root, other = Path(round_path), Path(other)
    if other.is_file():
        rows, differs = _rows_of_file(root, other, plan)
        return Merged((), rows, 0, tuple(differs))
    mine, theirs = open_round(root), open_round(other)
    if root.resolve() == other.resolve():
        raise LawnscoreError("both are the same round", "Name the other copy.", other)
    rows, differs = _all_rows(root, other, plan)
    if (root / _TOML).read_bytes() != (other / _TOML).read_bytes():
        differs.append(f"{_TOML}: the two differ; this round's is kept.")
    items, named = _photo_items(root, mine, theirs.photos)
    if not plan and items:
        file_photos(FilingPlan(root, other, tuple(items)))
    scores = 0
    points: dict[str, int] = {}
    lines: list[str] = []
    if not plan:
        scores = _scores(root, other)
        points, lines = _points(root, other)
    photos = tuple(item.target for item in items)
    return Merged(photos, rows | points, scores, (*differs, *named, *lines))


def _all_rows(root: Path, other: Path, plan: bool) -> tuple[dict[str, int], list[str]]:
    taken: dict[str, int] = {}
    differs: list[str] = []
    for table in INPUT_TABLES.values():
        path = other / f"{table.name}.csv"
        if path.exists():
            n, lines = _take(root, table, path, plan)
            taken |= {f"{table.name}.csv": n} if n else {}
            differs += lines
    if (other / SENT_FILE).exists():
        rows = _missing_rows(_read(root / SENT_FILE, SENT), _read(other / SENT_FILE, SENT))
        if rows and not plan:
            with locked(root):
                note_sent(root, rows)
        taken |= {SENT_FILE.as_posix(): len(rows)} if rows else {}
    return taken, differs


def _points(root: Path, other: Path) -> tuple[dict[str, int], list[str]]:
    """Take points that were read of photos of this round, once those are there."""
    if not (other / POINTS_FILE).exists():
        return {}, []
    try:
        kept = keep_file(root, other / POINTS_FILE)
    except LawnscoreError as error:
        mend = f"After `lawnscore score`, give `lawnscore points read` {other / POINTS_FILE}."
        return {}, [f"{POINTS_FILE}: {error.what.rstrip('.')}. {mend}"]
    return ({POINTS_FILE: kept.n_new} if kept.n_new else {}), list(kept.problems)


def _rows_of_file(root: Path, file: Path, plan: bool) -> tuple[dict[str, int], list[str]]:
    open_round(root)  # says when this is no round
    table = next((t for n, t in INPUT_TABLES.items() if file.stem.casefold().startswith(n)), None)
    if table is None or file.suffix.casefold() != ".csv":
        names = ", ".join(f"{name}.csv" for name in INPUT_TABLES)
        raise LawnscoreError("its name says no hand-kept file", f"Use a copy of {names}.", file)
    n, differs = _take(root, table, file, plan)
    return ({f"{table.name}.csv": n} if n else {}), differs


def _take(root: Path, table: Table, path: Path, plan: bool) -> tuple[int, list[str]]:
    mine, theirs = _read(root / f"{table.name}.csv", table), _read(path, table)
    differs = [f"{path}: {problem.line()} Nothing of it was taken." for problem in theirs.problems]
    if mine.problems:
        first = mine.problems[0]
        raise LawnscoreError(first.what, first.mend, f"{first.file}, row {first.row}")
    known = {_identity(table, row): row for row in mine.rows}
    rows = []
    for row in _missing_rows(mine, theirs):
        same = known.get(_identity(table, row))
        if same is None:
            rows.append(row)
        else:
            differs.append(_difference(table, same, row))
    if rows and not plan:
        add_rows(root, table, rows)
    return len(rows), differs


def _read(path: Path, table: Table) -> TableRead:
    return read_table_file(path, table) if path.exists() else TableRead()


def _missing_rows(mine: TableRead, theirs: TableRead) -> list[Row]:
    """Return rows that the other has more often; work done twice stands there twice."""
    have = Counter(map(_said, mine.rows))
    missing = []
    for row in theirs.rows:
        have[_said(row)] -= 1
        if have[_said(row)] < 0:
            missing.append(row)
    return missing


def _said(row: Row) -> tuple[str, ...]:
    return tuple("" if value is None else str(value) for value in row.values())


def _identity(table: Table, row: Row) -> tuple[str, ...]:
    names = SAME_WORK if table is WORK else table.key
    return tuple(str(row[name] or "").casefold() for name in names)


def _difference(table: Table, mine: Row, theirs: Row) -> str:
    what = ", ".join(part for part in _identity(table, mine) if part)
    said = [
        f"{name} {_word(mine[name])} here, {_word(theirs[name])} there"
        for name in table.column_names
        if mine[name] != theirs[name]
    ]
    told = "; ".join(said) or "it stands there once more"
    return f"{table.name}.csv: {what}: {told}. This round's is kept."


def _word(value: object) -> str:
    if value is None:
        return "empty"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _photo_items(
    root: Path, mine: Round, theirs: list[PhotoPlace]
) -> tuple[list[FilingItem], list[str]]:
    sound = [place for place in theirs if not place.trouble]
    here = round_hashes(root, {place.path.stat().st_size for place in sound})
    taken = {place.relative.casefold() for place in mine.photos}
    if mine.absent:  # what lies on a disk that is not there is not copied once more
        with Ledger(root) as ledger:
            here |= {sha256: relative for relative, sha256 in ledger.files().items()}
    items, named = [], []
    for place in sound:
        sha256 = sha256_of(place.path)
        if sha256 in here:
            continue
        here[sha256] = place.relative
        target = next(name for name in _names(place.relative) if name.casefold() not in taken)
        if target != place.relative:
            named.append(f"{place.relative}: another photo of this name; taken as {target}.")
        taken.add(target.casefold())
        items.append(FilingItem(place.path, place.relative, "file", target=target, sha256=sha256))
    return items, named


def _names(relative: str) -> Iterator[str]:
    path = Path(relative)
    yield relative
    for number in range(2, 10_000):
        yield path.with_name(f"{path.stem}-{number}{path.suffix}").as_posix()


def _scores(root: Path, other: Path) -> int:
    source = other / FOLDER / LEDGER
    if not source.is_file():
        return 0
    with locked(root), noted(root, "merge") as facts, Ledger(root) as ledger:
        n = ledger.take_from(source)
        facts["scores"] = n
        return n
