"""What a run of scoring found, for people and for programs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from lawnscore.contract.reasons import REASONS
from lawnscore.register.folder import Misplaced


@dataclass(frozen=True)
class RefusedPhoto:
    """A photo without measures: why, and what to do about it."""

    photo: str
    reason: str
    detail: str

    @property
    def advice(self) -> str:
        """Return what the registry of reasons advises."""
        return REASONS[self.reason].advice

    def line(self) -> str:
        """Return it as one line of text."""
        detail = self.detail or REASONS[self.reason].meaning
        return " ".join(f"{self.photo}: {self.reason}: {detail.rstrip('.')}. {self.advice}".split())


@dataclass(frozen=True)
class Attention:
    """One line of the attention table."""

    lawn: str
    zone: str
    flag: str
    evidence: str
    next_step: str

    def line(self) -> str:
        """Return it as one line of text."""
        place = self.lawn if self.zone == "all" else f"{self.lawn}, {self.zone}"
        return " ".join(f"{place}: {self.flag}: {self.evidence} {self.next_step}".split())


@dataclass(frozen=True, eq=False)
class ScoreSummary:
    """What scoring a round found and wrote.

    Parameters
    ----------
    path
        Folder of the round; of one at an address, the folder that stood for it while it was scored.
    n_photos
        Photos in the round; each has one row in `photo_scores`.
    n_scored
        Photos with measures.
    n_new
        Photos that were opened in this run.
    n_known
        Photos that were scored before and have not changed.
    refused
        Photos without measures.
    misplaced
        Photos and folders whose path does not say where they belong; left alone.
    others
        Files beside the photos that are none; left alone.
    problems
        What else wants mending, one line each: the register, a ledger that was damaged.
    attention
        The lawns and zones that want attention, most urgent first.
    tables
        Files written, by name.
    checked_points, checked_casts
        Points read, and casts marked, by eye that the tables were corrected by; 0 is none.
    address
        Of a round that is not in a folder, as it may be printed; else empty.
    """

    path: Path
    n_photos: int
    n_scored: int
    n_new: int
    n_known: int = 0
    refused: tuple[RefusedPhoto, ...] = ()
    misplaced: tuple[Misplaced, ...] = ()
    others: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    attention: tuple[Attention, ...] = ()
    tables: dict[str, Path] = field(default_factory=dict)
    checked_points: int = 0
    checked_casts: int = 0
    address: str = ""

    def place(self, path: Path) -> str:
        """Return where a file or folder of the round lies: its path, or its address."""
        if not self.address:
            return str(path)
        relative = path.relative_to(self.path).as_posix()
        return self.address if relative == "." else f"{self.address}/{relative}"

    @property
    def went_well(self) -> bool:
        """Whether every photo has a place and measures."""
        return not self.refused and not self.misplaced

    def as_dict(self) -> dict[str, object]:
        """Return it as plain values for one JSON document."""
        return {
            "round": self.place(self.path),
            "photos": self.n_photos,
            "scored": self.n_scored,
            "new": self.n_new,
            "known": self.n_known,
            "refused": [
                {
                    "photo": one.photo,
                    "reason": one.reason,
                    "detail": one.detail,
                    "advice": one.advice,
                }
                for one in self.refused
            ],
            "misplaced": [
                {"path": one.relative, "what": one.what, "mend": one.mend} for one in self.misplaced
            ],
            "others": list(self.others),
            "problems": list(self.problems),
            "attention": [
                {
                    "lawn": one.lawn,
                    "zone": one.zone,
                    "flag": one.flag,
                    "evidence": one.evidence,
                    "next_step": one.next_step,
                }
                for one in self.attention
            ],
            "tables": {name: self.place(path) for name, path in self.tables.items()},
            "checked_points": self.checked_points,
            "checked_casts": self.checked_casts,
        }


def summary_lines(summary: ScoreSummary, *, most: int = 5) -> list[str]:
    """Return a summary as lines for people.

    Parameters
    ----------
    summary
        What was found.
    most
        How many lines of attention, and of notes on other files, to give at most.
    """
    lines = [_counts(summary), *_checked(summary)]
    lines += _block("Refused:", (one.line() for one in summary.refused))
    lines += _block(
        "Not scored, because the path does not say where the photo belongs:",
        (one.line() for one in summary.misplaced),
    )
    lines += _block("To mend:", summary.problems)
    lines += _block(
        "Left alone, because they are no photos:", _first(summary.others, most, "files")
    )
    attention = [one.line() for one in summary.attention]
    lines += _block("Wants attention, most urgent first:", _first(attention, most, "lines"))
    if summary.tables:
        folder = summary.place(next(iter(summary.tables.values())).parent)
        names = ", ".join(path.name for path in summary.tables.values())
        lines += ["", f"Tables in {folder}: {names}"]
    return lines


def _counts(summary: ScoreSummary) -> str:
    if summary.n_photos == 0:
        return "There are no photos. Put them in photos/LAWN/ZONE/YYYY-MM-DD-STAGE/ of the round."
    parts = [f"{summary.n_photos} photo{'s' if summary.n_photos != 1 else ''}"]
    parts.append(f"{summary.n_scored} scored")
    parts.append(f"{len(summary.refused)} refused")
    if summary.n_known:
        parts.append(f"{summary.n_known} known from an earlier run")
    return ", ".join(parts) + "."


def _checked(summary: ScoreSummary) -> list[str]:
    parts = []
    if summary.checked_points:
        parts.append(f"shares corrected by {summary.checked_points} points read by eye")
    if summary.checked_casts:
        parts.append(f"counts of casts corrected by {summary.checked_casts} marked by eye")
    words = " and ".join(parts)
    return (
        [f"{words[0].upper()}{words[1:]} (--no-points gives the plain numbers)."] if words else []
    )


def _block(title: str, lines: Iterable[str]) -> list[str]:
    body = [f"  {line}" for line in lines]
    return ["", title, *body] if body else []


def _first(lines: Iterable[str], most: int, what: str) -> list[str]:
    listed = list(lines)
    if len(listed) <= most:
        return listed
    return [*listed[:most], f"and {len(listed) - most} more {what}"]
