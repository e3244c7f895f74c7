"""Score a round: every new or changed photo, then the tables."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lawnscore import __version__
from lawnscore.contract.tables import ATTENTION, CHANGES, PHOTO_SCORES, RECOVERY, VISIT_SCORES
from lawnscore.register.folder import PhotoPlace, Round, open_round
from lawnscore.scoring.card_watch import card_warnings
from lawnscore.scoring.ledger import FOLDER, Ledger, Method, locked
from lawnscore.scoring.processes import Job, Row, Scored, Scorer, each_scored
from lawnscore.scoring.summary import Attention, RefusedPhoto, ScoreSummary

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.card.reference import ReferenceCard

__all__ = ["ScoreSummary", "score_round"]

Progress = Callable[[int, int, str], None]
"""Called with photos looked at, photos to look at, and the path of the last."""

Corrector = Callable[[Round, "pd.DataFrame"], "pd.DataFrame"]
"""Called with a round and its table of photos; returns the table with what was corrected."""

FAULTS = "faults.txt"
"""File in .lawnscore/ that keeps the tracebacks of photos the program failed on."""

_AUTO = "auto"
_SCORING_ROOMS = ("contract", "card", "photo")


def score_round(
    path: Path | str,
    *,
    progress: Progress | None = None,
    scorer: Scorer | None = None,
    workers: int | None = 1,
    parquet: bool = False,
    today: str | None = None,
    corrector: Corrector | None = None,
) -> ScoreSummary:
    """Score every new or changed photo of a round and write its tables.

    A photo is known by its content: one that was scored with this program version, settings
    and card is not opened again, wherever it was moved. Every score is kept as soon as it is
    made, so an interrupted run goes on where it stopped.

    Parameters
    ----------
    path
        Folder of the round.
    progress
        Called after each photo that was looked at.
    scorer
        Scores one photo; by default :func:`lawnscore.photo.score.score_photo`.
    workers
        Processes to score with; ``None`` takes 2 when there are enough photos and cores. More
        than 1 needs the usual guard ``if __name__ == "__main__"`` in a script that calls this.
    parquet
        Write the tables as Parquet too.
    today
        Date for what is due, YYYY-MM-DD; today by default.
    corrector
        Called with the round and the table of photos; returns the table that is written.

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
    opened = open_round(path)
    card = load_card(opened)
    method = method_of(opened, card)
    job = Job(scorer or _default_scorer(), card, opened.settings.scoring)
    with locked(opened.path), Ledger(opened.path) as ledger:
        run = _Run(opened, ledger, method, job, progress or _silent)
        rows = run.rows(workers)
        ledger.forget_files_except({place.relative for place in opened.photos})
        problems = [ledger.problem] if ledger.problem else []
        problems += card_warnings(ledger, method, card)
        return _write(
            opened, rows, problems, run, parquet=parquet, today=today, corrector=corrector
        )


class _Run:
    """One pass over the photos of a round."""

    def __init__(
        self, opened: Round, ledger: Ledger, method: Method, job: Job, progress: Progress
    ) -> None:
        self.opened = opened
        self.ledger = ledger
        self.method = method
        self.job = job
        self.progress = progress
        self.n_new = 0
        self.n_known = 0
        self._rows: dict[str, Row] = {}
        self._hashes: dict[str, str] = {}
        self._by_hash: dict[str, list[PhotoPlace]] = {}

    def rows(self, workers: int | None) -> list[Row]:
        """Return the row of every photo, in the order of the round."""
        photos = self.opened.photos
        for place in photos:
            if place.trouble:
                self._rows[place.relative] = self._refused(place, place.trouble)
            elif (sha256 := self._hash(place)) is not None:
                self._hashes[place.relative] = sha256
                self._by_hash.setdefault(sha256, []).append(place)
                self.n_known += self._take_known(place)
        # Photos of the same content are scored once. Should a file change while it waits, its
        # twin is still without a row and comes next.
        while todo := self._one_of_each([p for p in photos if p.relative not in self._rows]):
            self._score(todo, workers)
        return [{**self._rows[place.relative], **_place_columns(place)} for place in photos]

    def _hash(self, place: PhotoPlace) -> str | None:
        """Return the SHA-256 of a file, from the ledger when it is surely unchanged."""
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

    def _take_known(self, place: PhotoPlace) -> bool:
        row = self.ledger.score(self._hashes[place.relative], self.method)
        if row is not None:
            self._rows[place.relative] = row
        return row is not None

    def _one_of_each(self, places: Iterable[PhotoPlace]) -> list[PhotoPlace]:
        first: dict[str, PhotoPlace] = {}
        for place in places:
            first.setdefault(self._hashes.get(place.relative, place.relative), place)
        return list(first.values())

    def _score(self, todo: list[PhotoPlace], workers: int | None) -> None:
        paths = [place.path for place in todo]
        for n_done, (index, scored) in enumerate(each_scored(self.job, paths, workers), 1):
            self._keep(todo[index], scored)
            self.progress(n_done, len(todo), todo[index].relative)

    def _keep(self, place: PhotoPlace, scored: Scored) -> None:
        """Keep a score by its content, and give it to the photos of the same content."""
        self.n_new += 1
        self._rows[place.relative] = scored.row
        if scored.fault:
            self._note_fault(place, scored.fault)
            return
        sha256 = scored.row.get("sha256")
        if not sha256:
            return
        self.ledger.keep_score(str(sha256), self.method, scored.row, scored.extra)
        for twin in self._by_hash.get(str(sha256), ()):
            if twin.relative not in self._rows:
                self._take_known(twin)

    def _note_fault(self, place: PhotoPlace, fault: str) -> None:
        path = self.opened.path / FOLDER / FAULTS
        with path.open("a", encoding="utf-8") as file:
            file.write(f"{place.relative}, version {__version__}\n{fault}\n")

    def _refused(self, place: PhotoPlace, detail: str) -> Row:
        return {
            "photo": place.relative,
            "status": "refused",
            "reason": "unreadable",
            "detail": detail,
            "version": __version__,
            "settings_id": self.method.settings_id,
        }


