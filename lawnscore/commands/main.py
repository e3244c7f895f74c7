"""The `lawnscore` command: gathers the commands and turns errors into one line and a status."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import Any

import typer

from lawnscore import __version__
from lawnscore.commands.output import Exit, complain, set_loudness
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
    "record",
    "survey",
    "complaint",
    "upkeep",
)
"""Each module of this package has `register(app)`, which adds its commands."""


_PANELS: dict[str, tuple[str, ...]] = {
    "A normal week": ("file", "score", "attention", "next", "report"),
    "Start a round": ("new", "card", "slips", "add-lawn", "survey", "plan", "demo"),
    "Write down and check": ("add-work", "add-complaint", "complaint", "check", "record"),
    "Keep it safe": ("backup", "restore", "merge", "doctor", "forget"),
    "Look closer": ("inspect", "history", "trial", "points", "card-learn", "card-drift"),
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
        verbose: bool = typer.Option(
            False, "-v", "--verbose", help="Say on standard error what is written to the log."
        ),
        quiet: bool = typer.Option(
            False, "-q", "--quiet", help="Print results and errors alone, no progress or advice."
        ),
    ) -> None:
        """Score lawns from photographs with a printed reference card."""
        set_loudness(verbose=verbose, quiet=quiet)

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
    os.umask(0o077)  # what is written is the user's own
    try:
        build_app()()
    except LawnscoreError as error:
        complain(error.line())
        sys.exit(Exit.NOTHING_DONE)
    except BrokenPipeError:  # what reads our output has stopped reading, such as `head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(Exit.NOTHING_DONE)
    except OSError as error:
        complain(_disk_line(error))
        sys.exit(Exit.NOTHING_DONE)


def _disk_line(error: OSError) -> str:
    """Return the line for a file that could not be read or written, wherever that was."""
    what = f"cannot be opened, read or written ({error.strerror or error})"
    mend = "Check that it is there, that you may use it and that the disk is not full."
    return LawnscoreError(what, mend, error.filename or "a file").line()
