"""Sort a phone's dump into the round: by the slips in it and the times of its photos.

Copies and verifies; never deletes, moves or overwrites; files nothing that is not sure.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError, PhotoRefused
from lawnscore.contract.files import write_whole
from lawnscore.contract.settings import FilingSettings, read_settings
from lawnscore.filing.forgotten import named_groups, waiting_groups, with_slip
from lawnscore.filing.grouping import Belonging, GroupingRules, group_shots
from lawnscore.filing.places import check_stage, known_places, one_of_each_burst, targets
from lawnscore.filing.plan import FilingItem, FilingOptions, FilingPlan, confirmed, new_item
from lawnscore.filing.shots import Shot, gather_shots, same_shot, sha256_of
from lawnscore.filing.slip_code import SlipCode
from lawnscore.filing.slip_finder import HEIF_SUFFIXES, SlipSighting, find_slips

_CACHE = Path(".lawnscore") / "slips_seen.json"
_MOST_THREADS = 4  # each holds one photo, decoded
_CACHE_VERSION = "2"  # raise it whenever `find_slips` sees more or less than before
NO_PHOTO_FOLLOWS = "no photo follows it"
_AS_IT_IS = FilingOptions()
_NOT_A_PHOTO = {
    "video": "a video",
    "screenshot": "a screenshot",
    "other": "not a photo (JPEG, HEIC, PNG or TIFF)",
}


def plan_filing(
    round_path: Path | str,
    folder: Path | str,
    options: FilingOptions = _AS_IT_IS,
    *,
    now: datetime | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> FilingPlan:
    """Return what filing a dump would do; copies nothing.

    What was seen in each photo is remembered in ``.lawnscore/``, so that planning first and
    filing then looks at each photo once.

    Parameters
    ----------
    round_path, folder
        The round and the dump.
    options
        What a person says about the dump.
    now
        Wall time of today; a photo from the future cannot be.
    progress
        Called with the number of photos looked at, and of all.

    Raises
    ------
    LawnscoreError
        When the round or the folder is missing, or one lies in the other so that the dump would
        be the round's own photos; when a photo is named that waits for no word.
    """
    root, dump = Path(round_path), Path(folder)
    _check_places(root, dump)
    shots = gather_shots(dump, clock_offset=options.clock_offset, leave_out=root)
    items = {shot.path: _not_a_photo(shot) for shot in shots if shot.kind != "photo"}
    photos = [shot for shot in shots if shot.kind == "photo"]
    hashes = {shot.path: _hash(shot.path) for shot in photos}
    seen, unreadable = _see_slips(root, photos, hashes, progress)
    single, twins = _single(photos, hashes, unreadable)
    rules = _rules(root, options, now or datetime.now())
    belongings = group_shots(single, seen, rules)
    groups = waiting_groups(single, belongings, rules)
    only, leave = _chosen(options, single, groups)
    if options.forgotten is not None:
        mine = {path: group for path, group in groups.items() if group not in leave}
        belongings = with_slip(options.forgotten, single, belongings, mine, only, rules)
    followed = {belonging.slip for belonging in belongings.values()}
    for shot in single:
        item = _belonging_item(shot, belongings.get(shot.path), hashes, seen)
        if item.action == "slip" and shot.path not in followed and _opens(seen[shot.path]):
            item = replace(item, reason=f"{item.reason}; {NO_PHOTO_FOLLOWS}")
        items[shot.path] = replace(item, group=groups.get(shot.path, ""))
    items |= twins
    for shot in photos:
        if shot.path in unreadable:
            items[shot.path] = new_item(shot, "left", unreadable[shot.path])
    placed = _place(root, [items[shot.path] for shot in shots], shots, seen, options)
    if options.confirm:
        agreed = (only or set(groups.values())) - leave
        placed = [confirmed(item) if item.group in agreed else item for item in placed]
    return FilingPlan(root, dump, tuple(placed))


def _rules(root: Path, options: FilingOptions, now: datetime) -> GroupingRules:
    file = root / "round.toml"
    settings = read_settings(file).filing if file.exists() else FilingSettings()
    gap = settings.gap_min if options.gap_min is None else options.gap_min
    hours = settings.slip_hours if options.slip_hours is None else options.slip_hours
    return GroupingRules(now, gap, options.date, options.together, hours)


def _chosen(
    options: FilingOptions, shots: Sequence[Shot], groups: Mapping[Path, str]
) -> tuple[set[str], set[str]]:
    """Return the groups that a person names to take, and to leave."""
    if (options.only or options.leave) and not (options.confirm or options.forgotten):
        mend = "Say --confirm, or give a slip with --lawn and --zone."
        raise LawnscoreError("--only and --leave go with another option", mend)
    only = named_groups(options.only, shots, groups)
    return only, named_groups(options.leave, shots, groups)


def _opens(sighting: SlipSighting) -> bool:
    """Return whether a slip opens a stage, so that photos are to follow it."""
    return any(code.stage for code in sighting.codes)


def _hash(path: Path) -> str:
    """Return the SHA-256 of a photo; empty when it cannot be read, which looking at it will say."""
    try:
        return sha256_of(path)
    except OSError:
        return ""


def _place(
    root: Path,
    items: list[FilingItem],
    shots: Sequence[Shot],
    seen: Mapping[Path, SlipSighting],
    options: FilingOptions,
) -> list[FilingItem]:
    by_path = {shot.path: shot for shot in shots}
    items = known_places(root, items)
    if not options.bursts:
        items = one_of_each_burst(items, by_path, seen)
    if options.no_work:
        items = check_stage(root, items)
    return targets(root, items, by_path, again=options.again)


def _check_places(root: Path, dump: Path) -> None:
    if not root.is_dir():
        raise LawnscoreError("there is no such round", "Make one with `lawnscore new`.", root)
    if dump.exists() and dump.resolve().is_relative_to(root.resolve()):
        raise LawnscoreError(
            "the folder lies in the round", "Name the folder the phone's photos are in.", dump
        )


def _not_a_photo(shot: Shot) -> FilingItem:
    return new_item(shot, "not a photo", _NOT_A_PHOTO[shot.kind])


def _see_slips(
    root: Path,
    photos: Sequence[Shot],
    hashes: Mapping[Path, str],
    progress: Callable[[int, int], None] | None,
) -> tuple[dict[Path, SlipSighting], dict[Path, str]]:
    """Look for slips in every photo, or remember what was seen; and say what is unreadable."""
    cache = _read_cache(root)
    seen: dict[Path, SlipSighting] = {}
    unreadable: dict[Path, str] = {}

    def look(shot: Shot) -> SlipSighting | PhotoRefused:
        known = cache.get(hashes[shot.path])
        try:
            if not hashes[shot.path]:
                shot.path.read_bytes()
                raise PhotoRefused("unreadable", "could be read only at the second try")
            return known or find_slips(shot.path)
        except PhotoRefused as refusal:
            return refusal
        except OSError as error:
            words = f"the file cannot be read ({error.strerror or error})"
            return PhotoRefused("unreadable", words)

    threads = ThreadPoolExecutor(min(_MOST_THREADS, os.cpu_count() or 1))
    try:
        for shot, saw in zip(photos, threads.map(look, photos), strict=True):
            if isinstance(saw, PhotoRefused):
                unreadable[shot.path] = saw.what
                # It may have been a slip: photos after it must not go to the slip before it.
                seen[shot.path] = SlipSighting(fault="it cannot be opened")
            else:
                seen[shot.path] = cache[hashes[shot.path]] = saw
            if progress is not None:
                progress(len(seen), len(photos))
    finally:
        threads.shutdown(cancel_futures=True)
        _write_cache(root, cache)
    return seen, unreadable


def _read_cache(root: Path) -> dict[str, SlipSighting]:
    try:
        stored = json.loads((root / _CACHE).read_text(encoding="utf-8"))[_CACHE_VERSION]
        return {
            sha256: SlipSighting(
                tuple(SlipCode(**code) for code in said["codes"]),
                said["fault"],
                said["shows_card"],
                said["sharpness"],
            )
            for sha256, said in stored.items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}  # losing it costs time, never facts


def _write_cache(root: Path, cache: Mapping[str, SlipSighting]) -> None:
    text = json.dumps({_CACHE_VERSION: {s: asdict(said) for s, said in cache.items()}})
    with contextlib.suppress(LawnscoreError):  # a round that cannot be written can still be planned
        write_whole(root / _CACHE, text.encode("ascii"))


def _single(
    photos: Sequence[Shot], hashes: Mapping[Path, str], unreadable: Mapping[Path, str]
) -> tuple[list[Shot], dict[Path, FilingItem]]:
    """Return each shot once: of copies the first, of HEIC and JPEG the HEIC, the original.

    The JPEG is kept when the HEIC cannot be opened.
    """
    single: list[Shot] = []
    twins: dict[Path, FilingItem] = {}
    by_hash: dict[str, Shot] = {}
    by_stem: dict[str, list[Shot]] = {}

    def rank(shot: Shot) -> tuple[bool, bool, Path]:
        return shot.path in unreadable, shot.path.suffix.lower() not in HEIF_SUFFIXES, shot.path

    for shot in sorted(photos, key=rank):
        same = by_hash.setdefault(hashes[shot.path] or str(shot.path), shot)
        if same is not shot:
            twins[shot.path] = new_item(shot, "twin", f"a copy of {same.relative}")
            continue
        others = by_stem.setdefault(shot.bare_stem, [])
        twin = next((other for other in others if same_shot(shot, other)), None)
        if twin is None:
            others.append(shot)
            single.append(shot)
        else:
            form = twin.path.suffix.lstrip(".").upper()
            reason = f"the same shot as {twin.relative}; the {form} is kept"
            twins[shot.path] = new_item(shot, "twin", reason)
    return single, twins


def _belonging_item(
    shot: Shot,
    belonging: Belonging | None,
    hashes: Mapping[Path, str],
    seen: Mapping[Path, SlipSighting],
) -> FilingItem:
    if belonging is None:
        codes = seen[shot.path].codes
        said = "; ".join(f"{c.place} {c.stage or c.spot}".strip() for c in codes)
        return new_item(shot, "slip", said or seen[shot.path].fault)
    if belonging.code is None:
        return new_item(shot, "left", belonging.reason)
    code = belonging.code
    return replace(
        new_item(shot, "ask" if belonging.question else "file", belonging.question),
        lawn=code.lawn,
        zone=code.zone,
        date=belonging.date,
        stage=code.stage,
        spot=code.spot or shot.spot,
        sha256=hashes[shot.path],
    )
