"""Commands of filing: `slips`, `file`."""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.output import Exit, is_quiet, print_json, print_table, say

if TYPE_CHECKING:
    from lawnscore.filing.plan import FilingItem, FilingPlan
    from lawnscore.filing.slip_code import SlipCode

_ROUND = typer.Argument(..., metavar="ROUND", help="Folder of the round.")
_JSON = typer.Option(False, "--json", help="Print the result as JSON.")
_MANY = 4
"""How many file names of one kind are printed before the rest is counted."""


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("slips")(_slips)
    app.command("file")(_file)


def _slips(
    round_path: Path = _ROUND,
    out: Path = typer.Argument(..., metavar="OUT.pdf", help="PDF to write."),
    lawn: str = typer.Option(None, help="Only this lawn."),
    stages: str = typer.Option(
        "before,after", help="Codes to print. before,after make one slip to fold; or check."
    ),
    spots: bool = typer.Option(False, "--spots", help="A slip too for each spot seen before."),
    spot: list[str] = typer.Option([], help="A slip for this spot in each zone; repeat it."),
    paper: str = typer.Option("a4", help="a4 or letter."),
    as_json: bool = _JSON,
) -> None:
    """Draw slips to print: photograph a slip, then the zone, and `lawnscore file` sorts them."""
    from lawnscore.filing.slips import spots_of, write_slips

    made = write_slips(
        round_path,
        out,
        lawn=lawn,
        stages=tuple(part.strip() for part in stages.split(",") if part.strip()),
        spots=spots_of(round_path, seen=spots, named=tuple(spot)),
        paper=paper,
    )
    if as_json:
        codes = [{**vars(code)} for code in made.codes]
        print_json({"pdf": str(made.path), "slips": made.n_slips, "codes": codes})
        return
    slips, pages = _count(made.n_slips, "slip"), _count(made.n_pages, "page")
    typer.echo(f"{made.path}: {slips} on {pages}. Print at full size (100 %).")


def _file(
    round_path: Path = _ROUND,
    folder: Path = typer.Argument(None, metavar="[FOLDER]", help="Folder with the phone's photos."),
    plan: bool = typer.Option(False, "--plan", help="Only say what would be done."),
    undo: bool = typer.Option(False, "--undo", help="Take back the last filing."),
    confirm: bool = typer.Option(False, "--confirm", help="File as proposed what needs a word."),
    only: list[str] = typer.Option(
        [], help="With --confirm or --lawn: only the group that this photo is in; repeat it."
    ),
    leave: list[str] = typer.Option(
        [], help="With --confirm or --lawn: not the group that this photo is in; repeat it."
    ),
    lawn: str = typer.Option("", help="A slip was forgotten: lawn of the photos without one."),
    zone: str = typer.Option("", help="Its zone; may be left out when the lawn has one."),
    stage: str = typer.Option("", help="Its stage: before, after or check (the default)."),
    clock_offset: str = typer.Option(
        "", help="Added to the camera's times when its clock was wrong: +1h, -30min, +1d2h."
    ),
    date: str = typer.Option("", help="Date of all visits in the folder, for a clock that is off."),
    gap_min: float = typer.Option(
        None, help="A longer break, in minutes, needs a word; else as round.toml says, or 15."
    ),
    slip_hours: float = typer.Option(
        None, help="Photos later than this after their slip are left; else round.toml's, or 4."
    ),
    no_work: bool = typer.Option(
        False, "--no-work", help="File `before` as `check` where there is no `after`."
    ),
    together: bool = typer.Option(
        False, "--together", help="The cameras' clocks agree: a slip holds for all of them."
    ),
    bursts: bool = typer.Option(False, "--bursts", help="File every photo of a burst."),
    again: bool = typer.Option(False, "--again", help="File also what was removed since."),
    as_json: bool = _JSON,
) -> None:
    """Sort a phone's photos into the round by the slips among them.

    Copies and verifies; never deletes or overwrites; files nothing that is not sure.

    Exit status 1 when a photo was left because it was not sure.
    """
    if undo:
        _undo(round_path, as_json)
        return
    from lawnscore.contract.errors import LawnscoreError
    from lawnscore.filing.copying import file_photos
    from lawnscore.filing.plan import FilingOptions
    from lawnscore.filing.sorting import plan_filing

    if folder is None:
        raise LawnscoreError(
            "no folder of photos is named", "Say `lawnscore file ROUND FOLDER`, or --undo."
        )
    options = FilingOptions(
        _offset(clock_offset), _date(date), gap_min, confirm, together, no_work, bursts, again,
        slip_hours, _forgotten(round_path, lawn, zone, stage), tuple(only), tuple(leave),
    )  # fmt: skip
    made = plan_filing(round_path, folder, options, progress=None if as_json else _progress())
    if not (plan or as_json):
        made = _asked(made)
    done = None if plan else file_photos(made)
    if as_json:
        print_json(_as_json(made, plan, "" if done is None else done.run))
    else:
        _print_plan(made, plan)
    if made.having("left", "ask"):
        raise typer.Exit(Exit.SOME_REFUSED)


