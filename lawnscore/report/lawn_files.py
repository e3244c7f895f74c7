"""The pages of one lawn: what they follow from, and writing those that are not up to date."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from statistics import fmean
from typing import Any
from urllib.parse import quote

from lawnscore import __version__
from lawnscore.contract.files import make_folder, write_whole
from lawnscore.contract.rows import Row
from lawnscore.report.compared import compared_change
from lawnscore.report.customer import customer_page, customer_story
from lawnscore.report.language import Words
from lawnscore.report.lawn_page import lawn_page
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.load import LawnRows
from lawnscore.report.pages import templates_digest
from lawnscore.report.pictures import (
    PAIR_MOST_BYTES,
    PAIR_SHARE_BYTES,
    Pair,
    PictureBook,
    candidate_pairs,
    picture_key,
)

SEEN_FOLDER = Path("lawns") / "pictures"

_DAYS = ("days_to_95", "days_to_95_low", "days_to_95_high", "expected_days_to_95")
_COURSE = ("cover", "low", "high")


@dataclass(frozen=True, eq=False)
class LawnTask:
    """One lawn whose files are to be written: their names, and what was drawn of its photos."""

    lawn: LawnRows
    names: tuple[str, ...]
    seen: Mapping[str, Path]


@dataclass(frozen=True)
class WrittenFile:
    """One file of a lawn: its name in `reports/`, the hash of its content, whether it changed."""

    name: str
    content: str
    changed: bool


@dataclass(frozen=True, eq=False)
class LawnFiles:
    """Writes the pages of lawns into a folder; goes to other processes.

    Parameters
    ----------
    folder
        `reports/` of the round.
    pdf
        Whether the customers' reports are written as PDF too.
    theirs
        Words of each lawn's customer, where they are not the round's.
    """

    folder: Path
    words: Words
    letterhead: Letterhead
    book: PictureBook
    pdf: bool
    theirs: Mapping[str, Words] = field(default_factory=dict)

    def names(self, lawn: LawnRows) -> tuple[str, ...]:
        """Return the files of a lawn."""
        pages = (f"customers/{lawn.stem}.html", f"lawns/{lawn.stem}.html")
        return (*pages, f"customers/{lawn.stem}.pdf") if self.pdf else pages

    def seen(self, lawn: LawnRows) -> dict[str, Path]:
        """Return the picture of what was seen in each photo of a lawn, where it is at hand."""
        found = {photo["photo"]: self.book.seen(photo) for photo in lawn.photos}
        return {photo: path for photo, path in found.items() if path is not None}

    def digest(self, lawn: LawnRows, seen: Mapping[str, Path]) -> str:
        """Return a hash of all that the files of a lawn follow from."""
        parts: list[object] = [
            __version__,
            templates_digest(),
            asdict(self.words),
            asdict(self.theirs.get(lawn.lawn, self.words)),
            self.letterhead.business,
            self.letterhead.contact,
            hashlib.sha256(self.letterhead.logo_png).hexdigest(),
            _as_read(lawn),
            sorted(seen),
        ]
        text = json.dumps(parts, default=str, sort_keys=True)
        return content_hash(text.encode("utf-8", "surrogatepass"))

    def write(self, task: LawnTask) -> list[WrittenFile]:
        """Write files of a lawn, each whole or not at all."""
        lawn = task.lawn
        words = self.theirs.get(lawn.lawn, self.words)
        story = customer_story(lawn, words, pairs=self._pairs(lawn))
        written = []
        for name in task.names:
            if name.endswith(".pdf"):
                from lawnscore.report.customer_paper import customer_pdf

                data = customer_pdf(story, words, self.letterhead)
            elif name.startswith("customers/"):
                data = customer_page(story, words, self.letterhead).encode("utf-8")
            else:
                links = self._link_pictures(lawn, task.seen)
                data = lawn_page(lawn, self.words, pictures=links).encode("utf-8")
            content = content_hash(data)
            changed = file_hash(self.folder / name) != content
            if changed:
                write_whole(self.folder / name, data)
            written.append(WrittenFile(name, content, changed))
        return written

    def _pairs(self, lawn: LawnRows) -> dict[str, Pair]:
        chosen = {zone: pairs for zone, pairs in compared_pairs(lawn).items() if pairs}
        budget = min(PAIR_MOST_BYTES, PAIR_SHARE_BYTES // max(1, 2 * len(chosen)))
        best = {}
        for zone, pairs in chosen.items():
            alone = [(None, after) for _, after in pairs[:1]]
            shown = (self.book.best_pair(tried, budget_bytes=budget) for tried in (pairs, alone))
            if (pair := next((found for found in shown if found is not None), None)) is not None:
                best[zone] = pair
        return best

    def _link_pictures(self, lawn: LawnRows, seen: Mapping[str, Path]) -> dict[str, str]:
        folder = self.folder / SEEN_FOLDER
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


def compared_pairs(lawn: LawnRows) -> dict[str, list[tuple[Row | None, Row]]]:
    """Return the photos of the two occasions that each zone's text tells of."""
    return {
        zone: candidate_pairs(lawn, zone, compared_change(lawn, zone, "green_cover_pct"))
        for zone in lawn.zones
    }


def content_hash(data: bytes) -> str:
    """Return a hash of the bytes of a file."""
    return hashlib.sha256(data).hexdigest()


def file_hash(path: Path) -> str:
    """Return the hash of a file's bytes; empty where it cannot be read."""
    try:
        return content_hash(path.read_bytes())
    except OSError:
        return ""


def _as_read(lawn: LawnRows) -> dict[str, Any]:
    """Return the rows of a lawn, as finely as they can be read in its files.

    What is fitted to one lawn leans on all of them: a visit to one moves the days and the courses
    of every other by hundredths, which is no reason to write those anew. Days are told whole; a
    course counts as another when it lies a point higher or lower as a whole, two pixels.
    """
    rows = {name: getattr(lawn, name) for name in lawn.__dataclass_fields__}
    rows["recovery"] = [
        {k: round(v) if k in _DAYS and v is not None else v for k, v in row.items()}
        for row in lawn.recovery
    ]
    courses: dict[tuple[Any, Any], list[Row]] = {}
    for row in lawn.courses:
        courses.setdefault((row["zone"], row["renovation_date"]), []).append(row)
    rows["courses"] = [
        [*key, len(points), *(round(fmean(row[c] for row in points)) for c in _COURSE)]
        for key, points in courses.items()
    ]
    return rows
