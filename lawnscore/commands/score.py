"""Commands of `score`: photos of a round become tables."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import typer

from lawnscore.commands.output import Exit, is_quiet, print_json, say

Progress = Callable[[int, int, str], None]

_INTERRUPTED = 130
"""Exit status of a program stopped by Ctrl-C: 128 and the number of the signal (POSIX shells)."""

_PLAIN_EVERY = 10
"""Photos from one plain progress line to the next."""


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(score)


def score(
    round_path: str = typer.Argument(
        ..., metavar="ROUND", help="Folder of the round, or its address, such as s3://BUCKET/ROUND."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print what was found as JSON."),
    parquet: bool = typer.Option(False, "--parquet", help="Write the tables as Parquet too."),
    workers: int | None = typer.Option(
        None, "--workers", min=1, help="Processes; by default as many as cores and memory allow."
    ),
    add: bool = typer.Option(
        False, "--add", help="Take on lawns and zones whose folders lawns.csv does not name."
    ),
    no_points: bool = typer.Option(
        False, "--no-points", help="Plain numbers: leave out what was read by eye."
    ),
    cluster: str | None = typer.Option(
        None, "--cluster", metavar="ADDRESS", help="Score on a Dask cluster: tcp://HOST:PORT."
    ),
    ledger: str | None = typer.Option(
        None,
        "--ledger",
        metavar="ADDRESS",
        envvar="LAWNSCORE_LEDGER",
        help="Share scores with other rounds: postgresql://USER@HOST/DATABASE.",
    ),
) -> None:
    """Score every new or changed photo of a round and write its tables.

    Photos that were scored before are not opened again. A run that was stopped goes on where
    it stopped. Exit status: 0 all went well, 1 some photos were refused or lie in the wrong
    place, 2 nothing could be done.
    """
    from lawnscore.contract.errors import LawnscoreError
    from lawnscore.points.score import score_round
    from lawnscore.scoring.summary import summary_lines

    if cluster and workers:
        raise LawnscoreError(
            "--workers are processes of this machine, and --cluster has its own",
            "Leave out one of the two.",
        )
    try:
        with _progress() as progress:
            summary = score_round(
                round_path,
                progress=progress,
                workers=workers,
                parquet=parquet,
                add=add,
                no_points=no_points,
                cluster=cluster,
                ledger=ledger,
            )
    except KeyboardInterrupt:
        say("Stopped. What was scored is kept; run the same command again to go on.")
        raise typer.Exit(_INTERRUPTED) from None
    if as_json:
        print_json(summary.as_dict())
    else:
        typer.echo("\n".join(summary_lines(summary)))
    if summary.n_photos == 0:
        raise typer.Exit(Exit.NOTHING_DONE)
    raise typer.Exit(Exit.WELL if summary.went_well else Exit.SOME_REFUSED)


@contextmanager
def _progress() -> Iterator[Progress]:
    """Give a function to call after each photo: a bar on a terminal, plain lines elsewhere."""
    if is_quiet() or not sys.stderr.isatty():
        yield _plain_progress
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("Scoring"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.description}", markup=False),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)

        def show(done: int, total: int, photo: str) -> None:
            bar.update(task, completed=done, total=total, description=Path(photo).name[-40:])

        yield show


def _plain_progress(done: int, total: int, photo: str) -> None:
    if done == total or done == 1 or done % _PLAIN_EVERY == 0:
        say(f"{done} of {total}: {photo}")
