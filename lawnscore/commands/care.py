"""`lawnscore care`: the arithmetic of feeding, spreading, spraying, seeding and top-dressing."""

from __future__ import annotations

import typer

from lawnscore.commands import care_feed, care_ground, care_spray, care_spread


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    care = typer.Typer(
        no_args_is_help=True,
        help="Amounts for feed, spreader, sprayer, seed and top-dressing, with their cautions.",
    )
    for group in (care_feed, care_spread, care_spray, care_ground):
        group.register(care)
    app.add_typer(care, name="care")
