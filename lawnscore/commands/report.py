"""Commands of `report`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, cast

import typer

from lawnscore.contract.errors import LawnscoreError

if TYPE_CHECKING:
    from lawnscore.report.outbox import Outbox, Outgoing
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
        outbox: bool = typer.Option(
            False,
            "--outbox",
            help="PDF too, and a draft message to each customer whose lawn has news.",
        ),
        again: bool = typer.Option(
            False, "--again", help="With --outbox: draft also what went out before."
        ),
        json_: bool = typer.Option(False, "--json", help="Print one JSON document."),
    ) -> None:
        """Write the customers' reports and the practitioner's pages of a scored round."""
        from lawnscore.commands.output import print_json, say
        from lawnscore.report import write_reports

        if outbox:
            from lawnscore.report.outbox import check_outbox

            check_outbox(round_)
        elif again:
            raise LawnscoreError("--again alone does nothing", "Say --outbox too.", "--again")
        with _progress() as progress:
            summary = write_reports(
                round_,
                lawns=lawn or None,
                pdf=pdf or outbox,
                xlsx=xlsx,
                parquet=parquet,
                pictures=_pictures(pictures),
                progress=progress,
            )
        posted = _outbox(round_, lawn, again) if outbox else None
        if json_:
            print_json(
                {
                    "index": str(summary.index),
                    "lawns": summary.lawns,
                    "written": [str(path) for path in summary.written],
                    "unchanged": summary.unchanged,
                    "problems": list(summary.problems),
                    **({} if posted is None else {"outbox": _as_json(posted)}),
                }
            )
        else:
            for problem in summary.problems:
                say(problem)
            say(f"{len(summary.written)} files written, {summary.unchanged} were up to date.")
            typer.echo(str(summary.index))
            if posted is not None:
                _print_outbox(posted)
        if open_:
            typer.launch(str(summary.opens))


def _outbox(round_: Path, lawns: list[str], again: bool) -> Outbox:
    from lawnscore.report.outbox import write_outbox

    return write_outbox(round_, lawns=lawns or None, again=again)


def _as_json(posted: Outbox) -> dict[str, object]:
    def rows(outgoing: tuple[Outgoing, ...]) -> list[dict[str, object]]:
        return [
            {
                "customer": one.customer.customer,
                "to": one.customer.email,
                "lawns": list(one.lawns),
                "visits": list(one.visits),
                "pdf": [str(pdf) for pdf in one.pdfs],
                "file": str(one.file),
            }
            for one in outgoing
        ]

    left = [{"customer": customer, "reason": why} for customer, why in posted.left]
    return {
        "drafts": rows(posted.drafts),
        "paper": rows(posted.paper),
        "left": left,
        "no_news": posted.n_no_news,
    }


def _print_outbox(posted: Outbox) -> None:
    for one in posted.drafts:
        typer.echo(f"{one.file}: to {one.customer.customer} <{one.customer.email}>")
    for one in posted.paper:
        pdfs = ", ".join(map(str, one.pdfs))
        typer.echo(f"{one.customer.customer} wants paper; print {pdfs}")
    for customer, why in posted.left:
        typer.echo(f"{customer}: no draft, {why}")
    n, none = len(posted.drafts), posted.n_no_news
    typer.echo(
        f"{n} draft{'' if n == 1 else 's'} written, {len(posted.paper)} to print, "
        f"{len(posted.left)} left; {none} without news. Nothing was sent: open a draft in your "
        "mail program."
    )


def _pictures(text: str) -> Pictures:
    if text in ("all", "pairs", "none"):
        return cast("Pictures", text)
    raise LawnscoreError(f"--pictures is `{text}`", "Use `all`, `pairs` or `none`.")


@contextmanager
def _progress() -> Iterator[Callable[[int, int, str], None]]:
    from rich.console import Console

    from lawnscore.commands.output import is_quiet

    console = Console(stderr=True)
    if is_quiet() or not console.is_terminal:
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