def _default_scorer() -> Scorer:
    from lawnscore.photo.score import score_photo

    return score_photo


def load_card(opened: Round) -> ReferenceCard | None:
    card = opened.settings.scoring.card
    if card == _AUTO:
        return None
    from lawnscore.card.reference import load_reference

    return load_reference(card, base=opened.path)


def method_of(opened: Round, card: ReferenceCard | None) -> Method:
    """Return how the photos of a round are scored: what their scores are kept under."""
    version = f"{__version__}+{_code_id()}"
    return Method(version, opened.settings.scoring.settings_id, _card_id(card))


@cache
def _code_id() -> str:
    """Return an id of the code that scores, so that a working copy never shows old scores."""
    digest = hashlib.sha256()
    for room in _SCORING_ROOMS:
        for file in sorted((Path(__file__).parents[1] / room).iterdir()):
            if file.is_file():
                digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:12]


def _card_id(card: ReferenceCard | None) -> str:
    """Return an id that changes with the colours of the card, whatever its file is called."""
    if card is None:
        return _AUTO
    digest = hashlib.sha256(f"{card.design.name}\n{card.source}\n{card.name}\n".encode())
    digest.update(card.linear_srgb.astype("<f8").tobytes())
    return digest.hexdigest()[:16]


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
    rows: list[Row],
    problems: list[str],
    run: _Run,
    *,
    parquet: bool,
    today: str | None,
    corrector: Corrector | None,
) -> ScoreSummary:
    from lawnscore.register.register import read_register
    from lawnscore.scoring.datapackage import write_datapackage
    from lawnscore.scoring.tables import tidied, write_table

    register = read_register(opened.path)
    photos = tidied(PHOTO_SCORES, PHOTO_SCORES.frame(rows))
    if corrector is not None:
        photos = tidied(PHOTO_SCORES, corrector(opened, photos))
    frames = _history(photos, register, opened, today)
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
        attention=_attention_lines(frames[ATTENTION.name]),
        tables=paths,
        checked_points=_most(photos["checked_points"]),
        checked_casts=_most(photos["checked_casts"]),
    )


def _history(
    photos: pd.DataFrame, register: Any, opened: Round, today: str | None
) -> dict[str, pd.DataFrame]:
    """Return every output table by name, made from the photos and the register."""
    from lawnscore.history.attention import attention
    from lawnscore.history.changes import changes
    from lawnscore.history.recovery import recovery
    from lawnscore.history.visits import visit_scores

    settings = opened.settings.history
    work, weather = register.work, register.weather
    visits = visit_scores(photos)
    return {
        PHOTO_SCORES.name: photos,
        VISIT_SCORES.name: visits,
        CHANGES.name: changes(visits, photo_scores=photos, work=work),
        RECOVERY.name: recovery(visits, work, weather, today=today, settings=settings),
        ATTENTION.name: attention(
            visits,
            work,
            weather,
            photo_scores=photos,
            lawns=register.lawns,
            today=today,
            settings=settings,
        ),
    }


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
