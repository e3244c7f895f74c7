"""Commands of `register`."""

from __future__ import annotations

import typer


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
