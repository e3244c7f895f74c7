"""Photos that wait for a word, in groups; and a slip that was forgotten, given in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import STAGES
from lawnscore.filing.grouping import Belonging, GroupingRules, by_camera, doubts, in_order
from lawnscore.filing.shots import Shot
from lawnscore.filing.slip_code import SlipCode
from lawnscore.register.register import nearest, read_register

Belongings = Mapping[Path, Belonging]


def forgotten_slip(
    round_path: Path | str, lawn: str, zone: str = "", stage: str = "check"
) -> SlipCode:
    """Return the slip that a person says was forgotten.

    Parameters
    ----------
    round_path
        The round; its lawns.csv must name the place.
    lawn, zone
        The place; a lawn with one zone needs no zone.
    stage
        ``before``, ``after`` or ``check``.

    Raises
    ------
    LawnscoreError
        When the lawn, zone or stage is none of the round's.
    """
    lawns = read_register(round_path).lawns
    zones: dict[str, list[str]] = {}
    for known_lawn, known_zone in zip(lawns["lawn"], lawns["zone"], strict=True):
        zones.setdefault(known_lawn, []).append(known_zone)
    spelt = next((name for name in zones if name.casefold() == lawn.casefold()), None)
    if spelt is None:
        mend = nearest(lawn, zones) or "Add it with `lawnscore add-lawn`."
        raise LawnscoreError(f"there is no lawn `{lawn}`", mend, "--lawn")
    own = zones[spelt]
    fitting = [name for name in own if name.casefold() == zone.casefold() or not zone]
    if len(fitting) != 1:
        what = f"{spelt} has no zone `{zone}`" if zone else f"{spelt} has {len(own)} zones"
        raise LawnscoreError(what, f"Say --zone and one of: {', '.join(own)}.", "--zone")
    if stage not in STAGES:
        raise LawnscoreError(
            f"`{stage}` is no stage", f"Use one of: {', '.join(STAGES)}.", "--stage"
        )
    return SlipCode(spelt, fitting[0], stage)


def waiting_groups(
    shots: Sequence[Shot], belongings: Belongings, rules: GroupingRules
) -> dict[Path, str]:
    """Return, for each photo that waits for a word, the first photo of its group.

    Photos of one question about one slip are a group; so are photos without a slip that follow
    each other with no longer break than ``rules.gap_min`` and no other photo between them.
    """
    groups: dict[Path, str] = {}
    asked: dict[tuple[object, ...], str] = {}
    for own in by_camera(shots, together=rules.together).values():
        ordered, rest = in_order(own)
        last: Shot | None = None  # of a run without a slip
        for shot in [*ordered, *rest]:
            belonging = belongings.get(shot.path)
            if belonging is not None and belonging.question:
                key = (belonging.question, belonging.code, belonging.date, belonging.slip)
                groups[shot.path] = asked.setdefault(key, shot.relative)
            if belonging is None or not belonging.slipless:
                last = None
                continue
            follows = last is not None and not _apart(last, shot, rules.gap_min)
            groups[shot.path] = groups[last.path] if last and follows else shot.relative
            last = shot
    return groups


def named_groups(
    names: Iterable[str], shots: Sequence[Shot], groups: Mapping[Path, str]
) -> set[str]:
    """Return the groups that photos are of, which a person names by file name or path in the dump.

    Raises
    ------
    LawnscoreError
        When no photo of that name waits for a word, or photos of several groups have it.
    """
    named = set()
    for name in names:
        of_name = {groups[s.path] for s in shots if s.path in groups and _is_named(s, name)}
        if len(of_name) != 1:
            what = f"no photo `{name}` waits for a word"
            mend = "--plan lists those that do."
            if of_name:
                what = f"several photos are called `{name}`"
                mend = "Give its path in the folder of photos."
            raise LawnscoreError(what, mend, "--only, --leave")
        named |= of_name
    return named


def with_slip(
    code: SlipCode,
    shots: Sequence[Shot],
    belongings: Belongings,
    groups: Mapping[Path, str],
    only: set[str],
    rules: GroupingRules,
) -> dict[Path, Belonging]:
    """Return where photos belong once a forgotten slip speaks for those that have none.

    Parameters
    ----------
    code
        The slip.
    shots, belongings, groups
        The dump, each shot once; where its photos belong without the slip; their groups.
    only
        Groups it speaks for; none named are the one group without a slip. Where there are several
        it speaks for none, and their photos say so.
    rules
        What a person said.

    Raises
    ------
    LawnscoreError
        When every photo has its slip.
    """
    slipless = {g for path, g in groups.items() if belongings[path].slipless}
    if not (only or slipless):
        raise LawnscoreError("every photo has its slip", "Leave out --lawn.", "--lawn")
    given = dict(belongings)
    dates: dict[str, str] = {}
    for shot in sorted(shots, key=lambda s: (s.local or datetime.max, s.relative)):
        group = groups.get(shot.path)
        if group is None or group not in (only or slipless):
            continue
        if not only and len(slipless) > 1:
            reason = f"{len(slipless)} groups of photos have no slip: name one photo with --only"
            given[shot.path] = replace(given[shot.path], reason=reason)
            continue
        trouble, doubt = ("", "") if rules.date else doubts(shot.local, shot, rules.now)
        if trouble:
            given[shot.path] = Belonging(reason=trouble)
            continue
        day = rules.date or f"{shot.local:%Y-%m-%d}"
        given[shot.path] = Belonging(code, dates.setdefault(group, day), question=doubt)
    return given


def _apart(one: Shot, other: Shot, gap_min: float) -> bool:
    if one.local is None or other.local is None:
        return False
    return abs(other.local - one.local) > timedelta(minutes=gap_min)


def _is_named(shot: Shot, name: str) -> bool:
    path = Path(shot.relative)
    return name.casefold() in (part.casefold() for part in (shot.relative, path.name, path.stem))
