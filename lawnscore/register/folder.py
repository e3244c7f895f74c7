"""A round on disk: which photos it holds and what their paths say.

    photos/LAWN/ZONE/DATE-STAGE/[SPOT--]NAME

A path that does not say lawn, zone, date and stage is reported and left alone, never guessed.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date as calendar_date
from functools import lru_cache
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError, printable
from lawnscore.contract.settings import Settings, read_settings
from lawnscore.contract.tables import STAGES
from lawnscore.photo.kinds import kind_of
from lawnscore.register.cells import YEARS

PHOTOS = "photos"
"""Folder of a round that holds the photos."""

SPOT_MARK = "--"
"""What stands between the spot and the rest of a file name."""

PHOTO_SUFFIXES = frozenset(
    {".jpg", ".jpeg", ".jpe", ".jfif", ".heic", ".heif", ".hif", ".png", ".tif", ".tiff", ".webp"}
    | {".avif", ".gif", ".bmp", ".jxl"}
    | {".dng", ".cr2", ".cr3", ".nef", ".arw", ".orf", ".rw2", ".raf"}
)
"""Endings by which a file is meant as a photo, whatever it holds."""

_IGNORED_NAMES = frozenset({"thumbs.db", "desktop.ini", "ehthumbs.db", "icon\r", "@eadir"})
_CLOUD_SUFFIX = ".icloud"
_DAY = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})-([A-Za-z]+)")
_HEAD_BYTES = 32

_LEVELS = ("lawn", "zone", "visit")
OWN_README = "README.txt"
"""What `lawnscore new` writes into photos/ itself."""
_SHAPE = "photos/LAWN/ZONE/YYYY-MM-DD-STAGE/"


@dataclass(frozen=True)
class PhotoPlace:
    """One photo of a round and what its path says.

    Parameters
    ----------
    path
        The file.
    relative
        Path relative to the round, with slashes; escapes stand for what cannot be printed.
    lawn, zone, date, stage
        As the path says; names in Unicode's composed form (NFC).
    spot
        Spot in the zone; ``None`` when the file name does not say it.
    trouble
        Why the file cannot be opened as a photo of this round; empty when it can.
    """

    path: Path
    relative: str
    lawn: str
    zone: str
    spot: str | None
    date: str
    stage: str
    trouble: str = ""


@dataclass(frozen=True)
class Misplaced:
    """A file or folder that does not lie where a photo of a round belongs.

    Parameters
    ----------
    relative
        Path relative to the round.
    what, mend
        What is wrong with the path, and what to do.
    """

    relative: str
    what: str
    mend: str

    def line(self) -> str:
        """Return it as one line of text."""
        return f"{self.relative}: {self.what}. {self.mend}"


@dataclass(frozen=True)
class Round:
    """A round: its folder, settings, photos, and what lies in the wrong place.

    Parameters
    ----------
    path
        Folder of the round.
    settings
        What `round.toml` says.
    photos
        By lawn, zone, date, stage and name.
    misplaced
        Photos whose path does not say where they belong.
    others
        Files beside the photos that are none, such as videos and notes; left alone.
    elsewhere
        Folder of older photos that `photos.elsewhere` names; ``None`` when there is none.
    absent
        Whether that folder is not there or empty, as when its disk is not connected.
    """

    path: Path
    settings: Settings
    photos: list[PhotoPlace]
    misplaced: list[Misplaced] = field(default_factory=list)
    others: list[str] = field(default_factory=list)
    elsewhere: Path | None = None
    absent: bool = False


@dataclass
class _Found:
    photos: list[PhotoPlace] = field(default_factory=list)
    misplaced: list[Misplaced] = field(default_factory=list)
    others: list[str] = field(default_factory=list)


def open_round(path: Path | str) -> Round:
    """Open a round: read its settings and list its photos. No photo is opened.

    Raises
    ------
    LawnscoreError
        When there is no such folder, or no `round.toml` in it, or that cannot be read.
    """
    path = Path(path)
    if not path.is_dir():
        what = "this is a file, not a round" if path.exists() else "there is no such round"
        raise LawnscoreError(
            what, "Name the folder of a round, or make one with `lawnscore new`.", path
        )
    settings = read_settings(path / "round.toml")
    found = _Found()
    photos = path / PHOTOS
    if photos.is_dir():
        _walk(path, photos, (), found)
    elif photos.exists():
        raise LawnscoreError("photos is not a folder", f"Make a folder {_SHAPE}", photos)
    elsewhere = elsewhere_of(path, settings)
    absent = elsewhere is not None and not _holds_anything(elsewhere)
    if elsewhere is not None and not absent:
        older = _Found()
        _walk(elsewhere, elsewhere, (), older)
        here = {place.relative for place in found.photos}
        found.photos += [place for place in older.photos if place.relative not in here]
        found.misplaced += older.misplaced
        found.others += older.others
    found.photos.sort(key=photo_order)
    found.misplaced.sort(key=lambda one: one.relative)
    others = sorted(found.others)
    return Round(path, settings, found.photos, found.misplaced, others, elsewhere, absent)


def elsewhere_of(round_path: Path, settings: Settings) -> Path | None:
    """Return the folder that older photos were moved to; ``None`` when there is none."""
    said = settings.photos.elsewhere
    return round_path / Path(said).expanduser() if said else None


def photo_folders(round_path: Path) -> list[Path]:
    """Return the folders that hold the photos of a round: its own, and the one elsewhere."""
    toml = round_path / "round.toml"
    elsewhere = elsewhere_of(round_path, read_settings(toml)) if toml.exists() else None
    return [round_path / PHOTOS, *([elsewhere] if elsewhere is not None else [])]


def place_of(relative: str, path: Path) -> PhotoPlace:
    """Return a photo by its path in the round, ``photos/LAWN/ZONE/DATE-STAGE/NAME``.

    Raises
    ------
    LawnscoreError
        When that says no lawn, zone, date and stage.
    """
    parts = relative.split("/")
    if len(parts) != len(_LEVELS) + 2 or parts[0] != PHOTOS:
        raise LawnscoreError("the path does not say where the photo belongs", _SHAPE, relative)
    day, stage = parse_visit(parts[3])
    spot = parse_spot(parts[4])
    return PhotoPlace(path, relative, _name(parts[1]), _name(parts[2]), spot, day, stage)


def _holds_anything(folder: Path) -> bool:
    try:
        with os.scandir(folder) as listing:
            return any(not _is_ignored(entry.name) for entry in listing)
    except OSError:
        return False


@lru_cache(maxsize=256)
def parse_visit(name: str) -> tuple[str, str]:
    """Return date and stage of a folder name such as ``2026-05-01-before``.

    Raises
    ------
    LawnscoreError
        When it says no date that is in the calendar, or no stage.

    Examples
    --------
    >>> parse_visit("2026-05-01-Before")
    ('2026-05-01', 'before')
    """
    match = _DAY.fullmatch(name)
    mend = f"Name the folder YYYY-MM-DD-STAGE, with {', '.join(STAGES[:-1])} or {STAGES[-1]}."
    if match is None:
        raise LawnscoreError(f"the folder `{printable(name)}` does not say date and stage", mend)
    day, stage = match[1], match[2].lower()
    try:
        year = calendar_date.fromisoformat(day).year
    except ValueError:
        raise LawnscoreError(f"{day} is not in the calendar", mend) from None
    if not YEARS[0] <= year <= YEARS[1]:
        raise LawnscoreError(f"{day} is not in the years {YEARS[0]} to {YEARS[1]}", mend)
    if stage not in STAGES:
        raise LawnscoreError(f"`{stage}` is not a stage", mend)
    return day, stage


def parse_spot(name: str) -> str | None:
    """Return the spot that a file name says, or ``None``.

    Examples
    --------
    >>> parse_spot("gate--IMG_0001.jpg"), parse_spot("IMG_0001.jpg"), parse_spot("--a.jpg")
    ('gate', None, None)
    """
    if SPOT_MARK not in name:
        return None
    spot, mark, _rest = Path(name).stem.partition(SPOT_MARK)
    return _name(spot) or None if mark else None


@lru_cache(maxsize=1024)
def _name(text: str) -> str:
    """Return a name as it compares with one typed by hand: composed, without outer spaces."""
    return unicodedata.normalize("NFC", printable(text)).strip()


def photo_order(place: PhotoPlace) -> tuple[str, str, str, int, str]:
    """Return what photos of a round are sorted by."""
    return (place.lawn, place.zone, place.date, STAGES.index(place.stage), place.relative)


def _walk(base: Path, folder: Path, above: tuple[str, ...], found: _Found) -> None:
    for entry in _entries(folder, base, found):
        if _is_ignored(entry.name):
            if entry.name.endswith(_CLOUD_SUFFIX):
                found.misplaced.append(
                    Misplaced(
                        _relative(base, Path(entry.path)),
                        "the photo is still in the cloud",
                        "Download it to this computer.",
                    )
                )
        elif _is_folder(entry) and len(above) < len(_LEVELS):
            _enter(base, entry, above, found)
        elif len(above) == len(_LEVELS):
            _take(base, entry, above, found)
        else:
            _report_loose(base, Path(entry.path), above, found)


def _entries(folder: Path, base: Path, found: _Found) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=lambda entry: entry.name)
    except OSError as error:
        words = f"the folder cannot be opened ({error.strerror})"
        mend = "Allow yourself to read it and run again."
        found.misplaced.append(Misplaced(_relative(base, folder), words, mend))
        return
    yield from entries


def _is_folder(entry: os.DirEntry[str]) -> bool:
    return entry.is_dir(follow_symlinks=False)


def _is_ignored(name: str) -> bool:
    return name.startswith(".") or name.lower() in _IGNORED_NAMES


def _enter(base: Path, entry: os.DirEntry[str], above: tuple[str, ...], found: _Found) -> None:
    name = entry.name
    if len(above) == len(_LEVELS) - 1:
        try:
            parse_visit(name)
        except LawnscoreError as error:
            _report_folder(base, Path(entry.path), error, found)
            return
    _walk(base, Path(entry.path), (*above, name), found)


def _report_folder(base: Path, folder: Path, error: LawnscoreError, found: _Found) -> None:
    """Report a folder once, with the number of photos in it, and leave it alone."""
    n_photos = sum(1 for file in folder.rglob("*") if _is_meant_as_photo(file))
    count = f" ({n_photos} photo{'s' if n_photos != 1 else ''} in it)" if n_photos else ""
    found.misplaced.append(Misplaced(_relative(base, folder), f"{error.what}{count}", error.mend))


def _take(base: Path, entry: os.DirEntry[str], above: tuple[str, ...], found: _Found) -> None:
    """Take a file of a visit as a photo, or note that it is something else."""
    lawn, zone, visit = above
    path = Path(entry.path)
    relative = printable("/".join((PHOTOS, *above, entry.name)))
    is_photo_name = path.suffix.lower() in PHOTO_SUFFIXES
    if _is_folder(entry) and not is_photo_name:
        if any(_is_meant_as_photo(file) for file in path.rglob("*")):
            error = LawnscoreError("a folder inside a visit", f"Move its photos to {_SHAPE}")
            _report_folder(base, path, error, found)
        return
    if not is_photo_name and not _is_meant_as_photo(path):
        found.others.append(relative)
        return
    day, stage = parse_visit(visit)
    plain = entry.is_file(follow_symlinks=False)
    found.photos.append(
        PhotoPlace(
            path=path,
            relative=relative,
            lawn=_name(lawn),
            zone=_name(zone),
            spot=parse_spot(entry.name),
            date=day,
            stage=stage,
            trouble="" if plain else _trouble(base, path),
        )
    )


def _report_loose(base: Path, path: Path, above: tuple[str, ...], found: _Found) -> None:
    if path.is_symlink() and path.is_dir():
        what, mend = "a link to a folder", "Copy the photos into the round instead."
    elif _is_meant_as_photo(path):
        missing = {0: "lawn, zone, date and stage", 1: "zone, date and stage", 2: "date and stage"}
        what, mend = f"the path does not say {missing[len(above)]}", f"Move it to {_SHAPE}"
        if len(above) == 2 and _DAY.fullmatch(above[1]):
            what = "the path does not say the zone"
            mend = f"Move it to {_SHAPE} with the zone `all` when the lawn has no parts."
    else:
        if above or path.name != OWN_README:
            found.others.append(_relative(base, path))
        return
    found.misplaced.append(Misplaced(_relative(base, path), what, mend))


def _is_meant_as_photo(path: Path) -> bool:
    """Return whether a file is a photo by its name or by its first bytes."""
    if _is_ignored(path.name):
        return False
    if path.suffix.lower() in PHOTO_SUFFIXES:
        return True
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return bool(kind_of(file.read(_HEAD_BYTES)))
    except OSError:
        return False


def _trouble(base: Path, path: Path) -> str:
    if path.is_symlink():
        try:
            target = path.resolve(strict=True)
        except (OSError, RuntimeError):
            return "a link to a file that is not there"
        if not target.is_relative_to(base.resolve()):
            return "a link to a file outside the round; copy the photo itself"
    return "a folder named like a photo" if path.is_dir() else ""


def _relative(base: Path, path: Path) -> str:
    return printable(path.relative_to(base).as_posix())
