"""Commands of `demo`."""

from __future__ import annotations

import typer


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
