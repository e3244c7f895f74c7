"""Score a round: every new or changed photo, then the tables."""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date as calendar_date
from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore import __version__
from lawnscore.contract.files import append_own
from lawnscore.contract.rows import Row
from lawnscore.contract.tables import ATTENTION, CHANGES, PHOTO_SCORES, RECOVERY, VISIT_SCORES
from lawnscore.photo.method import method_version
from lawnscore.register.folder import PhotoPlace, Round, open_round, photo_order
from lawnscore.register.lock import FOLDER, locked
from lawnscore.register.round_log import noted
from lawnscore.scoring.address import is_address
from lawnscore.scoring.away import Away
from lawnscore.scoring.card_watch import card_warnings
from lawnscore.scoring.cluster import Cluster
from lawnscore.scoring.each_photo import Job, Scored, Scorer, each_scored
from lawnscore.scoring.ledger import Ledger, Method
from lawnscore.scoring.method import load_card, method_of
from lawnscore.scoring.photo_source import LocalPhoto
from lawnscore.scoring.processes import Processes
from lawnscore.scoring.registered import registered_only
from lawnscore.scoring.remote import RemoteRound, mirrored
from lawnscore.scoring.runner import Runner
from lawnscore.scoring.shared_ledger import SharedLedger
from lawnscore.scoring.summary import Attention, RefusedPhoto, ScoreSummary
from lawnscore.scoring.unchanged import inputs_digest, keep_summary, last_summary

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.register.register import Register

__all__ = ["ScoreSummary", "score_round"]

Progress = Callable[[int, int, str], None]
"""Called with photos looked at, photos to look at, and the path of the last."""

Corrector = Callable[[Round, "pd.DataFrame"], "pd.DataFrame"]
"""Called with a round and its table of photos; returns the table with what was corrected."""

FAULTS = "faults.txt"
"""File in .lawnscore/ that keeps the tracebacks of photos the program failed on."""


def score_round(
    path: Path | str,
    *,
    progress: Progress | None = None,
    scorer: Scorer | None = None,
    workers: int | None = 0,
    parquet: bool = False,
    today: str | None = None,
    add: bool = False,
    corrector: Corrector | None = None,
    cluster: str | None = None,
    ledger: str | None = None,
) -> ScoreSummary:
    """Score every new or changed photo of a round and write its tables.

    A photo is known by its content: one that was scored with this program version, settings
    and card is not opened again, wherever it was moved. Every score is kept as soon as it is
    made, so an interrupted run goes on where it stopped.

    Parameters
    ----------
    path
        Folder of the round, or its address (text) in a store that fsspec knows.
    progress
        Called after each photo that was looked at.
    scorer
        Scores one photo; by default :func:`lawnscore.photo.score.score_photo`.
    workers
        Processes to score with; 0 scores in this process, where a photo that makes a library
        crash ends the run; ``None`` takes as many as there are cores and memory. Other processes
        need the usual guard ``if __name__ == "__main__"`` in a script that calls this.
    parquet
        Write the tables as Parquet too.
    today
        Date for what is due, YYYY-MM-DD; today by default.
    add
        Take on lawns and zones that lawns.csv does not name; else their photos are left alone.
    corrector
        Called with the round and the table of photos; returns the table that is written.
    cluster
        Address of a Dask scheduler whose workers score the photos, in place of ``workers``.
    ledger
        Address of a PostgreSQL database that keeps the scores of many rounds.

    Returns
    -------
    ScoreSummary
        Every photo of the round has one row in `photo_scores`, scored or refused.

    Raises
    ------
    LawnscoreError
        When there is no round, its settings or card cannot be read, nothing can be written,
        or another run is scoring it.
    """
    runner = Processes(workers) if cluster is None else Cluster(cluster)
    wanted = _Wanted(runner, progress or _silent, scorer, parquet, today, add, corrector, ledger)
    if not (isinstance(path, str) and is_address(path)):
        return _score(Path(path), wanted)
    with mirrored(path) as remote:
        return remote.summary(_score(remote.folder, wanted, remote))


@dataclass(frozen=True, eq=False)
class _Wanted:
    """What :func:`score_round` was asked for."""

    runner: Runner
    progress: Progress
    scorer: Scorer | None
    parquet: bool
    today: str | None
    add: bool
    corrector: Corrector | None
    ledger: str | None


