"""Which lawn, zone, stage and date each photo of a dump belongs to, by the slip before it.

Only tables of facts go in (times, names, what was seen), so that every rule can be tried without
photos. A photo belongs nowhere unless everything speaks for it; else the reason says what is
missing, and a question says what a person can confirm.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from lawnscore.filing.shots import Shot
from lawnscore.filing.slip_code import SlipCode
from lawnscore.filing.slip_finder import SlipSighting

SAME_VISIT = timedelta(hours=4)
"""A lawn's slips closer together than this are one visit, also across midnight."""

_OLD = timedelta(days=366)
_FILE_OLDER = timedelta(hours=36)  # more than any two time zones are apart
_BOTH = "the slip shows both codes"
_EARLIEST = datetime(2000, 1, 1)
_WRAP = (1000, 9000)  # numbers run from 9999 to 0001: DCF, JEITA CP-3461


@dataclass(frozen=True)
class GroupingRules:
    """What a person says about a dump.

    Parameters
    ----------
    now
        Wall time of today.
    gap_min
        A break of more minutes than this needs a word from a person.
    date
        Date of all visits of the dump, ISO text; empty takes it from the slips.
    together
        Cameras have the same time, so a slip holds for photos of the others.
    slip_hours
        A photo taken longer after its slip than this is not taken for its own.
    """

    now: datetime
    gap_min: float = 15.0
    date: str = ""
    together: bool = False
    slip_hours: float = 4.0


@dataclass(frozen=True)
class Belonging:
    """Where one photo belongs.

    ``code`` is empty when it belongs nowhere; ``reason`` says why, or is empty. With a
    ``question`` it belongs there only once a person has said yes. ``slipless`` is true where
    no slip speaks for it, so that a person may give one.
    """

    code: SlipCode | None = None
    date: str = ""
    slip: Path | None = None
    reason: str = ""
    question: str = ""
    slipless: bool = False


def group_shots(
    shots: Sequence[Shot], seen: Mapping[Path, SlipSighting], rules: GroupingRules
) -> dict[Path, Belonging]:
    """Return where each photo of a dump belongs; photos of slips are left out.

    Parameters
    ----------
    shots
        Photos alone, each shot once.
    seen
        What each photo shows, by its path.
    rules
        What a person said.
    """
    belongings: dict[Path, Belonging] = {}
    for camera, own in by_camera(shots, together=rules.together).items():
        ordered, left = in_order(own)
        for shot in left:
            belongings[shot.path] = Belonging(
                reason="no time in the photo and no number in its name to put it in order"
            )
        if not any(seen[shot.path].codes or seen[shot.path].fault for shot in ordered):
            who = f"with {camera}" if camera else "among these photos"
            reason = f"no slip was photographed {who}"
            none = Belonging(reason=reason, slipless=True)
            belongings |= {shot.path: none for shot in ordered}
            continue
        walked = _Walk(seen, rules).walk(ordered)
        belongings |= _timed(ordered, _agreed(ordered, walked, seen))
    return belongings


def doubts(moment: datetime | None, shot: Shot, now: datetime) -> tuple[str, str]:
    """Return why a visit's moment cannot be its date, and what is doubtful in it."""
    if moment is None:
        return "neither it nor its slip says when it was taken: give --date", ""
    if not _EARLIEST <= moment <= now + timedelta(days=1):
        said = f"the camera's clock says {moment:%Y-%m-%d %H:%M}"
        return f"{said}, which cannot be: give --clock-offset or --date", ""
    if shot.local and shot.local - shot.modified > _FILE_OLDER:
        return "", f"taken {shot.local:%Y-%m-%d} by its clock, but the file is older"
    if now - moment > _OLD:
        return "", f"taken {moment:%Y-%m-%d} by its clock, more than a year ago"
    return "", ""


def in_order(shots: Sequence[Shot]) -> tuple[list[Shot], list[Shot]]:
    """Return photos of one camera in the order they were taken, and those without a place in it.

    Times go first; where a photo has none, the numbers in the names, if every name has one of
    the same series.
    """
    timed = [shot for shot in shots if shot.local is not None]
    if len(timed) == len(shots):
        return sorted(shots, key=_time_key(shots)), []
    by_number = _by_number(shots)
    if by_number:
        return by_number, []
    return sorted(timed, key=_time_key(timed)), [s for s in shots if s.local is None]


def by_camera(shots: Sequence[Shot], *, together: bool) -> dict[str, list[Shot]]:
    """Return the photos of each camera, or all of them under one name."""
    cameras = {shot.camera for shot in shots} - {""}
    # Photos that lost their notes on the way are taken for the only camera there is.
    alone = next(iter(cameras)) if len(cameras) == 1 else ""
    groups: dict[str, list[Shot]] = {}
    for shot in shots:
        groups.setdefault("" if together else shot.camera or alone, []).append(shot)
    return groups


