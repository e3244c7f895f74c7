"""Commands of `report`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, cast

import typer

from lawnscore.contract.errors import LawnscoreError

if TYPE_CHECKING:
    from lawnscore.report.write import Pictures

PLAIN_STEPS = 10
"""How many lines of progress are printed where there is no terminal."""


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""

    @app.command()
    def report(
        round_: Path = typer.Argument(..., metavar="ROUND", help="Folder of the round."),
        lawn: list[str] = typer.Option(
            [], "--lawn", metavar="LAWN", help="Only this lawn's pages; may be repeated."
        ),
        pdf: bool = typer.Option(False, "--pdf", help="Customers' reports and sheet as PDF too."),
        open_: bool = typer.Option(False, "--open", help="Open the page when it is written."),
        xlsx: bool = typer.Option(False, "--xlsx", help="All tables as one XLSX workbook."),
        parquet: bool = typer.Option(False, "--parquet", help="The tables as Parquet files."),
        pictures: str = typer.Option(
            "all",
            "--pictures",
            metavar="all|pairs|none",
            help="Missing pictures to draw first, about a second each: all, the customers' pairs.",
        ),
        json_: bool = typer.Option(False, "--json", help="Print one JSON document."),
    ) -> None:
        """Write the customers' reports and the practitioner's pages of a scored round."""
        from lawnscore.commands.output import print_json, say
        from lawnscore.report import write_reports

        with _progress() as progress:
            summary = write_reports(
                round_,
                lawns=lawn or None,
                pdf=pdf,
                xlsx=xlsx,
                parquet=parquet,
                pictures=_pictures(pictures),
                progress=progress,
            )
        if json_:
            print_json(
                {
                    "index": str(summary.index),
                    "lawns": summary.lawns,
                    "written": [str(path) for path in summary.written],
                    "unchanged": summary.unchanged,
                }
            )
        else:
            say(f"{len(summary.written)} files written, {summary.unchanged} were up to date.")
            typer.echo(str(summary.index))
        if open_:
            typer.launch(str(summary.opens))


def _pictures(text: str) -> Pictures:
    if text in ("all", "pairs", "none"):
        return cast("Pictures", text)
    raise LawnscoreError(f"--pictures is `{text}`", "Use `all`, `pairs` or `none`.")


@contextmanager
def _progress() -> Iterator[Callable[[int, int, str], None]]:
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield _plain_lines
        return
    from rich.progress import Progress

    with Progress(console=console, transient=True) as bar:
        task = bar.add_task("reports", total=None)
        yield lambda done, total, name: bar.update(
            task, completed=done, total=total, description=name
        )


def _plain_lines(done: int, total: int, name: str) -> None:
    from lawnscore.commands.output import say

    if total >= PLAIN_STEPS and done % max(1, total // PLAIN_STEPS) == 0:
        say(f"{done} of {total}: {name}")