def _undo(round_path: Path, as_json: bool) -> None:
    from lawnscore.filing.journal import undo_filing

    undone = undo_filing(round_path)
    if as_json:
        kept = [{"photo": target, "reason": why} for target, why in undone.kept]
        print_json({"run": undone.run, "removed": undone.removed, "kept": kept})
    else:
        typer.echo(
            f"Took back {_count(len(undone.removed), 'photo')} of the filing of {undone.run}."
        )
        for target, why in undone.kept:
            typer.echo(f"  kept {target}: {why}")
    if undone.kept:
        raise typer.Exit(Exit.SOME_REFUSED)


def _offset(text: str) -> timedelta:
    from lawnscore.filing.shots import parse_offset

    return parse_offset(text) if text else timedelta(0)


def _date(text: str) -> str:
    from lawnscore.contract.errors import LawnscoreError
    from lawnscore.register.cells import CellError, parse_date

    try:
        return parse_date(text) if text else ""
    except CellError as error:
        raise LawnscoreError(error.what, error.mend, "--date") from None


def _forgotten(round_path: Path, lawn: str, zone: str, stage: str) -> SlipCode | None:
    from lawnscore.contract.errors import LawnscoreError
    from lawnscore.filing.forgotten import forgotten_slip

    if lawn:
        return forgotten_slip(round_path, lawn, zone, stage or "check")
    if zone or stage:
        raise LawnscoreError("a zone or stage, and no lawn", "Say --lawn too.", "--zone, --stage")
    return None


def _progress() -> Callable[[int, int], None]:
    def show(done: int, of: int) -> None:
        if sys.stderr.isatty() and not is_quiet():
            end = "\n" if done == of else ""
            typer.echo(f"\rlooking for slips: {done} of {of} photos{end}", err=True, nl=False)

    return show


def _asked(plan: FilingPlan) -> FilingPlan:
    """Ask about each proposal on a terminal; elsewhere leave them as they are."""
    from lawnscore.filing.plan import confirmed

    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return plan
    groups: dict[tuple[str, str], list[FilingItem]] = defaultdict(list)
    for item in plan.having("ask"):
        groups[item.reason, Path(item.target).parent.as_posix()].append(item)
    yes: set[Path] = set()
    for (reason, target), items in groups.items():
        typer.echo(f"{_names(items)}: {reason}.")
        if typer.confirm(f"File {len(items)} in {target}?"):
            yes |= {item.source for item in items}
    taken = tuple(confirmed(item) if item.source in yes else item for item in plan.items)
    return replace(plan, items=taken)


def _print_plan(plan: FilingPlan, only_plan: bool) -> None:
    from lawnscore.filing.sorting import NO_PHOTO_FOLLOWS

    groups: dict[str, list[FilingItem]] = defaultdict(list)
    for item in plan.having("file"):
        groups[str(Path(item.target).parent.as_posix())].append(item)
    if groups:
        title = "Would be filed" if only_plan else "Filed"
        rows = [(target, len(items), _names(items)) for target, items in sorted(groups.items())]
        print_table((title, "photos", "files"), rows)
    why: dict[tuple[str, str, str], list[FilingItem]] = defaultdict(list)
    for item in plan.items:
        lonely = item.action == "slip" and item.reason.endswith(NO_PHOTO_FOLLOWS)
        if lonely or item.action not in ("file", "slip"):
            why[item.action, _common_reason(item), item.group].append(item)
    if why:
        print_table(
            ("Not filed", "why", "files"),
            [(action, reason, _names(items)) for (action, reason, _), items in why.items()],
        )
    n = {action: len(plan.having(action)) for action in ("file", "slip", "ask", "left")}
    verb = "would be filed" if only_plan else "filed"
    typer.echo(f"{n['file']} {verb}, {_count(n['slip'], 'slip')}, {n['ask'] + n['left']} left.")
    if n["ask"]:
        say("--confirm files as proposed what needs a word; --only PHOTO, or --leave PHOTO,")
        say("takes or leaves the group that the photo is in.")
    if any(item.group for item in plan.having("left")):
        say("A slip forgotten? --lawn L --zone Z [--stage S] speaks for photos without one;")
        say("--only PHOTO names the group that it is for.")
    if only_plan:
        say("Nothing was copied.")


def _common_reason(item: FilingItem) -> str:
    if item.action == "ask":
        return f"{item.reason}; proposed: {Path(item.target).parent.as_posix()}"
    return "is in the round" if item.reason.startswith("is photos/") else item.reason


def _names(items: list[FilingItem]) -> str:
    names = [item.relative for item in items]
    more = f" and {len(names) - _MANY} more" if len(names) > _MANY else ""
    return ", ".join(names[:_MANY]) + more


def _as_json(plan: FilingPlan, only_plan: bool, run: str) -> dict[str, object]:
    return {
        "plan_only": only_plan,
        "run": run,
        "filed": len(plan.having("file")),
        "left": len(plan.having("left", "ask")),
        "items": [
            {**vars(item), "source": str(item.source), "file": item.relative} for item in plan.items
        ],
    }


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
