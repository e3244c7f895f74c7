"""Write the reports of a round: only what changed, each file whole or not at all."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Literal

from lawnscore import __version__
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import cannot_write, write_whole
from lawnscore.contract.rows import Row
from lawnscore.points.record import FILE_NAME as POINTS_FILE
from lawnscore.register.customers import customers_of
from lawnscore.register.folder import elsewhere_of
from lawnscore.register.lock import locked
from lawnscore.register.register import nearest, read_register
from lawnscore.register.round_log import noted
from lawnscore.report.addressed import words_by_lawn
from lawnscore.report.calendar import visits_calendar
from lawnscore.report.glance import glance_page, glance_row
from lawnscore.report.language import Words, words_for
from lawnscore.report.lawn_files import (
    SEEN_FOLDER,
    LawnFiles,
    LawnTask,
    compared_pairs,
    content_hash,
    file_hash,
)
from lawnscore.report.letterhead import read_letterhead
from lawnscore.report.load import LawnRows, RoundRows, read_round
from lawnscore.report.pictures import PictureBook, picture_key
from lawnscore.report.sheet import sheet_page, sheet_rows
from lawnscore.scoring.processes import Lost, each_done
from lawnscore.scoring.tables import REPORTS

STATE = Path(".lawnscore") / "reports.json"
LAWNS_FOR_PROCESSES = 20
"""Lawns to write from which processes pay: one takes as long to start as four lawns to write."""

Pictures = Literal["all", "pairs", "none"]

Progress = Callable[[int, int, str], None]
"""Called with how many are done, how many there are, and the name of the last one."""


@dataclass(frozen=True)
class ReportSummary:
    """What was written.

    Parameters
    ----------
    index
        The round at a glance.
    lawns
        How many lawns were asked for.
    written
        Files written or changed, in order.
    opens
        The page to look at first: the index, or the report of the one lawn asked for.
    unchanged
        How many files were up to date.
    problems
        Pictures that could not be drawn, one line each.
    """

    index: Path
    opens: Path
    lawns: int
    written: tuple[Path, ...] = ()
    unchanged: int = 0
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Job:
    rounds: RoundRows
    files: LawnFiles
    state: dict[str, str] = field(default_factory=dict)

    @property
    def folder(self) -> Path:
        return self.files.folder

    @property
    def words(self) -> Words:
        return self.files.words


def write_reports(
    round_path: Path | str,
    *,
    lawns: Sequence[str] | None = None,
    pdf: bool = False,
    xlsx: bool = False,
    parquet: bool = False,
    pictures: Pictures = "all",
    progress: Progress | None = None,
    today: str | None = None,
) -> ReportSummary:
    """Write the reports of a scored round into its `reports/` folder.

    Parameters
    ----------
    round_path
        Folder of the round; it must have been scored.
    lawns
        Only these lawns' own pages; the pages of the round are brought up to date all the same.
    pdf
        Write the customers' reports and the attention sheet as PDF too.
    xlsx, parquet
        Write the tables as one workbook, or as Parquet files.
    pictures
        Which missing pictures are drawn first: ``all``, only the ``pairs`` of the customers'
        reports, or ``none``. Drawing takes about a second a photo, once.
    progress
        Called with how many pictures and lawns are done, how many there are, and the last one.
    today
        Date (YYYY-MM-DD) that flags and suggested visits are of; the machine's by default.

    Raises
    ------
    LawnscoreError
        When the round is missing or not scored, a lawn is unknown, a setting of the report is
        wrong, or a file cannot be written.
    """
    path = Path(round_path)
    rounds = read_round(path, today=today)  # says first when there is no round
    options = _Options(lawns, pdf, xlsx, parquet, pictures)
    try:
        with locked(path), noted(path, "report") as facts:
            summary = _write_all(rounds, options, progress)
            facts |= {
                "lawns": summary.lawns,
                "written": len(summary.written),
                "unchanged": summary.unchanged,
                "lost": len(summary.problems),
            }
            return summary
    except OSError as error:
        raise cannot_write(error.filename or path / REPORTS, error) from None


@dataclass(frozen=True)
class _Options:
    """What is to be written; as for :func:`write_reports`."""

    lawns: Sequence[str] | None
    pdf: bool
    xlsx: bool
    parquet: bool
    pictures: Pictures


def _write_all(rounds: RoundRows, options: _Options, progress: Progress | None) -> ReportSummary:
    path = rounds.path
    book = PictureBook(path, rounds.settings.scoring, elsewhere_of(path, rounds.settings))
    files = LawnFiles(
        path / REPORTS,
        words_for(rounds.settings.report),
        read_letterhead(rounds.settings.report, path),
        book,
        options.pdf,
        words_by_lawn(customers_of(read_register(path)), rounds.settings.report),
    )
    job = _Job(rounds, files, _read_state(path))
    chosen = _chosen(rounds, options.lawns)
    drawn = book.draw(_to_draw(chosen, options.pictures), progress=progress)
    steps = count(drawn.n + 1)

    def tick(name: str) -> None:
        if progress:
            progress(next(steps), drawn.n + len(chosen), name)

    made = dict(_write_lawns(chosen, job, tick))
    outputs = {name: made[name] for lawn in chosen for name in job.files.names(lawn)}
    outputs |= dict(_round_files(job, xlsx=options.xlsx, parquet=options.parquet))
    if options.lawns is None:
        _drop_stale(job, outputs)
    _write_state(path, job.state)
    written = tuple(job.folder / name for name, changed in outputs.items() if changed)
    index = job.folder / "index.html"
    one = options.lawns is not None and len(chosen) == 1
    opens = job.folder / "customers" / f"{chosen[0].stem}.html" if one else index
    return ReportSummary(
        index, opens, len(chosen), written, len(outputs) - len(written), drawn.lost
    )


def _to_draw(chosen: Sequence[LawnRows], pictures: Pictures) -> list[Row]:
    if pictures == "all":
        return [photo for lawn in chosen for photo in lawn.photos]
    if pictures == "none":
        return []
    zones = [pairs for lawn in chosen for pairs in compared_pairs(lawn).values()]
    return [photo for pairs in zones for pair in pairs for photo in pair if photo is not None]


def _chosen(rounds: RoundRows, lawns: Sequence[str] | None) -> list[LawnRows]:
    if lawns is None:
        return list(rounds.lawns)
    by_name = {lawn.lawn: lawn for lawn in rounds.lawns}
    for name in lawns:
        if name not in by_name:
            near = nearest(name, by_name) or "`lawnscore report` without --lawn writes them all."
            raise LawnscoreError(f"there is no lawn `{name}`", near, rounds.path)
    return [by_name[name] for name in dict.fromkeys(lawns)]


def _write_lawns(
    chosen: Sequence[LawnRows], job: _Job, tick: Callable[[str], None]
) -> Iterator[tuple[str, bool]]:
    """Write what is not up to date, in processes where that pays; yield each lawn's files."""
    files = job.files
    todo: list[LawnTask] = []
    digests = []
    for lawn in chosen:
        seen = files.seen(lawn)
        digest = files.digest(lawn, seen)
        fresh = [name for name in files.names(lawn) if _is_fresh(name, digest, job)]
        stale = tuple(name for name in files.names(lawn) if name not in fresh)
        yield from ((name, False) for name in fresh)
        if stale:
            todo.append(LawnTask(lawn, stale, seen))
            digests.append(digest)
        else:
            tick(lawn.name)
    workers = 0 if len(todo) < LAWNS_FOR_PROCESSES else None
    for index, result in each_done(files.write, todo, workers):
        # What ended a process may end the next; an error in this one is told.
        written = files.write(todo[index]) if isinstance(result, Lost) else result
        for file in written:
            job.state[file.name] = f"{digests[index]} {file.content}"
            yield file.name, file.changed
        tick(todo[index].lawn.name)