def _score(path: Path, wanted: _Wanted, remote: RemoteRound | None = None) -> ScoreSummary:
    """Score a round in a folder, or one in a store that the folder stands for."""
    opened = open_round(path)
    opened = registered_only(remote.opened(opened) if remote else opened, add=wanted.add)
    card = load_card(opened)
    method = method_of(opened, card)
    job = Job(wanted.scorer, card, opened.settings.scoring)
    today, parquet, corrector = wanted.today, wanted.parquet, wanted.corrector
    with (
        locked(opened.path),
        noted(opened.path, "score") as facts,
        Ledger(opened.path, _shared(opened, wanted.ledger)) as kept,
    ):
        facts |= {"method": method.version, "settings": method.settings_id, "card": method.card_id}
        run = _Run(opened, kept, method, job, wanted.progress, remote)
        run.score_new(wanted.runner)
        run.forget()
        day = today or calendar_date.today().isoformat()
        inputs = inputs_digest(
            opened.path,
            run.parts(),
            method=method,
            today=day,
            given=today,
            parquet=parquet,
            corrected=corrector is not None,
        )
        summary = run.said_again(inputs)
        if summary is None:
            problems = card_warnings(kept, method, card)
            if run.away is not None:
                problems = (run.away.line(), *problems)
            summary = _write(
                opened, problems, run, parquet=parquet, today=today, corrector=corrector
            )
            keep_summary(summary, inputs, _outputs(summary, parquet=parquet))
        if kept.problem:
            summary = replace(summary, problems=(kept.problem, *summary.problems))
        facts |= {
            "photos": summary.n_photos,
            "new": summary.n_new,
            "refused": len(summary.refused),
            "misplaced": len(summary.misplaced),
            "problems": len(summary.problems),
        }
        return summary


def _shared(opened: Round, address: str | None) -> SharedLedger | None:
    return None if address is None else SharedLedger(address, opened.path)


