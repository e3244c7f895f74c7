"""The place of each photo in the round: known lawns, bursts, stage and a free file name."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from lawnscore.filing.journal import filed_before
from lawnscore.filing.plan import Action, FilingItem
from lawnscore.filing.shots import PHOTO_SUFFIXES, Shot, same_shot, sha256_of, shot_of
from lawnscore.filing.slip_finder import SlipSighting
from lawnscore.register.folder import PHOTOS, SPOT_MARK, photo_folders
from lawnscore.register.register import nearest, read_register

_NAME_BYTES_MAX = 255
_BURST = timedelta(seconds=1)  # nobody walks to another spot in a second
_NO_FOLDER_NAME = re.compile(r'[/\\:*?"<>|\x00-\x1f]|^\.|[. ]$|^$')  # what Windows refuses


def known_places(root: Path, items: Sequence[FilingItem]) -> list[FilingItem]:
    """Leave what slips of an unknown lawn or zone would file; spell the others as lawns.csv."""
    lawns = read_register(root).lawns
    spelt = {
        (lawn.casefold(), zone.casefold()): (lawn, zone)
        for lawn, zone in zip(lawns["lawn"], lawns["zone"], strict=True)
    }
    out = []
    for item in items:
        if item.action not in ("file", "ask"):
            out.append(item)
            continue
        place = spelt.get((item.lawn.casefold(), item.zone.casefold()))
        if place is None:
            guess = nearest(f"{item.lawn}, {item.zone}", [f"{a}, {b}" for a, b in spelt.values()])
            reason = f"lawns.csv has no lawn {item.lawn} with a zone {item.zone}. {guess}"
            out.append(_left(item, reason.strip()))
        elif not all(is_folder_name(name) for name in place):
            out.append(_left(item, f"`{place[0]}`, `{place[1]}` cannot be names of folders"))
        else:
            out.append(replace(item, lawn=place[0], zone=place[1]))
    return out


def is_folder_name(name: str) -> bool:
    """Return whether a name can be a folder on every system and in a photo's path.

    >>> is_folder_name("mill-lane-3"), is_folder_name("3/4"), is_folder_name("..")
    (True, False, False)
    """
    return not _NO_FOLDER_NAME.search(name)


def _left(item: FilingItem, reason: str, action: Action = "left") -> FilingItem:
    return replace(
        item, action=action, reason=reason, lawn="", zone="", date="", stage="", spot="", target=""
    )


def one_of_each_burst(
    items: Sequence[FilingItem],
    shots: Mapping[Path, Shot],
    seen: Mapping[Path, SlipSighting],
) -> list[FilingItem]:
    """Keep the sharpest of photos a second apart: they show the same ground."""
    placed = [item for item in items if item.action in ("file", "ask")]
    timed = [item for item in placed if shots[item.source].time_source == "exif"]
    bursts: list[list[FilingItem]] = []
    for item in sorted(timed, key=lambda i: (shots[i.source].camera, i.taken_at, i.relative)):
        last = bursts[-1][-1] if bursts else None
        if last is not None and _in_burst(shots[last.source], shots[item.source]):
            bursts[-1].append(item)
        else:
            bursts.append([item])
    dropped: dict[Path, FilingItem] = {}
    for burst in bursts:
        best = max(burst, key=lambda item: seen[item.source].sharpness)
        for item in burst:
            if item is not best:
                reason = f"one of a burst of {len(burst)}; the sharpest, {best.relative}, is kept"
                dropped[item.source] = _left(item, reason, "burst")
    return [dropped.get(item.source, item) for item in items]


def _in_burst(one: Shot, other: Shot) -> bool:
    if one.local is None or other.local is None or one.camera != other.camera:
        return False
    return abs(other.local - one.local) <= _BURST


def check_stage(root: Path, items: Sequence[FilingItem]) -> list[FilingItem]:
    """Give ``before`` photos the stage ``check`` where their visit has no ``after``."""
    after = {(i.lawn, i.zone, i.date) for i in items if i.stage == "after"}

    def no_after(item: FilingItem) -> bool:
        folder = root / "photos" / item.lawn / item.zone / f"{item.date}-after"
        return (item.lawn, item.zone, item.date) not in after and not folder.exists()

    return [
        replace(item, stage="check") if item.stage == "before" and no_after(item) else item
        for item in items
    ]


def targets(
    root: Path, items: Sequence[FilingItem], shots: Mapping[Path, Shot], *, again: bool
) -> list[FilingItem]:
    """Give each item its place in the round; recognise what lies there or was filed before."""
    here = round_hashes(root, {shots[i.source].size_bytes for i in items if i.sha256})
    before = {} if again else filed_before(root)
    taken: dict[str, set[str]] = {}
    out = []
    for item in items:
        if item.action not in ("file", "ask"):
            out.append(item)
        elif item.sha256 in here:
            out.append(_left(item, f"is {here[item.sha256]}", "filed before"))
        elif item.sha256 in before:
            reason = f"was {before[item.sha256]}, removed since; --again files it again"
            out.append(_left(item, reason, "filed before"))
        else:
            out.append(_placed(root, item, shots[item.source], taken))
    return out


def round_hashes(root: Path, sizes: Iterable[int]) -> dict[str, str]:
    """Return the path of every photo of the round that has one of these sizes, by SHA-256.

    What is hidden or a link does not count: it is no copy that anyone would find again.
    """
    wanted, found = set(sizes), {}
    for photos in reversed(photo_folders(root)):  # what lies in the round itself is named first
        for path in sorted(photos.rglob("*")):
            inside = path.relative_to(photos)
            hidden = any(part.startswith(".") for part in inside.parts)
            if hidden or path.is_symlink() or not path.is_file():
                continue
            with contextlib.suppress(OSError):  # one that cannot be read is no copy to rely on
                if path.stat().st_size in wanted:
                    found[sha256_of(path)] = f"{PHOTOS}/{inside.as_posix()}"
    return found


def _placed(root: Path, item: FilingItem, shot: Shot, taken: dict[str, set[str]]) -> FilingItem:
    folder = f"photos/{item.lawn}/{item.zone}/{item.date}-{item.stage}"
    if folder not in taken:
        there = root / folder
        taken[folder] = {p.name.casefold() for p in there.iterdir()} if there.is_dir() else set()
    name = item.source.name
    if item.spot and not shot.spot:
        name = f"{item.spot}{SPOT_MARK}{name}"
    elif item.spot and item.spot != shot.spot:
        name = f"{item.spot}{SPOT_MARK}{name.split(SPOT_MARK, 1)[1]}"
    twin = _twin_there(root / folder, shot)
    if twin is not None:
        reason = f"another form of the shot is {twin.relative_to(root).as_posix()}"
        return _left(item, reason, "filed before")
    stem, suffix = Path(name).stem, Path(name).suffix
    endings = [suffix, *(f"-{n}{suffix}" for n in range(2, 10_000))]
    names = [_fitting(stem, ending) for ending in endings]
    free = next(name for name in names if name.casefold() not in taken[folder])
    taken[folder].add(free.casefold())
    return replace(item, target=f"{folder}/{free}")


def _fitting(stem: str, ending: str) -> str:
    """Return a file name, its stem cut to what file systems take (255 bytes, NAME_MAX of POSIX)."""
    room = _NAME_BYTES_MAX - len(os.fsencode(ending))
    data = os.fsencode(stem)
    return stem + ending if len(data) <= room else data[:room].decode("utf-8", "ignore") + ending


def _twin_there(folder: Path, shot: Shot) -> Path | None:
    """Return a file of the folder that is another form of the shot, such as its JPEG."""
    if not folder.is_dir():
        return None
    for path in sorted(folder.iterdir()):
        hidden = path.name.startswith(".")
        alike = not hidden and shot.bare_stem in path.name.casefold() and path.is_file()
        if alike and path.suffix.lower() in PHOTO_SUFFIXES:
            other = shot_of(path, folder, shot.clock_offset)
            if same_shot(replace(other, path=shot.path.with_name(path.name)), shot):
                return path
    return None