def _time_key(shots: Sequence[Shot]) -> Callable[[Shot], tuple[datetime, int, str]]:
    # Wall times alone jump where a journey changes the time zone.
    with_offset = all(shot.utc_offset is not None for shot in shots)

    def key(shot: Shot) -> tuple[datetime, int, str]:
        moment = shot.local or datetime.min
        if with_offset and shot.utc_offset is not None:
            moment -= shot.utc_offset
        return moment, shot.counter or 0, shot.relative

    return key


def _by_number(shots: Sequence[Shot]) -> list[Shot]:
    """Return photos in the order of their numbers; empty where the numbers give no order."""
    if len({shot.series for shot in shots}) != 1:
        return []
    numbers = [shot.counter for shot in shots if shot.counter is not None]
    wraps = bool(numbers) and min(numbers) < _WRAP[0] and max(numbers) > _WRAP[1]
    if len(set(numbers)) != len(shots) or wraps:
        return []
    return sorted(shots, key=lambda shot: shot.counter or 0)


def _agreed(
    ordered: Sequence[Shot], walked: dict[Path, Belonging], seen: Mapping[Path, SlipSighting]
) -> dict[Path, Belonging]:
    """Put in doubt what times and file numbers do not both say."""
    by_number = _by_number(ordered)
    if not by_number:
        return walked
    slip_by_time, slip_by_number = _slip_before(ordered, seen), _slip_before(by_number, seen)
    for path, belonging in walked.items():
        if belonging.code is not None and slip_by_time[path] != slip_by_number[path]:
            reason = "its time and its file number put it behind different slips"
            walked[path] = Belonging(reason=f"{reason}: was the clock changed?")
    return walked


def _timed(ordered: Sequence[Shot], walked: dict[Path, Belonging]) -> dict[Path, Belonging]:
    """Ask about photos without a time among photos that have one: they may be someone else's."""
    if any(shot.local is not None for shot in ordered):
        for shot in ordered:
            belonging = walked.get(shot.path)
            if shot.local is None and belonging is not None and belonging.code is not None:
                question = belonging.question or "no time in it; placed by the number in its name"
                walked[shot.path] = replace(belonging, question=question)
    return walked


def _slip_before(
    ordered: Sequence[Shot], seen: Mapping[Path, SlipSighting]
) -> dict[Path, Path | None]:
    last: Path | None = None
    before: dict[Path, Path | None] = {}
    for shot in ordered:
        if seen[shot.path].codes or seen[shot.path].fault:
            last = shot.path
        before[shot.path] = last
    return before


