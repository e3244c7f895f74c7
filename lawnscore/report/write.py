"""Write the reports of a round: only what changed, each file whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

from lawnscore import __version__
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import cannot_write, make_folder, write_whole
from lawnscore.register.customers import customers_of
from lawnscore.register.folder import elsewhere_of
from lawnscore.register.lock import locked
from lawnscore.register.register import nearest, read_register
from lawnscore.register.round_log import noted
from lawnscore.report.addressed import words_by_lawn
from lawnscore.report.calendar import visits_calendar
from lawnscore.report.customer import customer_page, customer_story
from lawnscore.report.glance import glance_page, glance_row
from lawnscore.report.language import Words, words_for
from lawnscore.report.lawn_page import lawn_page
from lawnscore.report.letterhead import Letterhead, read_letterhead
from lawnscore.report.load import LawnRows, RoundRows, Row, read_round
from lawnscore.report.pages import templates_digest
from lawnscore.report.pictures import (
    PAIR_MOST_BYTES,
    PAIR_SHARE_BYTES,
    Pair,
    PictureBook,
    candidate_pairs,
    picture_key,
)
from lawnscore.report.sheet import sheet_page, sheet_rows
from lawnscore.report.told import told_change
from lawnscore.scoring.tables import REPORTS

STATE = Path(".lawnscore") / "reports.json"
SEEN_FOLDER = Path("lawns") / "pictures"

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
    words: Words
    letterhead: Letterhead
    book: PictureBook
    pdf: bool
    theirs: dict[str, Words]  # of each lawn's customer
    state: dict[str, str] = field(default_factory=dict)

    @property
    def folder(self) -> Path:
        return self.rounds.path / REPORTS


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
    job = _Job(
        rounds,
        words_for(rounds.settings.report),
        read_letterhead(rounds.settings.report, path),
        PictureBook(path, rounds.settings.scoring, elsewhere_of(path, rounds.settings)),
        options.pdf,
        words_by_lawn(customers_of(read_register(path)), rounds.settings.report),
        _read_state(path),
    )
    chosen = _chosen(rounds, options.lawns)
    drawn = job.book.draw(_to_draw(chosen, job, options.pictures), progress=progress)
    outputs: dict[str, bool] = {}
    steps, done = drawn.n + len(chosen), drawn.n
    for lawn in chosen:
        outputs |= dict(_lawn_files(lawn, job))
        done += 1
        if progress:
            progress(done, steps, lawn.name)
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


def _to_draw(chosen: Sequence[LawnRows], job: _Job, pictures: Pictures) -> list[Row]:
    if pictures == "all":
        return [photo for lawn in chosen for photo in lawn.photos]
    if pictures == "none":
        return []
    zones = [pairs for lawn in chosen for pairs in _candidates(lawn).values()]
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


def _lawn_files(lawn: LawnRows, job: _Job) -> Iterator[tuple[str, bool]]:
    names = [f"customers/{lawn.stem}.html", f"lawns/{lawn.stem}.html"]
    names += [f"customers/{lawn.stem}.pdf"] if job.pdf else []
    seen = {p["photo"]: path for p in lawn.photos if (path := job.book.seen(p)) is not None}
    digest = _digest(lawn, job, sorted(seen))
    fresh = [name for name in names if _is_fresh(name, digest, job)]
    yield from ((name, False) for name in fresh)
    if len(fresh) == len(names):
        return
    theirs = job.theirs.get(lawn.lawn, job.words)
    story = customer_story(lawn, theirs, pairs=_pairs(lawn, job))
    for name in names:
        if name in fresh:
            continue
        if name.endswith(".pdf"):
            from lawnscore.report.customer_paper import customer_pdf

            data = customer_pdf(story, theirs, job.letterhead)
        elif name.startswith("customers/"):
            data = customer_page(story, theirs, job.letterhead).encode("utf-8")
        else:
            links = _link_pictures(lawn, seen, job)
            data = lawn_page(lawn, job.words, pictures=links).encode("utf-8")
        write_whole(job.folder / name, data)
        job.state[name] = digest
        yield name, True


def _candidates(lawn: LawnRows) -> dict[str, list[tuple[Row | None, Row]]]:
    """Return the photos of the two occasions that each zone's text tells of."""
    return {
        zone: candidate_pairs(lawn, zone, told_change(lawn, zone, "green_cover_pct"))
        for zone in lawn.zones
    }


def _pairs(lawn: LawnRows, job: _Job) -> dict[str, Pair]:
    chosen = {zone: pairs for zone, pairs in _candidates(lawn).items() if pairs}
    budget = min(PAIR_MOST_BYTES, PAIR_SHARE_BYTES // max(1, 2 * len(chosen)))
    best = {}
    for zone, pairs in chosen.items():
        alone = [(None, after) for _, after in pairs[:1]]
        shown = (job.book.best_pair(tried, budget_bytes=budget) for tried in (pairs, alone))
        if (pair := next((found for found in shown if found is not None), None)) is not None:
            best[zone] = pair
    return best


def _link_pictures(lawn: LawnRows, seen: Mapping[str, Path], job: _Job) -> dict[str, str]:
    folder = job.folder / SEEN_FOLDER
    make_folder(folder)
    keys = {photo["photo"]: picture_key(photo) for photo in lawn.photos}
    links = {}
    for photo, source in seen.items():
        target = folder / f"{keys[photo]}.jpg"
        if not target.exists():
            try:
                os.link(source, target)
            except OSError:  # no hard links here, or another disk
                write_whole(target, source.read_bytes())
        links[photo] = f"pictures/{quote(target.name)}"
    return links


def _round_files(job: _Job, *, xlsx: bool, parquet: bool) -> Iterator[tuple[str, bool]]:
    words, rounds = job.words, job.rounds
    rows = sheet_rows(rounds, words)
    yield _put(job, "attention.html", sheet_page(rounds, rows, words).encode("utf-8"))
    if job.pdf:
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
            write_whole(job.folder / name, workbook(rounds))
            job.state[name] = digest
            yield name, True
    if parquet:
        yield from _parquet(job)
    glance = [glance_row(lawn, words) for lawn in rounds.lawns]
    page = glance_page(rounds, glance, words, files=_links(job))
    yield _put(job, "index.html", page.encode("utf-8"))


def _checked(job: _Job) -> Iterator[tuple[str, bool]]:
    """Write the page of the points read by eye, where there are any."""
    from lawnscore.points.check import check_points
    from lawnscore.report.checked_page import checked_page

    check = check_points(job.rounds.path)
    if check is None:  # points.csv was taken away: its page goes too
        (job.folder / "checked.html").unlink(missing_ok=True)
        return
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
    return job.state.get(name) == digest and (job.folder / name).exists()


def _digest(lawn: LawnRows, job: _Job, seen: Sequence[str]) -> str:
    parts: list[Any] = [
        __version__,
        templates_digest(),
        asdict(job.words),
        asdict(job.theirs.get(lawn.lawn, job.words)),
        job.letterhead.business,
        job.letterhead.contact,
        hashlib.sha256(job.letterhead.logo_png).hexdigest(),
        {name: getattr(lawn, name) for name in lawn.__dataclass_fields__},
        list(seen),
    ]
    text = json.dumps(parts, default=str, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


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
    job.book.forget_all_but(photo for lawn in job.rounds.lawns for photo in lawn.photos)
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
