"""What every command prints with: JSON, tables, exit codes. No command prints another way."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

import typer

from lawnscore.contract.rows import plain


class Exit(IntEnum):
    """Exit status of every command."""

    WELL = 0
    SOME_REFUSED = 1
    NOTHING_DONE = 2


def print_json(value: object) -> None:
    """Print one JSON document on standard output."""
    typer.echo(json.dumps(plain(value), ensure_ascii=False, indent=2))


def print_table(headers: Iterable[str], rows: Iterable[Iterable[object]], title: str = "") -> None:
    """Print a readable table: boxed and coloured on a terminal, plain text elsewhere."""
    from rich.console import Console
    from rich.table import Table

    console = Console()
    if not console.is_terminal:
        console.width = 160
    table = Table(title=title or None, title_justify="left", header_style="bold", box=None)
    for header in headers:
        table.add_column(header, overflow="fold")
    for row in rows:
        table.add_row(*("" if cell is None else str(cell) for cell in row))
    console.print(table)


def say(line: str) -> None:
    """Print a line for people on standard error, so that it never mixes with a result.

    With ``--quiet`` it is left out: progress and advice, which a result does without.
    """
    if not _LOUDNESS.quiet:
        typer.echo(line, err=True)


def is_quiet() -> bool:
    """Return whether ``--quiet`` was given: no progress then."""
    return _LOUDNESS.quiet


def complain(line: str) -> None:
    """Print on standard error why nothing could be done; ``--quiet`` does not leave it out."""
    typer.echo(line, err=True)


def set_loudness(*, verbose: bool, quiet: bool) -> None:
    """Take in ``--verbose``, which shows the log as it is written, and ``--quiet``."""
    import logging

    _LOUDNESS.quiet = quiet
    logger = logging.getLogger("lawnscore")
    for handler in list(logger.handlers):
        logger.removeHandler(handler)
    logger.propagate = False
    if verbose:
        handler = logging.StreamHandler()
        handler.setFormatter(logging.Formatter("%(message)s"))
        logger.addHandler(handler)
        logger.setLevel(logging.INFO)
    else:
        logger.addHandler(logging.NullHandler())


@dataclass
class _Loudness:
    quiet: bool = False


_LOUDNESS = _Loudness()