class _Walk:
    """Walks through the photos of one camera and remembers the slip that holds."""

    def __init__(self, seen: Mapping[Path, SlipSighting], rules: GroupingRules) -> None:
        self.seen = seen
        self.rules = rules
        self.code: SlipCode | None = None
        self.both = False  # the slip was photographed with both of its codes
        self.broken = ""  # why the photos that follow need a word from a person
        self.trouble = "no slip was photographed before it"
        self.slip: Shot | None = None
        self.said: datetime | None = None  # when the last slip was photographed, a spot's too
        self.last: datetime | None = None
        self.break_min = 0.0  # the break in the photos of this slip, if there is one
        self.card_in_use = any(sighting.shows_card for sighting in seen.values())
        self.dates: dict[Path, str] = {}  # of each visit, by its slip
        self.visits: dict[str, tuple[str, datetime]] = {}
        self.out: dict[Path, Belonging] = {}

    def walk(self, ordered: Sequence[Shot]) -> dict[Path, Belonging]:
        for shot in ordered:
            sighting = self.seen[shot.path]
            if sighting.codes or sighting.fault:
                self._take_slip(shot, sighting)
            else:
                self.out[shot.path] = self._belonging(shot)
            self.last = shot.local or self.last
        return self._both_sides(self.out)

    def _take_slip(self, shot: Shot, sighting: SlipSighting) -> None:
        places = {(code.lawn, code.zone) for code in sighting.codes}
        stages = {code.stage for code in sighting.codes} - {""}
        spots = {code.spot for code in sighting.codes} - {""}
        held, name = self.code, shot.relative
        self.code, self.broken, self.said = None, "", shot.local
        if sighting.fault:
            self.trouble = f"the slip in {name} cannot be used: {sighting.fault}"
        elif len(places) != 1 or len(spots) > 1 or len(stages) > 2:
            self.trouble = f"{name} shows slips of more than one place"
        elif not stages and (held is None or (held.lawn, held.zone) not in places):
            self.trouble = f"the spot in {name} does not follow a slip of its zone"
        elif not stages and held is not None:
            self.code = replace(held, spot=spots.pop())
            gap = self._gap_min(shot)  # a break may end with a slip of a spot
            self.break_min = gap if gap > self.rules.gap_min else self.break_min
        else:
            lawn, zone = places.pop()
            self.both = len(stages) == 2
            spot = spots.pop() if spots else ""
            self.code = SlipCode(lawn, zone, sorted(stages)[-1], spot)
            self.slip, self.break_min = shot, 0.0
            self.last = shot.local

    def _belonging(self, shot: Shot) -> Belonging:
        if self.code is None or self.slip is None:
            return Belonging(reason=self.trouble, slipless=True)
        if self._is_far(shot):
            reason = f"taken more than {self.rules.slip_hours:g} h after the slip of"
            mend = "give its slip with --lawn and --zone, or --slip-hours"
            return Belonging(reason=f"{reason} {self.code.place}: {mend}", slipless=True)
        date, trouble, doubt = self._date(shot, self.code.lawn)
        if trouble:
            return Belonging(reason=trouble)
        gap = self._gap_min(shot)
        question = doubt or self._card_question(shot)
        code = self.code
        if gap > self.rules.gap_min:
            self.break_min = gap
        wait = f"{self.break_min:.0f} min"
        if self.break_min and not self.both:
            question = f"taken after a break of {wait} in the photos of the {code.stage} slip"
            if code.stage == "before":
                code = replace(code, stage="after")
        elif self.both:
            code = replace(code, stage="after" if self.break_min else "before")
            question = f"{_BOTH}; a break parts before from after"
        return Belonging(code, date, self.slip.path, question=question)

    def _gap_min(self, shot: Shot) -> float:
        if shot.local is None or self.last is None:
            return 0.0
        return abs((shot.local - self.last).total_seconds()) / 60

    def _is_far(self, shot: Shot) -> bool:
        if shot.local is None or self.said is None:
            return False
        return abs(shot.local - self.said) > timedelta(hours=self.rules.slip_hours)

    def _card_question(self, shot: Shot) -> str:
        """Ask where a photo with neither slip nor card might be a slip that was not read."""
        if not self.seen[shot.path].shows_card and self.card_in_use:
            self.broken = self.broken or f"{shot.relative} shows neither a slip nor the card"
        return self.broken

    def _date(self, shot: Shot, lawn: str) -> tuple[str, str, str]:
        """Return the date of the visit, why there is none, and what is doubtful in it."""
        if self.rules.date:
            return self.rules.date, "", ""
        moment = (self.slip.local if self.slip else None) or shot.local
        trouble, doubt = doubts(moment, shot, self.rules.now)
        if trouble or moment is None:
            return "", trouble, ""
        date = self._visit_date(moment, lawn)
        self.visits[lawn] = (date, max(moment, shot.local or moment))
        return date, "", doubt

    def _visit_date(self, moment: datetime, lawn: str) -> str:
        """Return the local date of the slip; past midnight, of the lawn's slip before it."""
        slip = self.slip.path if self.slip else Path()
        if slip not in self.dates:
            date, last = self.visits.get(lawn, ("", moment))
            near = timedelta(0) <= moment - last <= SAME_VISIT
            self.dates[slip] = date if date and near else f"{moment:%Y-%m-%d}"
        return self.dates[slip]

    def _both_sides(self, out: dict[Path, Belonging]) -> dict[Path, Belonging]:
        """Tell before from after where slips were photographed with both codes in view.

        A break in the photos of the one slip parts them; else the first of two such slips of a
        zone and date is before and the second after. What neither parts is left.
        """
        by_visit: dict[tuple[str, str, str], dict[Path, set[str]]] = {}
        for belonging in out.values():
            if belonging.code and belonging.slip and belonging.question.startswith(_BOTH):
                visit = (belonging.code.lawn, belonging.code.zone, belonging.date)
                slips = by_visit.setdefault(visit, {})
                slips.setdefault(belonging.slip, set()).add(belonging.code.stage)
        mended = dict(out)
        for slips in by_visit.values():
            parted = len(slips) == 2 and all(stages == {"before"} for stages in slips.values())
            for stage, (slip, stages) in zip(("before", "after"), slips.items(), strict=False):
                if parted or stages == {"before"}:
                    mended |= _told_apart(out, slip, stage if parted else "")
        return mended


def _told_apart(out: dict[Path, Belonging], slip: Path, stage: str) -> dict[Path, Belonging]:
    """Return what belongs to a slip of both codes, with its stage; left where it has none."""
    mended = {}
    for path, belonging in out.items():
        if belonging.slip != slip or belonging.code is None:
            continue
        if stage:
            question = f"{_BOTH}; of two such slips the first is before, the second after"
            code = replace(belonging.code, stage=stage)
            mended[path] = replace(belonging, code=code, question=question)
        else:
            reason = f"{_BOTH} and there is no break that parts before from after"
            mended[path] = Belonging(reason=reason)
    return mended
