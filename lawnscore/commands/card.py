"""Commands of `card`: draw it, learn its colours, see whether it has aged."""

from __future__ import annotations

from pathlib import Path

import typer

from lawnscore.commands.output import print_json, print_table, say

_SHEETS = {"a5": "turf-a5", "a4": "turf-a4", "letter": "turf-letter"}


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("card")(card)
    app.command("card-learn")(card_learn)
    app.command("card-drift")(card_drift)


def card(
    out: Path = typer.Argument(..., help="OUT.pdf for print, or OUT.png with its JSON beside it."),
    sheet: str = typer.Option("a5", help="a5, a4 or letter."),
    dpi: float = typer.Option(300.0, help="Dots per inch of a PNG."),
    as_json: bool = typer.Option(False, "--json", help="Print the card as JSON."),
) -> None:
    """Draw the reference card, true to size."""
    from lawnscore.card.design import card_design
    from lawnscore.card.draw import card_json, draw_card
    from lawnscore.contract.errors import LawnscoreError

    name = _SHEETS.get(sheet.lower().removeprefix("turf-"))
    if name is None:
        raise LawnscoreError(f"no sheet `{sheet}`", f"Use one of: {', '.join(_SHEETS)}.")
    design = card_design(name)
    draw_card(design, out, dpi=dpi)
    if as_json:
        print_json(card_json(design))
        return
    say(f"{out}: {name}, {design.width_mm:g} x {design.height_mm:g} mm.")
    say("Print at 100 % on matt paper and check that the bar measures 100 mm.")


def card_learn(
    photo: Path = typer.Argument(..., help="Photo of the turf card beside a 24-patch chart."),
    out: Path = typer.Option(..., "--out", help="CGATS text (.txt) or JSON (.json) to write."),
    beside: str = typer.Option("chart24", help="The chart: its name or a file."),
    card: str = typer.Option("auto", help="The turf card: auto or a design's name."),
    name: str = typer.Option("", help="Name of this printed card."),
    as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
) -> None:
    """Learn what the printed card's patches look like from a photo beside a classic chart."""
    from lawnscore.card.learn import save_reference
    from lawnscore.photo.learn_card import learn_card

    learned = learn_card(photo, beside=beside, card=card, name=name or out.stem)
    save_reference(learned.reference, out)
    result = {
        "card": learned.reference.name,
        "file": str(out),
        "patches": int(learned.n_patches),
        "chart_delta_e": learned.chart_delta_e,
        "patch_se_delta_e": learned.se_delta_e,
    }
    if as_json:
        print_json(result)
        return
    say(f"{out}: {learned.n_patches} patches of `{learned.reference.name}` learned.")
    say(
        f"Each is sure to about {learned.se_delta_e:.1f} CIEDE2000 "
        f"(the chart itself came out within {learned.chart_delta_e:.1f})."
    )


def card_drift(
    photos: list[Path] = typer.Argument(..., help="Photos of one card, or a folder of them."),
    card: str = typer.Option("auto", help="The card: auto, a design's name, or its file."),
    as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
) -> None:
    """See from photos of the same card whether it has faded or yellowed."""
    from lawnscore.card.drift import card_drift as measure_drift
    from lawnscore.photo.card_residuals import card_residuals

    report = measure_drift(card_residuals(photos, card))
    if as_json:
        print_json(report.as_dict())
        return
    print_table(
        ("period", "photos", "L*", "a*", "b*", "worst patch", "colour index may be off by"),
        report.table_rows(),
        title=f"Card against its first photos: {report.verdict}",
    )
    say(report.advice)
