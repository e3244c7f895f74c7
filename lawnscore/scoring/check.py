"""Every problem of a round in one pass: settings, register and photos."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date as calendar_date
from datetime import datetime, timedelta
from pathlib import Path

from lawnscore.card.reference import load_reference
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row, rows_of
from lawnscore.contract.settings import Settings
from lawnscore.contract.tables import LANGUAGES
from lawnscore.filing.places import is_folder_name
from lawnscore.filing.shots import sha256_of, shot_of
from lawnscore.register.cells import CellError
from lawnscore.register.customers import customer_notes, customer_problems
from lawnscore.register.folder import PhotoPlace, Round, open_round
from lawnscore.register.mail_address import parse_mail_address
from lawnscore.register.problems import Problem
from lawnscore.register.programme import programme_problems
from lawnscore.register.register import (
    WHOLE_LAWN,
    Register,
    complaint_photos,
    nearest,
    read_register,
)
from lawnscore.scoring.conflict_copies import conflict_copies

EARLIEST = "2000-01-01"
_PLAUSIBLE_AREA_M2 = (2.0, 20_000.0)  # common practice, no source: a bed's edge to a large garden
_AREA_SLACK = 1.05
_NUTRIENTS = ("n_pct", "p2o5_pct", "k2o_pct", "ca_pct", "mg_pct", "fe_pct", "s_pct")
_EARLY_HOUR = 4  # a visit that passed midnight


@dataclass(frozen=True)
class CheckResult:
    """What was found in a round: problems to mend, notes to look at, and what was looked at."""

    problems: tuple[Problem, ...]
    notes: tuple[Problem, ...]
    n_zones: int
    n_work: int
    n_photos: int


def check_round(round_path: Path | str, *, today: str | None = None) -> CheckResult:
    """Return every problem of a round.

    Parameters
    ----------
    round_path
        Folder of the round.
    today
        ISO date; a visit after it cannot be. The machine's date when left out.

    Raises
    ------
    LawnscoreError
        When the folder is missing.
    """
    folder = Path(round_path)
    day = today or calendar_date.today().isoformat()
    register = read_register(folder)
    problems = [*register.problems, *_lawn_problems(folder, register), *_work(register, day)]
    problems += _complaints(folder, register, day)
    problems += programme_problems(folder)
    problems += customer_problems(register)
    notes = [*register.notes, *_work_notes(register), *customer_notes(register)]
    photos: list[PhotoPlace] = []
    try:
        opened = open_round(folder)
        photos = opened.photos
        problems[:0] = [*_setting_problems(folder, opened.settings), *_away(opened)]
        problems += [Problem(m.relative, None, "", m.what, m.mend) for m in opened.misplaced]
    except LawnscoreError as error:
        file = Path(error.where).name if error.where else "round.toml"
        mend = f"{error.mend} Then check again: the photos were not looked at."
        problems.insert(0, Problem(file, None, "", error.what, mend))
    problems += [
        *_places(photos, register),
        *_photo_dates(photos, day, _left(register)),
        *_repeats(photos),
        *conflict_copies(folder, photos),
    ]
    notes += _visits_without_work(photos, register)
    return CheckResult(
        tuple(problems),
        tuple(notes),
        len(register.lawns),
        len(set(register.row_numbers["work"])),
        len(photos),
    )


def _setting_problems(folder: Path, settings: Settings) -> Iterator[Problem]:
    language = settings.report.language
    if language not in LANGUAGES:
        mend = f"Use one of: {', '.join(LANGUAGES)}."
        yield Problem("round.toml", None, "", f"`report.language` is `{language}`", mend)
    try:
        load_reference(settings.scoring.card, base=folder)
    except LawnscoreError as error:
        what = f"`scoring.card` is {settings.scoring.card!r}: {error.what}"
        yield Problem("round.toml", None, "", what, error.mend)
    if settings.report.email:
        try:
            parse_mail_address(settings.report.email)
        except CellError as error:
            yield Problem("round.toml", None, "", f"`report.email`: {error.what}", error.mend)
    logo = settings.report.logo
    if logo and not (folder / logo).is_file():
        mend = "Put it there, or name another file."
        yield Problem("round.toml", None, "", f"`report.logo` names no file ({logo})", mend)


def _away(opened: Round) -> Iterator[Problem]:
    if opened.absent:
        what = f"`photos.elsewhere` names a folder that is not there or empty ({opened.elsewhere})"
        mend = "Connect its disk, or mend the path; until then its photos keep their rows."
        yield Problem("round.toml", None, "", what, mend)


def _rows(register: Register, table: str) -> Iterator[tuple[int, Row]]:
    yield from zip(register.row_numbers[table], rows_of(getattr(register, table)), strict=True)


def _lawn_problems(folder: Path, register: Register) -> Iterator[Problem]:
    if register.lawns.empty and not register.problems:
        what = (
            "no lawn is registered" if (folder / "lawns.csv").exists() else "there is no such file"
        )
        yield Problem("lawns.csv", None, "", what, "Add lawns with `lawnscore add-lawn`.")
    alike: dict[tuple[str, str], int] = {}
    for row, lawn in _rows(register, "lawns"):
        yield from _area_problems(row, lawn["area_m2"])
        for column in ("lawn", "zone"):
            if not is_folder_name(lawn[column]):
                mend = 'Leave out / \\ : * ? " < > | and a dot at the start or the end.'
                what = f"`{lawn[column]}` cannot be the name of a folder"
                yield Problem("lawns.csv", row, column, what, mend)
        key = (re.sub(r"\W|_", "", lawn["lawn"]), re.sub(r"\W|_", "", lawn["zone"]))
        key = (key[0].casefold(), key[1].casefold())
        if key in alike:
            mend = "If they are one, keep one row and rename the photos' folder."
            what = f"{lawn['lawn']}, {lawn['zone']} is spelt much like row {alike[key]}"
            yield Problem("lawns.csv", row, "lawn", what, mend)
        alike.setdefault(key, row)


def _area_problems(row: int, area: float | None) -> Iterator[Problem]:
    low, high = _PLAUSIBLE_AREA_M2
    if area is None:
        mend = "Measure the zone; amounts and reports need it."
        yield Problem("lawns.csv", row, "area_m2", "no area", mend)
    elif not low <= area <= high:
        mend = "Check the number and its unit: square metres."
        yield Problem("lawns.csv", row, "area_m2", f"{area:g} m2 is hardly a zone of a lawn", mend)


def _work(register: Register, today: str) -> Iterator[Problem]:
    known, left = _zones(register), _left(register)
    seen: dict[tuple[tuple[str, str], ...], int] = {}
    for row, work in _once_a_row(_rows(register, "work")):
        yield from _unknown_place("work.csv", row, work["lawn"], work["zone"], known)
        yield from _impossible_date("work.csv", row, work["date"], today)
        percent = sum(work[name] or 0.0 for name in _NUTRIENTS)
        if percent > 100:
            mend = "Copy the percentages from the label again."
            yield Problem("work.csv", row, "n_pct", f"the label adds up to {percent:g} %", mend)
        for amount, unit in (("rate", "rate_unit"), ("material_off", "material_unit")):
            if work[amount] is not None and work[unit] is None:
                mend = "Write the unit beside it."
                yield Problem("work.csv", row, unit, f"{amount} {work[amount]:g} has no unit", mend)
        yield from _too_much_area(row, work, register)
        yield from _after_it_left("work.csv", row, work, left)
        key = tuple(sorted((k, str(v)) for k, v in work.items()))
        if key in seen:
            mend = "Delete one of the two, unless it was done twice."
            yield Problem("work.csv", row, "", f"the same work as row {seen[key]}", mend)
        seen.setdefault(key, row)


def _complaints(folder: Path, register: Register, today: str) -> Iterator[Problem]:
    known = _zones(register)
    for row, complaint in _rows(register, "complaints"):
        yield from _unknown_place(
            "complaints.csv", row, complaint["lawn"], complaint["zone"], known
        )
        yield from _impossible_date("complaints.csv", row, complaint["date"], today)
        for name in complaint_photos(complaint["photos"]):
            path = (folder / name).resolve()
            if not path.is_relative_to(folder.resolve()) or not path.is_file():
                what = f"there is no photo `{name}` in the round"
                mend = "Put it there, or write its path from the folder of the round."
                yield Problem("complaints.csv", row, "photos", what, mend)


def _once_a_row(rows: Iterable[tuple[int, Row]]) -> Iterator[tuple[int, Row]]:
    """Yield work on a whole lawn once, not for each of its zones."""
    last = None
    for row, work in rows:
        if row != last:
            yield row, work
        last = row


def _too_much_area(row: int, work: Row, register: Register) -> Iterator[Problem]:
    lawns = register.lawns
    own = lawns[(lawns["lawn"] == work["lawn"]) & (lawns["zone"] == work["zone"])]["area_m2"]
    if work["area_m2"] is None or own.empty or own.isna().any():
        return
    if work["area_m2"] > _AREA_SLACK * own.iloc[0]:
        what = f"{work['area_m2']:g} m2 worked, but the zone has {own.iloc[0]:g} m2"
        yield Problem("work.csv", row, "area_m2", what, "Mend the area here or in lawns.csv.")


def _left(register: Register) -> dict[tuple[str, str], str]:
    """Return when each zone left the round, where it has."""
    return {(lawn["lawn"], lawn["zone"]): lawn["left"]
            for _, lawn in _rows(register, "lawns") if lawn["left"] is not None}  # fmt: skip


def _after_it_left(
    file: str, row: int | None, where: Row, left: dict[tuple[str, str], str]
) -> Iterator[Problem]:
    gone = left.get((where["lawn"], where["zone"]))
    if gone is not None and where["date"] > gone:
        what = f"{where['lawn']}, {where['zone']} left the round on {gone}, before this date"
        mend = "Mend the date, or empty `left` in lawns.csv when it has come back."
        yield Problem(file, row, "date" if row else "", what, mend)


def _work_notes(register: Register) -> Iterator[Problem]:
    for row, work in _once_a_row(_rows(register, "work")):
        if work["task"] in ("feed", "spray") and work["product"] is None:
            mend = "Write what was put on; records of it are kept by product."
            yield Problem("work.csv", row, "product", f"{work['task']} without a product", mend)


def _zones(register: Register) -> dict[str, list[str]]:
    zones: dict[str, list[str]] = {}
    for lawn, zone in zip(register.lawns["lawn"], register.lawns["zone"], strict=True):
        zones.setdefault(lawn, []).append(zone)
    return zones


def _unknown_place(
    file: str, row: int | None, lawn: str, zone: str, known: dict[str, list[str]]
) -> Iterator[Problem]:
    if not known:
        return
    if lawn not in known:
        mend = nearest(lawn, known) or "Add it with `lawnscore add-lawn`, or mend the name."
        yield Problem(file, row, "lawn" if row else "", f"unknown lawn `{lawn}`", mend)
    elif zone not in known[lawn] and not (row and zone == WHOLE_LAWN):
        mend = f"{nearest(zone, known[lawn])} Its zones: {', '.join(known[lawn])}.".strip()
        yield Problem(file, row, "zone" if row else "", f"{lawn} has no zone `{zone}`", mend)


def _impossible_date(file: str, row: int | None, date: str, today: str) -> Iterator[Problem]:
    if date > today:
        yield Problem(file, row, "date" if row else "", f"{date} is yet to come", "Mend the date.")
    elif date < EARLIEST:
        what = f"{date} is before {EARLIEST[:4]}"
        yield Problem(file, row, "date" if row else "", what, "Mend the date.")


def _visits(photos: Sequence[PhotoPlace]) -> dict[str, list[PhotoPlace]]:
    visits: dict[str, list[PhotoPlace]] = defaultdict(list)
    for photo in photos:
        visits[Path(photo.relative).parent.as_posix()].append(photo)
    return visits


def _places(photos: Sequence[PhotoPlace], register: Register) -> Iterator[Problem]:
    known = _zones(register)
    done: set[tuple[str, str]] = set()
    for photo in photos:
        if photo.trouble:
            mend = "Copy the photo itself here."
            yield Problem(photo.relative, None, "", photo.trouble, mend)
        place = (photo.lawn, photo.zone)
        if place not in done:
            done.add(place)
            folder = Path(photo.relative).parent.parent.as_posix()
            yield from _unknown_place(folder, None, *place, known)


def _photo_dates(
    photos: Sequence[PhotoPlace], today: str, left: dict[tuple[str, str], str]
) -> Iterator[Problem]:
    spans: dict[tuple[str, str, str], dict[str, tuple[str, str]]] = defaultdict(dict)
    for folder, own in _visits(photos).items():
        visit = own[0]
        yield from _impossible_date(folder, None, visit.date, today)
        yield from _after_it_left(folder, None, vars(visit), left)
        shots = [shot_of(photo.path, photo.path.parent) for photo in own if not photo.trouble]
        times = sorted(s.local for s in shots if s.local is not None and s.time_source == "exif")
        off = [time for time in times if not _fits(time, visit.date)]
        if off:
            what = f"{len(off)} of {len(own)} photos were taken on {off[0]:%Y-%m-%d}"
            mend = "Move them to the folder of their date, or leave them if the clock was wrong."
            yield Problem(folder, None, "", what, mend)
        if times:
            span = (times[0].isoformat(), times[-1].isoformat())
            spans[visit.lawn, visit.zone, visit.date][visit.stage] = span
    for (lawn, zone, date), stages in spans.items():
        if "before" in stages and "after" in stages and stages["before"][1] > stages["after"][0]:
            folder = f"photos/{lawn}/{zone}/{date}-before"
            what = "a photo was taken later than the first one of after"
            yield Problem(folder, None, "", what, "See whether before and after are swapped.")


def _fits(time: datetime, date: str) -> bool:
    """Return whether a time is of the visit's date, or of the night that follows it."""
    day = calendar_date.fromisoformat(date)
    night = time.date() == day + timedelta(days=1) and time.hour < _EARLY_HOUR
    return time.date() == day or night


def _repeats(photos: Sequence[PhotoPlace]) -> Iterator[Problem]:
    by_size: dict[int, list[PhotoPlace]] = defaultdict(list)
    for photo in photos:
        if not photo.trouble:
            by_size[photo.path.stat().st_size].append(photo)
    for alike in by_size.values():
        first: dict[str, str] = {}
        for photo in alike if len(alike) > 1 else ():
            kept = first.setdefault(sha256_of(photo.path), photo.relative)
            if kept != photo.relative:
                mend = "Move one of the two out of the round; both would be scored."
                yield Problem(photo.relative, None, "", f"the same photo as {kept}", mend)


def _visits_without_work(photos: Sequence[PhotoPlace], register: Register) -> Iterator[Problem]:
    work = set(zip(register.work["date"], register.work["lawn"], strict=True))
    for folder, own in _visits(photos).items():
        if own[0].stage == "after" and (own[0].date, own[0].lawn) not in work:
            mend = "Write the work down with `lawnscore add-work`."
            yield Problem(folder, None, "", "photos after work, and no work in work.csv", mend)
