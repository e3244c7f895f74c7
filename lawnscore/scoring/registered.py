"""Only lawns and zones that are registered are scored: a misspelt folder is no new customer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from lawnscore.register.add import add_lawn
from lawnscore.register.folder import Misplaced, PhotoPlace, Round
from lawnscore.register.register import nearest, read_register


def registered_only(opened: Round, *, add: bool = False) -> Round:
    """Return the round without the photos of lawns and zones that lawns.csv does not name.

    Parameters
    ----------
    opened
        The round as it lies on disk.
    add
        Take those lawns and zones on instead: each gets a row in lawns.csv.

    Returns
    -------
    Round
        Folders that are not known stand among ``misplaced``, with the nearest name. A round with
        no lawn in lawns.csv keeps every photo: there is nothing to hold them against.
    """
    lawns = read_register(opened.path).lawns
    if lawns.empty:
        return opened
    zones: dict[str, list[str]] = {}
    for lawn, zone in zip(lawns["lawn"], lawns["zone"], strict=True):
        zones.setdefault(str(lawn), []).append(str(zone))
    unknown: dict[tuple[str, str], PhotoPlace] = {}
    for photo in opened.photos:
        if photo.zone not in zones.get(photo.lawn, []):
            unknown.setdefault((photo.lawn, photo.zone), photo)
    if add:
        for lawn, zone in unknown:
            add_lawn(opened.path, lawn, zone)
        return opened
    if not unknown:
        return opened
    kept = [photo for photo in opened.photos if (photo.lawn, photo.zone) not in unknown]
    odd = [_misplaced(photo, zones) for photo in unknown.values()]
    return replace(opened, photos=kept, misplaced=[*opened.misplaced, *odd])


def _misplaced(photo: PhotoPlace, zones: dict[str, list[str]]) -> Misplaced:
    folder = Path(photo.relative).parent.parent.as_posix()
    take_on = "Rename the folder, or take it on with `lawnscore score ROUND --add`."
    if photo.lawn not in zones:
        guess = nearest(photo.lawn, zones)
        return Misplaced(
            folder, f"lawn `{photo.lawn}` is not in lawns.csv", f"{guess} {take_on}".strip()
        )
    own = zones[photo.lawn]
    guess = nearest(photo.zone, own) or f"Its zones: {', '.join(own)}."
    return Misplaced(
        folder, f"{photo.lawn} has no zone `{photo.zone}` in lawns.csv", f"{guess} {take_on}"
    )
