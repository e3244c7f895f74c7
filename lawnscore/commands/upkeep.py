"""Commands of upkeep: `forget`, `backup`, `restore`, `merge`, `doctor`."""

from __future__ import annotations

import sys
from pathlib import Path

import typer

from lawnscore.commands.output import Exit, print_json, print_table, say

_ROUND = typer.Argument(..., metavar="ROUND", help="Folder of the round.")
_JSON = typer.Option(False, "--json", help="Print the result as JSON.")


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(forget)
    app.command()(backup)
    app.command()(restore)
    app.command()(merge)
    app.command()(doctor)


def forget(
    round_path: Path = _ROUND,
    lawn: str = typer.Argument(..., metavar="LAWN", help="The lawn, as in lawns.csv."),
    photos: bool = typer.Option(False, "--photos", help="Delete its photos too, for good."),
    yes: bool = typer.Option(False, "--yes", help="Do not ask."),
    ledger: str | None = typer.Option(
        None,
        "--ledger",
        metavar="ADDRESS",
        envvar="LAWNSCORE_LEDGER",
        help="In a shared ledger too: postgresql://USER@HOST/DATABASE.",
    ),
    as_json: bool = _JSON,
) -> None:
    """Remove a customer everywhere in a round, and say what was removed.

    Photos stay unless --photos is given. Counts without names are kept. Backups made before hold
    the customer still.
    """
    from lawnscore.contract.errors import LawnscoreError
    from lawnscore.upkeep.forget import forget_lawn

    if not yes:
        if not sys.stdin.isatty():
            raise LawnscoreError("nothing was removed, as nobody can be asked", "Add --yes.")
        what = "everything and all photos" if photos else "everything but the photos"
        typer.confirm(f"Remove {what} of {lawn}? This cannot be undone", abort=True)
    done = forget_lawn(round_path, lawn, photos=photos, ledger=ledger)
    if as_json:
        print_json({**vars(done), "removed": dict(done.removed)})
        return
    print_table(("removed", "how many"), done.removed)
    if done.photos_left:
        n = "1 photo is" if done.photos_left == 1 else f"{done.photos_left} photos are"
        say(f"{n} left in photos/: `lawnscore score` reads what lies there again.")
    if done.held_elsewhere:
        n = "1 score" if done.held_elsewhere == 1 else f"{done.held_elsewhere} scores"
        say(f"Another round has photos of the same content: {n} left in the shared ledger.")
    if done.ledger_unnamed:
        say("Scores of this round were shared with a database: name it with --ledger as well.")
    say("Run `lawnscore score` and `lawnscore report` to write what speaks of all lawns anew.")
    say("Backups made before hold this customer still.")


def backup(
    round_path: Path = _ROUND,
    out: Path = typer.Argument(..., metavar="OUT.zip", help="ZIP file to write."),
    as_json: bool = _JSON,
) -> None:
    """Put a whole round into one ZIP file; every file is read back and compared."""
    from lawnscore.upkeep.backup import back_up

    done = back_up(round_path, out)
    if as_json:
        counts = {"files": done.n_files, "bytes": done.n_bytes}
        away = None if done.elsewhere is None else str(done.elsewhere)
        left = {"left_out": list(done.left_out), "elsewhere": away}
        print_json({"backup": str(done.path), **counts, **left})
        return
    for name in done.left_out:
        say(f"{name}: a link, left out.")
    if done.elsewhere is not None:
        say(f"{done.elsewhere}: the older photos there are not in it; keep a copy of that disk.")
    size = f"{done.n_bytes / 1e6:.1f} MB"
    typer.echo(f"{done.path}: {done.n_files} files, {size}, read back and compared.")


def restore(
    source: Path = typer.Argument(..., metavar="BACKUP.zip", help="What `backup` has written."),
    folder: Path = typer.Argument(..., metavar="FOLDER", help="New folder for the round."),
    as_json: bool = _JSON,
) -> None:
    """Unpack a backup into a new folder; it appears once every file was compared."""
    from lawnscore.upkeep.backup import restore as unpack

    done = unpack(source, folder)
    if as_json:
        print_json({"round": str(done.path), "files": done.n_files, "bytes": done.n_bytes})
        return
    typer.echo(f"{done.path}: {done.n_files} files, each as it was.")


def merge(
    round_path: Path = _ROUND,
    other: Path = typer.Argument(
        ..., metavar="OTHER", help="Another copy of the round, or of one hand-kept file of it."
    ),
    plan: bool = typer.Option(False, "--plan", help="Only say what would be taken."),
    as_json: bool = _JSON,
) -> None:
    """Take photos, rows and scores that another copy of the round has and this one lacks.

    Exit status 1 when the two say something else of one thing: this round's is kept.
    """
    from lawnscore.upkeep.merge import merge_rounds

    done = merge_rounds(round_path, other, plan=plan)
    if as_json:
        counts = {"photos": list(done.photos), "rows": done.rows, "scores": done.scores}
        print_json({"plan_only": plan, **counts, "differs": list(done.differs)})
    else:
        taken = [("photos", len(done.photos)), *((f"rows of {n}", k) for n, k in done.rows.items())]
        taken += [] if plan else [("scores", done.scores)]
        print_table(("would be taken" if plan else "taken", "how many"), taken)
        for line in done.differs:
            typer.echo(line)
        if not plan:
            say("Run `lawnscore score`, then merge the other way round to bring both level.")
    if done.differs:
        raise typer.Exit(Exit.SOME_REFUSED)


def doctor(
    round_path: Path = typer.Argument(None, metavar="[ROUND]", help="Folder of a round."),
    photos: bool = typer.Option(False, "--photos", help="Read every photo again; takes a while."),
    as_json: bool = _JSON,
) -> None:
    """Check the installation, and a round. Exit status 1 when there is something to mend."""
    from lawnscore.upkeep.doctor import examine

    found = examine(round_path, photos=photos)
    if as_json:
        print_json([{**vars(finding), "well": finding.well} for finding in found])
    else:
        rows = [(one.what, one.found, one.mend or "well") for one in found]
        print_table(("looked at", "found", "to mend"), rows)
    if not all(finding.well for finding in found):
        raise typer.Exit(Exit.SOME_REFUSED)
