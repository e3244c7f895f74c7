"""Everything a report speaks of, read once from a scored round, as plain rows."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore.contract.rows import Row, rows_of
from lawnscore.contract.settings import Settings
from lawnscore.contract.tables import STAGE_ORDER

if TYPE_CHECKING:
    import pandas as pd

_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$", re.IGNORECASE)  # Windows device names
_UNSAFE = re.compile(r'[\x00-\x1f\x7f/\\<>:"|?*%#]+')
_STEM_LENGTH = 80
WEEKS_AHEAD = 8
"""How far ahead visits are suggested in reports; our choice."""


@dataclass(frozen=True, eq=False)
class LawnRows:
    """What the tables say of one lawn.

    Parameters
    ----------
    lawn, name, stem
        Lawn as in the tables, its name for people, and a file name that is safe anywhere.
    zones
        Its zones, in the order of the register, then by name.
    register, photos, visits, changes, recovery, attention, work, next_visits, courses
        Its rows of each table; visits and photos in order of time.
    """

    lawn: str
    name: str
    stem: str
    zones: tuple[str, ...]
    register: tuple[Row, ...]
    photos: tuple[Row, ...]
    visits: tuple[Row, ...]
    changes: tuple[Row, ...]
    recovery: tuple[Row, ...]
    attention: tuple[Row, ...]
    work: tuple[Row, ...]
    next_visits: tuple[Row, ...]
    courses: tuple[Row, ...] = ()

    @property
    def area_m2(self) -> float | None:
        """Area of all zones in the register; ``None`` when any of them is unknown."""
        areas = [row["area_m2"] for row in self.register]
        return sum(areas) if areas and None not in areas else None

    @property
    def last_date(self) -> str | None:
        """Date of the last photographed visit."""
        return max((row["date"] for row in self.photos), default=None) or max(
            (row["date"] for row in self.visits), default=None
        )

    def zone_rows(self, table: str, zone: str) -> list[Row]:
        """Return the rows of one zone of one table."""
        return [row for row in getattr(self, table) if row["zone"] == zone]


@dataclass(frozen=True, eq=False)
class RoundRows:
    """A scored round: its folder, settings, lawns and the day it is looked at."""

    path: Path
    settings: Settings
    lawns: tuple[LawnRows, ...]
    as_of: str | None
    frames: dict[str, pd.DataFrame]


def file_stems(names: Iterable[str]) -> dict[str, str]:
    """Return a file name (without suffix) for each name: safe on every system, never shared.

    A name that is already safe stays as it is; one that had to change carries a few digits of
    its own hash, so two lawns never write the same file.

    >>> file_stems(["12 Elm Road", "a/b"])
    {'12 Elm Road': '12 Elm Road', 'a/b': 'a-b-c14cddc0'}
    """
    names = list(names)
    folded: dict[str, int] = defaultdict(int)
    for name in names:
        folded[_clean(name).casefold()] += 1
    stems = {}
    for name in names:
        clean = _clean(name)
        if not clean or clean != name or folded[clean.casefold()] > 1:
            digits = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
            clean = f"{clean}-{digits}" if clean else digits
        stems[name] = clean
    return stems


def _clean(name: str) -> str:
    text = unicodedata.normalize("NFC", name.encode("utf-8", "replace").decode("utf-8"))
    text = _UNSAFE.sub("-", text).strip(" .")
    text = text.encode("utf-8")[:_STEM_LENGTH].decode("utf-8", "ignore").strip(" .-")
    return f"{text}-" if _RESERVED.match(text.split(".")[0]) else text


def arrange(
    path: Path, settings: Settings, frames: dict[str, pd.DataFrame], *, as_of: str | None = None
) -> RoundRows:
    """Sort tables by lawn.

    Parameters
    ----------
    frames
        Tables by name: those of the contract's output, ``lawns``, ``work``, ``next_visits``;
        one that is missing counts as empty.
    """
    grouped = {name: _by_lawn(rows_of(frame)) for name, frame in frames.items()}
    every = sorted({lawn for groups in grouped.values() for lawn in groups}, key=_natural)
    stems = file_stems(every)
    dates = [row["date"] for rows in grouped.get("photo_scores", {}).values() for row in rows]
    lawns = tuple(_lawn(lawn, stems[lawn], grouped) for lawn in every)
    return RoundRows(path, settings, lawns, as_of or max(dates, default=None), frames)


def _by_lawn(rows: Sequence[Row]) -> dict[str, list[Row]]:
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        if row["lawn"] is not None:
            groups[row["lawn"]].append(row)
    return dict(groups)


def _lawn(lawn: str, stem: str, grouped: dict[str, dict[str, list[Row]]]) -> LawnRows:
    def take(name: str) -> list[Row]:
        return grouped.get(name, {}).get(lawn, [])

    register = take("lawns")
    tables = ("photo_scores", "visit_scores", "recovery", "attention", "work")
    zones = [row["zone"] or "all" for row in register]
    photographed = {row["zone"] for row in (*take("photo_scores"), *take("visit_scores"))}
    zones += sorted({r["zone"] for t in tables for r in take(t) if r["zone"]} - set(zones))
    if photographed:
        zones = [zone for zone in zones if zone in photographed]
    names = [row["name"] for row in register if row.get("name")]
    return LawnRows(
        lawn=lawn,
        name=names[0] if names else lawn,
        stem=stem,
        zones=tuple(dict.fromkeys(zones)) or ("all",),
        register=tuple(register),
        photos=tuple(sorted(take("photo_scores"), key=_moment)),
        visits=tuple(sorted(take("visit_scores"), key=_moment)),
        changes=tuple(take("changes")),
        recovery=tuple(sorted(take("recovery"), key=lambda r: r["renovation_date"])),
        attention=tuple(sorted(take("attention"), key=lambda r: r["rank"])),
        work=tuple(sorted(take("work"), key=lambda r: r["date"])),
        next_visits=tuple(sorted(take("next_visits"), key=lambda r: str(r["date"]))),
        courses=tuple(take("courses")),
    )


def _moment(row: Row) -> tuple[str, int, str, str]:
    stage = STAGE_ORDER.get(row["stage"], 9)
    return (row["date"], stage, row["zone"], str(row.get("photo", "")))


def _natural(name: str) -> list[tuple[int, int, str]]:
    parts = re.split(r"(\d+)", name.casefold())
    return [(0, int(p), "") if p.isdigit() else (1, 0, p) for p in parts]


def read_round(path: Path, *, today: str | None = None) -> RoundRows:
    """Read a scored round from its folder.

    What depends on the day (recovery, flags, suggested visits) is computed for ``today``, by
    default the machine's date; lawns that left the round by then are left out.

    Raises
    ------
    LawnscoreError
        When there is no round or it has not been scored.
    """
    from lawnscore.care.next_visits import Planning, base_of, next_visits
    from lawnscore.contract.settings import read_settings
    from lawnscore.history.attention import left_places
    from lawnscore.history.courses import recovery_courses
    from lawnscore.register.programme import read_programme
    from lawnscore.register.register import read_register
    from lawnscore.scoring.afresh import tables_as_of
    from lawnscore.scoring.tables import read_table

    settings = read_settings(path / "round.toml")
    register = read_register(path)
    day = today or date.today().isoformat()
    frames = {name: read_table(path, name) for name in ("photo_scores", "visit_scores", "changes")}
    frames |= tables_as_of(path, day, register=register)
    frames |= {"lawns": register.lawns, "work": register.work}
    frames["courses"] = recovery_courses(
        frames["visit_scores"], register.work, register.weather, today=day,
        settings=settings.history,
    )  # fmt: skip
    frames["next_visits"] = next_visits(
        frames["visit_scores"], frames["attention"], frames["recovery"], register.lawns,
        register.work, register.weather, today=day,
        options=Planning(weeks=WEEKS_AHEAD, settings=settings.history,
                         programme=read_programme(path), base=base_of(settings.route)),
    )  # fmt: skip
    gone = left_places(register.lawns, day)
    present = {name: _without(frame, gone) for name, frame in frames.items()}
    return arrange(path, settings, present, as_of=day)


def _without(frame: pd.DataFrame, places: set[tuple[str, str]]) -> pd.DataFrame:
    if not places or "lawn" not in frame or "zone" not in frame:
        return frame
    pairs = zip(frame["lawn"].astype(object), frame["zone"].astype(object), strict=True)
    return frame[[pair not in places for pair in pairs]]