def _round_files(job: _Job, *, xlsx: bool, parquet: bool) -> Iterator[tuple[str, bool]]:
    words, rounds = job.words, job.rounds
    rows = sheet_rows(rounds, words)
    yield _put(job, "attention.html", sheet_page(rounds, rows, words).encode("utf-8"))
    if job.files.pdf:
        from lawnscore.report.sheet_paper import sheet_pdf

        yield _put(job, "attention.pdf", sheet_pdf(rounds, rows, words))
    yield _put(job, "visits.ics", visits_calendar(rounds, words))
    yield from _checked(job)
    if xlsx:
        from lawnscore.report.workbook import workbook

        name = "round.xlsx"
        digest = _tables_digest(rounds)
        if _is_fresh(name, digest, job):
            yield name, False
        else:
            data = workbook(rounds)
            write_whole(job.folder / name, data)
            job.state[name] = f"{digest} {content_hash(data)}"
            yield name, True
    if parquet:
        yield from _parquet(job)
    glance = [glance_row(lawn, words) for lawn in rounds.lawns]
    page = glance_page(rounds, glance, words, files=_links(job))
    yield _put(job, "index.html", page.encode("utf-8"))


def _checked(job: _Job) -> Iterator[tuple[str, bool]]:
    """Write the page of the points read by eye, where there are any."""
    check = None
    if (job.rounds.path / POINTS_FILE).exists():
        from lawnscore.points.check import check_points

        check = check_points(job.rounds.path)
    if check is None:  # points.csv was taken away: its page goes too
        (job.folder / "checked.html").unlink(missing_ok=True)
        return
    from lawnscore.report.checked_page import checked_page

    page = checked_page(check, job.rounds, job.words)
    yield _put(job, "checked.html", page.encode("utf-8"))


