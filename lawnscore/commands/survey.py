"""`lawnscore survey`: one page for a new customer."""

from __future__ import annotations

from pathlib import Path

import typer

from lawnscore.commands.output import print_json
from lawnscore.commands.typed import day_option


def register(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("survey")(_survey)


def _survey(
    round_path: Path = typer.Argument(..., metavar="ROUND", help="Folder of the round."),
    lawn: str = typer.Argument(..., metavar="LAWN", help="The lawn, as in lawns.csv."),
    pdf: bool = typer.Option(False, "--pdf", help="Write it as PDF too."),
    today: str = day_option("--today", help_="Up to when the round's recoveries are looked at."),
    as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
) -> None:
    """Write the survey of a new customer's lawn: its state, what it would take, what to expect.

    It stands on the first photos, lawns.csv and programme.toml; hours and prices are yours, under
    [rates] in round.toml.
    """
    from lawnscore.report.letters import write_survey

    letter = write_survey(round_path, lawn, pdf=pdf, today=today)
    if as_json:
        print_json({"lawn": letter.lawn, "photos_of": letter.about, "written": letter.written})
        return
    for path in letter.written:
        typer.echo(str(path))
