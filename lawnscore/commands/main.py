"""The `lawnscore` command: gathers the commands and turns errors into one line and a status."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Any

import typer

from lawnscore import __version__
from lawnscore.commands.output import Exit, say
from lawnscore.contract.errors import LawnscoreError

_COMMAND_MODULES = (
    "card",
    "photo",
    "demo",
    "score",
    "register",
    "filing",
    "history",
    "report",
    "care",
    "planning",
    "record",
)
"""Each module of this package has `register(app)`, which adds its commands."""


_PANELS: dict[str, tuple[str, ...]] = {
    "A normal week": ("file", "score", "attention", "next", "report"),
    "Start a round": ("new", "card", "slips", "add-lawn", "plan", "demo"),
    "Write down and check": ("add-work", "check", "record"),
    "Look closer": ("inspect", "history", "trial", "card-learn", "card-drift"),
    "Amounts": ("care",),
}
"""The commands as `--help` orders them: by what one does, a normal week first."""
_OTHERS = "More"


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
    _order(app)
    return app


def _order(app: typer.Typer) -> None:
    """Sort the commands into the panels of `--help`; one that none names comes last."""
    panels = {name: panel for panel, names in _PANELS.items() for name in names}
    places = {name: place for place, name in enumerate(panels)}

    def named(command: Any) -> str:
        return str(command.name or getattr(command.callback, "__name__", ""))

    for command in app.registered_commands:
        command.rich_help_panel = panels.get(named(command), _OTHERS)
    for group in app.registered_groups:
        group.rich_help_panel = panels.get(named(group), _OTHERS)
    app.registered_commands.sort(key=lambda command: places.get(named(command), len(places)))


def run() -> None:
    """Run the command line; the entry point of the installed program."""
    try:
        build_app()()
    except LawnscoreError as error:
        say(error.line())
        sys.exit(Exit.NOTHING_DONE)
