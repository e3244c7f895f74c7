"""`programme.toml`: what is done when in a season, kept by hand; one ships to start from."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path
from typing import Any

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import TASKS
from lawnscore.register.problems import Problem
from lawnscore.register.register import nearest

Refuse = Callable[[str, str], LawnscoreError]
"""What was wrong and how to mend it, as an error that names the step."""

FILE_NAME = "programme.toml"
RATE_UNITS = ("g N/m2", "g/m2", "mm")
HALVES = ("north", "south")
DEFAULT_EVERY_DAYS = 60
"""Days before a step that does not say is done again; our choice."""

_RANGES = {
    "growth_from": (0.0, 1.0),
    "growth_to": (0.0, 1.0),
    "soil_from_c": (-30.0, 60.0),
    "soil_to_c": (-30.0, 60.0),
    "rate": (0.0, 10_000.0),
    "every_days": (1.0, 3660.0),
}


@dataclass(frozen=True)
class OnlyIf:
    """A measure of the last visit, and the values beyond which a step is wanted."""

    measure: str
    above: float | None = None
    below: float | None = None


@dataclass(frozen=True)
class Step:
    """One step of the programme; what is not set does not limit it.

    ``months`` are those of the half of the earth that :attr:`Programme.months_of` names.
    """

    name: str
    task: str
    months: tuple[int, ...] = ()
    growth_from: float | None = None
    growth_to: float | None = None
    soil_from_c: float | None = None
    soil_to_c: float | None = None
    only_if: OnlyIf | None = None
    rate: float | None = None
    rate_unit: str = ""
    every_days: int = DEFAULT_EVERY_DAYS
    makes_visit: bool = False
    note: str = ""
    source: str = ""


@dataclass(frozen=True)
class Programme:
    """The steps in the order of the file, and the half of the earth whose months they name."""

    steps: tuple[Step, ...] = ()
    months_of: str = "north"

    def months(self, step: Step, *, south: bool) -> tuple[int, ...]:
        """Return the months of a step on one half of the earth; empty is every month.

        >>> Programme().months(Step("feed", "feed", months=(3, 12)), south=True)
        (9, 6)
        """
        if south == (self.months_of == "south"):
            return step.months
        return tuple((month + 5) % 12 + 1 for month in step.months)


def shipped_text() -> str:
    """Return the programme that ships, as `lawnscore new` writes it."""
    return files("lawnscore.register").joinpath(FILE_NAME).read_text(encoding="utf-8")


def read_programme(round_path: Path | str) -> Programme:
    """Read the programme of a round; the one that ships where the round has none.

    Raises
    ------
    LawnscoreError
        When it cannot be opened, is not TOML, or a step has a key or a value that will not do.
    """
    path = Path(round_path) / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8-sig") if path.exists() else shipped_text()
        data = tomllib.loads(text)
    except OSError as error:
        what = f"cannot be opened ({error.strerror})"
        raise LawnscoreError(what, "Allow yourself to read it.", path) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise LawnscoreError(f"not a TOML file ({error})", "Mend the line named.", path) from None
    return _programme(data, path)


def programme_problems(round_path: Path | str) -> list[Problem]:
    """Return what is wrong with the programme of a round, for `lawnscore check`."""
    try:
        read_programme(round_path)
    except LawnscoreError as error:
        return [Problem(FILE_NAME, None, "", error.what, error.mend)]
    return []


def _programme(data: dict[str, object], path: Path) -> Programme:
    for key in data:
        if key not in ("months_of", "step"):
            mend = nearest(key, ("months_of", "step")) or "Write steps as [[step]]."
            raise LawnscoreError(f"unknown key `{key}`", mend, path)
    half = data.get("months_of", "north")
    if half not in HALVES:
        raise LawnscoreError(f"`months_of` is {half!r}", "It must be north or south.", path)
    rows = data.get("step", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise LawnscoreError("`step` is no list of tables", "Write each as [[step]].", path)
    steps = [_step(row, number, path) for number, row in enumerate(rows, 1)]
    names = [step.name.casefold() for step in steps]
    for number, name in enumerate(names, 1):
        if name in names[: number - 1]:
            what = f"step {number}: there is a step `{name}` already"
            raise LawnscoreError(what, "Give one of them another name.", path)
    return Programme(tuple(steps), half)


def _step(row: dict[str, Any], number: int, path: Path) -> Step:
    name = row.get("name")
    called = f"step {number}" + (f" ({name})" if isinstance(name, str) and name else "")

    def refuse(what: str, mend: str) -> LawnscoreError:
        return LawnscoreError(f"{called}: {what}", mend, path)

    known = [field.name for field in fields(Step)]
    for key in row:
        if key not in known:
            mend = nearest(key, known) or f"Use one of: {', '.join(known)}."
            raise refuse(f"unknown key `{key}`", mend)
    for key in ("name", "task"):
        if not isinstance(row.get(key), str) or not row[key].strip():
            raise refuse(f"`{key}` is missing", f'Write it as {key} = "...".')
    if row["task"] not in TASKS:
        mend = f"{nearest(row['task'], TASKS)} Use one of: {', '.join(TASKS)}.".strip()
        raise refuse(f"unknown task `{row['task']}`", mend)
    values = dict(row)
    for key in ("note", "source", "rate_unit"):
        if not isinstance(row.get(key, ""), str):
            raise refuse(f"`{key}` is {row[key]!r}", "It must be text in quotes.")
    for key, (low, high) in _RANGES.items():
        if key in row:
            values[key] = _number(row[key], key, low, high, refuse)
    if not isinstance(row.get("makes_visit", False), bool):
        raise refuse(f"`makes_visit` is {row['makes_visit']!r}", "It must be true or false.")
    values["months"] = _months(row.get("months", []), refuse)
    values["only_if"] = _only_if(row["only_if"], refuse) if "only_if" in row else None
    if ("rate" in row) != ("rate_unit" in row) or row.get("rate_unit", "mm") not in RATE_UNITS:
        mend = f"Write both, with one of these units: {', '.join(RATE_UNITS)}."
        raise refuse("`rate` and `rate_unit` do not make an amount", mend)
    return Step(**values)


def _number(value: Any, key: str, low: float, high: float, refuse: Refuse) -> float | int:
    whole = key == "every_days"
    right = isinstance(value, int | float) and not isinstance(value, bool)
    if not right or not low <= value <= high or (whole and value != int(value)):
        kind = "a whole number" if whole else "a number"
        raise refuse(f"`{key}` is {value!r}", f"It must be {kind} from {low:g} to {high:g}.")
    return int(value) if whole else float(value)


def _months(value: object, refuse: Refuse) -> tuple[int, ...]:
    if not isinstance(value, list) or not all(
        isinstance(m, int) and not isinstance(m, bool) and 1 <= m <= 12 for m in value
    ):
        raise refuse(f"`months` is {value!r}", "Write them as [3, 4, 5], from 1 to 12.")
    return tuple(value)


def _only_if(value: object, refuse: Refuse) -> OnlyIf:
    mend = 'Write it as { measure = "straw_cover_pct", above = 15 }.'
    if not isinstance(value, dict) or set(value) - {"measure", "above", "below"}:
        raise refuse(f"`only_if` is {value!r}", mend)
    measure = value.get("measure")
    if measure not in MEASURES:
        guess = nearest(str(measure), MEASURES)
        raise refuse(f"`only_if` names no measure ({measure!r})", f"{guess} {mend}".strip())
    ends = {end: value[end] for end in ("above", "below") if end in value}
    numbers = [v for v in ends.values() if isinstance(v, int | float) and not isinstance(v, bool)]
    if not ends or len(numbers) < len(ends):
        raise refuse("`only_if` has no value above or below", mend)
    return OnlyIf(str(measure), **{end: float(v) for end, v in ends.items()})
