"""`lawnscore record`: the year's records of plant protection and fertiliser."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import typer

from lawnscore.commands.care_output import JSON, print_cautions
from lawnscore.commands.output import print_json, print_table, say

if TYPE_CHECKING:
    import pandas as pd


def register(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("record")(record)


def record(
    round_path: Path = typer.Argument(metavar="ROUND", help="Folder of the round."),
    year: int = typer.Option(..., "--year", help="Calendar year of the record."),
    pdf: Path | None = typer.Option(None, "--pdf", help="Write it as PDF."),
    as_json: bool = JSON,
) -> None:
    """Print the year's records of plant protection and of fertiliser, and what is missing."""
    from lawnscore.care.cautions import cautions_for
    from lawnscore.care.records import RULE_NAMES, Rule, fertiliser_record, protection_record
    from lawnscore.contract.settings import read_settings
    from lawnscore.register.register import read_register

    settings, kept = read_settings(round_path / "round.toml"), read_register(round_path)
    rule = cast("Rule", settings.record.rule)
    sprayed = protection_record(kept.work, kept.lawns, year, rule=rule)
    limit = settings.record.n_limit_kg_ha
    fed = fertiliser_record(kept.work, kept.lawns, year, n_limit_kg_ha=limit)
    if pdf is not None:
        from lawnscore.contract.files import write_whole
        from lawnscore.report.language import words_for
        from lawnscore.report.record_paper import record_pdf

        words, business = words_for(settings.report), settings.report.business
        pages = record_pdf(sprayed, fed, words, year=year, rule_name=RULE_NAMES[rule],
                           business=business)  # fmt: skip
        write_whole(pdf, pages)
        say(f"{pdf}: {len(sprayed)} rows of plant protection, {len(fed)} of fertiliser")
    if as_json:
        print_json({"year": year, "follows": RULE_NAMES[rule], "plant_protection": sprayed,
                    "fertiliser": fed})  # fmt: skip
        return
    _show(sprayed, f"Plant protection {year}, after {RULE_NAMES[rule]} (from memory)")
    _show(fed, f"Fertiliser {year}")
    cautions = [caution.text for caution in cautions_for(["spray", "feed", "iron"])]
    print_cautions(["Defer to your own authority's form."], cautions)


def _show(table: pd.DataFrame, title: str) -> None:
    from lawnscore.contract.rows import rows_of

    shown = [[_cell(value) for value in row.values()] for row in rows_of(table)]
    if shown:
        print_table(list(table.columns), shown, title)
    else:
        typer.echo(f"{title}: nothing recorded.")


def _cell(value: object) -> object:
    return f"{value:.4g}" if isinstance(value, float) else value