def _links(job: _Job) -> list[tuple[str, str]]:
    known = {
        "attention.html": "glance.sheet",
        "checked.html": "checked.link",
        "visits.ics": "glance.calendar",
        "round.xlsx": "glance.workbook",
    }
    return [(n, job.words.text(k)) for n, k in known.items() if (job.folder / n).exists()]


def _parquet(job: _Job) -> Iterator[tuple[str, bool]]:
    from lawnscore.contract.tables import OUTPUT_TABLES
    from lawnscore.scoring.tables import write_table

    for name in OUTPUT_TABLES:
        target = job.folder / f"{name}.parquet"
        before = target.read_bytes() if target.exists() else b""
        write_table(job.rounds.path, name, job.rounds.frames[name], parquet=True)
        yield target.name, target.read_bytes() != before


def _put(job: _Job, name: str, data: bytes) -> tuple[str, bool]:
    target = job.folder / name
    changed = not target.exists() or target.read_bytes() != data
    if changed:
        write_whole(target, data)
    job.state[name] = ""
    return name, changed


def _is_fresh(name: str, digest: str, job: _Job) -> bool:
    """Whether a file follows from the same as before, and is as it was written then."""
    known, _, content = job.state.get(name, "").partition(" ")
    return known == digest and bool(content) and file_hash(job.folder / name) == content


def _tables_digest(rounds: RoundRows) -> str:
    digest = hashlib.sha256(__version__.encode())
    for name in sorted(rounds.frames):
        digest.update(name.encode() + rounds.frames[name].to_csv(index=False).encode("utf-8"))
    return digest.hexdigest()


def _drop_stale(job: _Job, outputs: Mapping[str, bool]) -> None:
    """Remove pages of lawns that are gone: a customer's report must not outlive the customer."""
    stems = {lawn.stem for lawn in job.rounds.lawns}
    for name in [n for n in job.state if n not in outputs]:
        place = Path(name)
        if place.parent.name in ("customers", "lawns") and place.stem not in stems:
            (job.folder / name).unlink(missing_ok=True)
            del job.state[name]
    job.files.book.forget_all_but(photo for lawn in job.rounds.lawns for photo in lawn.photos)
    current = {picture_key(photo) for lawn in job.rounds.lawns for photo in lawn.photos}
    for path in (job.folder / SEEN_FOLDER).glob("*.jpg"):
        if path.stem not in current:
            path.unlink(missing_ok=True)


def _read_state(path: Path) -> dict[str, str]:
    try:
        state = json.loads((path / STATE).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    known = isinstance(state, dict)
    return {str(k): str(v) for k, v in state.items() if _is_ours(str(k))} if known else {}


def _is_ours(name: str) -> bool:
    place = Path(name)
    return not place.is_absolute() and ".." not in place.parts


def _write_state(path: Path, state: Mapping[str, str]) -> None:
    text = json.dumps(dict(sorted(state.items())), indent=0, ensure_ascii=False)
    write_whole(path / STATE, text.encode("utf-8", "surrogatepass"))