class _Run:
    """One pass over the photos of a round."""

    def __init__(
        self,
        opened: Round,
        ledger: Ledger,
        method: Method,
        job: Job,
        progress: Progress,
        remote: RemoteRound | None,
    ) -> None:
        self.opened = opened
        self.ledger = ledger
        self.method = method
        self.job = job
        self.progress = progress
        self.remote = remote
        self.n_new = 0
        self.n_known = 0
        self._rows: dict[str, Row] = {}
        self._texts: dict[str, tuple[str, str]] = {}  # of known rows: JSON and checksum
        self._hashes: dict[str, str] = {}
        self._read: set[str] = set()  # contents that were scored now
        self._by_hash: dict[str, list[PhotoPlace]] = {}
        self.away = Away(opened, ledger, method) if opened.absent else None

    def score_new(self, runner: Runner) -> None:
        """See to it that every photo has a row: known, or scored now."""
        photos = self.opened.photos
        for place in photos:
            if place.trouble:
                self._rows[place.relative] = self._refused(place, place.trouble)
            elif (sha256 := self._hash(place)) is not None:
                self._hashes[place.relative] = sha256
                self._by_hash.setdefault(sha256, []).append(place)
        self.ledger.fetch(self._by_hash, self.method)
        known = self.ledger.score_texts(self._by_hash, self.method)
        self._texts |= {
            place.relative: known[sha256]
            for sha256, places in self._by_hash.items()
            if sha256 in known
            for place in places
        }
        self.n_known = len(self._texts)
        # Photos of the same content are scored once. Should a file change while it waits, its
        # twin is still without a row and comes next.
        while todo := self._one_of_each([p for p in photos if not self._has_row(p)]):
            self._score(todo, runner)

    def rows(self) -> list[Row]:
        """Return the row of every photo, in the order of the round."""
        known = {} if self.away is None else self.away.rows
        places = sorted([*self.opened.photos, *known], key=photo_order)
        return [
            {**(known[place] if place in known else self._row(place)), **_place_columns(place)}
            for place in places
        ]

    def parts(self) -> Iterator[str]:
        """Yield what the row of each photo follows from, as text."""
        for place in self.opened.photos:
            known = self._texts.get(place.relative)
            said = known[1] if known else json.dumps(self._rows[place.relative], default=str)
            yield f"{said} {json.dumps(_place_columns(place))}"
        if self.away is not None:
            yield self.away.digest()

    def said_again(self, inputs: str) -> ScoreSummary | None:
        """Return what the last run found, when nothing has changed since."""
        last = None if self.n_new else last_summary(self.opened.path, inputs)
        if last is None:
            return None
        misplaced, others = tuple(self.opened.misplaced), tuple(self.opened.others)
        return replace(last, n_known=self.n_known, misplaced=misplaced, others=others)

    def _has_row(self, place: PhotoPlace) -> bool:
        return place.relative in self._rows or place.relative in self._texts

    def _row(self, place: PhotoPlace) -> Row:
        known = self._texts.get(place.relative)
        return self._rows[place.relative] if known is None else json.loads(known[0])

    def forget(self) -> None:
        """Forget what is kept of photos that are gone, unless all seem gone, as from a lost disk.

        A folder that cannot be opened may hold any of them, so then nothing is forgotten.
        """
        unopened = any("cannot be opened" in one.what for one in self.opened.misplaced)
        if unopened or not self.opened.photos or self.away is not None:
            return
        self.ledger.forget_files_except({place.relative for place in self.opened.photos})
        held = self._read | set(self._hashes.values())
        self.ledger.forget_scores_except(held)
        self.ledger.share(held, self.method)

    def _hash(self, place: PhotoPlace) -> str | None:
        """Return the SHA-256 of a file, from the ledger when it is surely unchanged.

        One in a store is not read for it: whoever scores it tells.
        """
        if self.remote is not None:
            stamp = self.remote.stamp(place)
            return stamp and self.ledger.known_hash(place.relative, stamp)
        try:
            known = self.ledger.known_hash(place.relative, place.path)
            if known is not None or not place.path.is_file():
                return known
            started = time.time_ns()
            with place.path.open("rb") as file:
                sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            self.ledger.keep_hash(place.relative, place.path, sha256, hashed_ns=started)
        except OSError:
            return None  # reading it will say in words what is the matter
        return sha256

    def _one_of_each(self, places: Iterable[PhotoPlace]) -> list[PhotoPlace]:
        first: dict[str, PhotoPlace] = {}
        for place in places:
            first.setdefault(self._hashes.get(place.relative, place.relative), place)
        return list(first.values())

    def _score(self, todo: list[PhotoPlace], runner: Runner) -> None:
        photos = [
            LocalPhoto(place.path) if self.remote is None else self.remote.source(place)
            for place in todo
        ]
        for n_done, (index, scored) in enumerate(each_scored(self.job, photos, runner), 1):
            self._keep(todo[index], scored)
            if self.remote is not None:
                self.remote.keep(self.ledger)
            self.progress(n_done, len(todo), todo[index].relative)

    def _keep(self, place: PhotoPlace, scored: Scored) -> None:
        """Keep a score by its content, and give it to the photos of the same content."""
        self.n_new += 1
        sha256 = scored.row.get("sha256")
        if scored.fault:
            self._note_fault(place, scored.fault)
        if scored.fault or not sha256:
            self._rows[place.relative] = scored.row
            return
        kept = self.ledger.keep_score(str(sha256), self.method, scored.row, scored.extra)
        self._texts[place.relative] = kept
        self._read.add(str(sha256))
        stamp = self.remote and self.remote.stamp(place)
        if self.remote and stamp:
            ns = self.remote.listed_ns
            self.ledger.keep_hash(place.relative, stamp, str(sha256), hashed_ns=ns)
        for twin in self._by_hash.get(str(sha256), ()):
            if not self._has_row(twin):
                self._texts[twin.relative] = kept

    def _note_fault(self, place: PhotoPlace, fault: str) -> None:
        path = self.opened.path / FOLDER / FAULTS
        with contextlib.suppress(OSError):  # the row says the same in short
            append_own(path, f"{place.relative}, version {__version__}\n{fault}\n")

    def _refused(self, place: PhotoPlace, detail: str) -> Row:
        return {
            "photo": place.relative,
            "status": "refused",
            "reason": "unreadable",
            "detail": detail,
            "version": method_version(),
            "settings_id": self.method.settings_id,
        }


