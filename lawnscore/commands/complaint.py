"""`add-complaint` and `complaint`: what a customer found fault with, and its answer."""

from __future__ import annotations

from pathlib import Path

import typer

from lawnscore.commands.output import print_json
from lawnscore.commands.typed import TODAY_HELP, day_option

_ROUND = typer.Argument(..., metavar="ROUND", help="Folder of the round.")
_JSON = typer.Option(False, "--json", help="Print the result as JSON.")


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("add-complaint")(_add_complaint)
    app.command("complaint")(_complaint)


def _add_complaint(
    round_path: Path = _ROUND,
    date: str = day_option("--date", help_="Date on which it was said.", default=...),
    lawn: str = typer.Option(..., help="Lawn, as in lawns.csv."),
    zone: str = typer.Option("all", help="Zone; `all` is the whole lawn."),
    said: str = typer.Option(..., help="What was said, in the customer's words."),
    photo: list[Path] = typer.Option([], help="A photo that came with it; may be repeated."),
    notes: str = typer.Option(None, help="Anything else; not printed on the answer."),
    as_json: bool = _JSON,
) -> None:
    """Add a complaint to complaints.csv; its photos are copied into the round."""
    from lawnscore.commands.register import print_added
    from lawnscore.register.add import add_complaint

    added = add_complaint(
        round_path, date=date, lawn=lawn, zone=zone, said=said, photos=photo, notes=notes
    )
    print_added(added, as_json)


def _complaint(
    round_path: Path = _ROUND,
    lawn: str = typer.Argument(..., metavar="LAWN", help="The lawn, as in lawns.csv."),
    date: str = day_option("--date", help_="Date of the complaint; the last one when left out."),
    zone: str = typer.Option(None, help="Its zone, where there are several."),
    pdf: bool = typer.Option(False, "--pdf", help="Write it as PDF too."),
    today: str = day_option("--today", help_=TODAY_HELP.split(":")[0] + "."),
    as_json: bool = _JSON,
) -> None:
    """Write the page that answers a complaint by the record: work, figures, then and now."""
    from lawnscore.report.letters import write_complaint

    letter = write_complaint(round_path, lawn, date=date, zone=zone, pdf=pdf, today=today)
    if as_json:
        print_json({"lawn": letter.lawn, "complaint": letter.about, "written": letter.written})
        return
    for path in letter.written:
        typer.echo(str(path))
