"""The `lawnscore` command: gathers the commands and turns errors into one line and a status."""

from __future__ import annotations

import sys
from importlib import import_module

import typer

from lawnscore import __version__
from lawnscore.commands.output import Exit, say
from lawnscore.contract.errors import LawnscoreError

_COMMAND_MODULES = (
    "card",
    "photo",
    "demo",
    "score",
    "points",
    "register",
    "filing",
    "history",
    "report",
    "care",
    "planning",
)
"""Each module of this package has `register(app)`, which adds its commands."""


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(__version__)
        raise typer.Exit(Exit.WELL)


def build_app() -> typer.Typer:
    """Return the command line with every command in it."""
    app = typer.Typer(
        name="lawnscore",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
    )

    @app.callback()
    def _options(
        version: bool = typer.Option(False, "--version", callback=_version, is_eager=True),
    ) -> None:
        """Score lawns from photographs with a printed reference card."""

    for module in _COMMAND_MODULES:
        import_module(f"lawnscore.commands.{module}").register(app)
    return app


def run() -> None:
    """Run the command line; the entry point of the installed program."""
    try:
        build_app()()
    except LawnscoreError as error:
        say(error.line())
        sys.exit(Exit.NOTHING_DONE)