def _place_columns(place: PhotoPlace) -> Row:
    return {
        "photo": place.relative,
        "lawn": place.lawn,
        "zone": place.zone,
        "spot": place.spot,
        "date": place.date,
        "stage": place.stage,
    }


def _write(
    opened: Round,
    problems: Sequence[str],
    run: _Run,
    *,
    parquet: bool,
    today: str | None,
    corrector: Corrector | None,
) -> ScoreSummary:
    from lawnscore.register.register import read_register
    from lawnscore.scoring.datapackage import write_datapackage
    from lawnscore.scoring.tables import tidied, write_table

    rows = run.rows()
    register = read_register(opened.path)
    photos = tidied(PHOTO_SCORES, PHOTO_SCORES.frame(rows))
    if corrector is not None:
        photos = tidied(PHOTO_SCORES, _corrected(corrector, opened, photos, run.away))
    day = today or calendar_date.today().isoformat()
    frames, flagged = _history(photos, register, opened, day)
    paths = {
        name: write_table(opened.path, name, frame, parquet=parquet)
        for name, frame in frames.items()
    }
    paths["datapackage"] = write_datapackage(opened.path)
    refused = tuple(
        RefusedPhoto(str(row["photo"]), str(row["reason"]), str(row.get("detail") or ""))
        for row in rows
        if row["status"] == "refused"
    )
    return ScoreSummary(
        path=opened.path,
        n_photos=len(rows),
        n_scored=len(rows) - len(refused),
        n_new=run.n_new,
        n_known=run.n_known,
        refused=refused,
        misplaced=tuple(opened.misplaced),
        others=tuple(opened.others),
        problems=(*problems, *(problem.line() for problem in register.problems)),
        attention=_attention_lines(flagged),
        tables=paths,
        checked_points=_most(photos["checked_points"]),
        checked_casts=_most(photos["checked_casts"]),
    )


def _corrected(
    corrector: Corrector, opened: Round, photos: pd.DataFrame, away: Away | None
) -> pd.DataFrame:
    """Correct a table of photos; rows that were taken from a corrected one stay as they are."""
    out = corrector(opened, photos).copy()
    if away is not None and away.as_written:
        done = out["photo"].isin(away.as_written)
        out.loc[done] = photos.loc[done]
    return out


def _outputs(summary: ScoreSummary, *, parquet: bool) -> list[Path]:
    """Return the files that a run has written."""
    written = list(summary.tables.values())
    if parquet:
        written += [path.with_suffix(".parquet") for path in written if path.suffix == ".csv"]
    return written


def _history(
    photos: pd.DataFrame, register: Register, opened: Round, today: str
) -> tuple[dict[str, pd.DataFrame | Iterator[pd.DataFrame]], pd.DataFrame]:
    """Return every output table by name, and what is flagged, of the photos and the register.

    The changes come some rows at a time, as they are written: a long history has millions.
    """
    from lawnscore.history.attention import attention
    from lawnscore.history.changes import change_blocks
    from lawnscore.history.prints import prints_told_apart
    from lawnscore.history.recovery import recovery
    from lawnscore.history.visits import visit_scores

    settings = opened.settings.history
    work, weather = register.work, register.weather
    visits = visit_scores(prints_told_apart(photos, settings.print_days))
    flagged = attention(
        visits,
        work,
        weather,
        photo_scores=photos,
        lawns=register.lawns,
        today=today,
        settings=settings,
    )
    return {
        PHOTO_SCORES.name: photos,
        VISIT_SCORES.name: visits,
        CHANGES.name: change_blocks(visits, photo_scores=photos, work=work),
        RECOVERY.name: recovery(visits, work, weather, today=today, settings=settings),
        ATTENTION.name: flagged,
    }, flagged


def _most(counts: pd.Series) -> int:
    return int(counts.max()) if counts.notna().any() else 0


def _attention_lines(frame: pd.DataFrame) -> tuple[Attention, ...]:
    columns = ["lawn", "zone", "flag", "evidence", "next_step"]
    return tuple(
        Attention(*(str(value) for value in row))
        for row in frame.sort_values("rank")[columns].itertuples(index=False, name=None)
    )


def _silent(_done: int, _total: int, _photo: str) -> None:
    pass
