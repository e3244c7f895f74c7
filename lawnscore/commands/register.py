"""Commands of the register: `new`, `add-lawn`, `add-work`, `check`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import typer

from lawnscore.commands.output import Exit, print_json
from lawnscore.commands.typed import day_option, number_option

if TYPE_CHECKING:
    from lawnscore.care.records import Rule
    from lawnscore.register.add import Added
    from lawnscore.register.problems import Problem

_ROUND = typer.Argument(..., metavar="ROUND", help="Folder of the round.")
_JSON = typer.Option(False, "--json", help="Print the result as JSON.")


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("new")(_new)
    app.command("add-lawn")(_add_lawn)
    app.command("add-work")(_add_work)
    app.command("check")(_check)


def _new(round_path: Path = typer.Argument(..., metavar="ROUND"), as_json: bool = _JSON) -> None:
    """Make a round: settings with every default, example files, a folder for photos.

    Files that are there already are left as they are.
    """
    from lawnscore.register.new import new_round

    made = new_round(round_path)
    if as_json:
        print_json({"round": str(made.path), "made": made.made, "kept": made.kept})
        return
    typer.echo(f"{made.path} is a round now: {', '.join(made.made)}")
    if made.kept:
        typer.echo(f"Left as they were: {', '.join(made.kept)}")
    typer.echo(f"Next: lawnscore add-lawn {made.path} LAWN --zone ZONE --area-m2 M2")


def _add_lawn(
    round_path: Path = _ROUND,
    lawn: str = typer.Argument(
        ..., metavar="LAWN", help="Short name of the lawn, such as mill-lane-3."
    ),
    zone: str = typer.Option("all", help="Zone of the lawn; `all` when it has no parts."),
    area_m2: float = number_option("--area-m2", "--area", help_="Area of the zone, m2."),
    name: str = typer.Option(None, help="Name for people to read."),
    turf: str = typer.Option(None, help="Kind of turf."),
    shade: str = typer.Option(None, help="none, part or full."),
    soil: str = typer.Option(None, help="Kind of soil."),
    drainage: str = typer.Option(None, help="good, fair or poor."),
    slope: str = typer.Option(None, help="flat, gentle or steep."),
    notes: str = typer.Option(None, help="Anything else."),
    left: str = day_option("--left", help_="Date it left the round."),
    latitude_deg: float = number_option("--latitude-deg", help_="Its place, south negative."),
    longitude_deg: float = number_option("--longitude-deg", help_="Its place, west negative."),
    customer: str = typer.Option(None, help="Whose it is, as in customers.csv."),
    as_json: bool = _JSON,
) -> None:
    """Add a lawn, or a zone of it, to lawns.csv."""
    from lawnscore.register.add import add_lawn

    added = add_lawn(
        round_path, lawn, zone, area_m2=area_m2, name=name, turf=turf, shade=shade, soil=soil,
        drainage=drainage, slope=slope, notes=notes, left=left,
        latitude_deg=latitude_deg, longitude_deg=longitude_deg, customer=customer,
    )  # fmt: skip
    print_added(added, as_json)


def _add_work(
    round_path: Path = _ROUND,
    date: str = day_option("--date", help_="Date, such as 2026-03-05 or 5.3.2026.", default=...),
    lawn: str = typer.Option(..., help="Lawn, as in lawns.csv."),
    zone: str = typer.Option("all", help="Zone; `all` is the whole lawn."),
    task: str = typer.Option(..., help="What was done: mow, scarify, feed, ..."),
    product: str = typer.Option(None, help="Product, as on the label."),
    rate: float = number_option("--rate", help_="Amount laid down per area."),
    rate_unit: str = typer.Option(None, help="Its unit, such as g/m2 or l/ha."),
    area_m2: float = number_option("--area-m2", "--area", help_="Area worked, m2."),
    npk: str = typer.Option(None, help="N-P2O5-K2O on the label, such as 4-0-8."),
    ca: float = number_option("--ca", help_="Ca, %."),
    mg: float = number_option("--mg", help_="Mg, %."),
    fe: float = number_option("--fe", help_="Fe, %."),
    s: float = number_option("--s", help_="S, %."),
    form: str = typer.Option(None, help="granular or liquid."),
    method: str = typer.Option(None, help="How it was put on."),
    machine: str = typer.Option(None, help="Machine used."),
    setting: str = typer.Option(None, help="Its setting."),
    passes: int = typer.Option(None, help="Passes over the lawn."),
    height_mm: float = number_option("--height-mm", help_="Mowing height, mm."),
    depth_mm: float = number_option("--depth-mm", help_="Working depth, mm."),
    material_off: float = number_option("--material-off", help_="How much material came off."),
    material_unit: str = typer.Option(None, help="boxes, l or kg."),
    product_used_kg: float = number_option(
        "--product-used-kg", help_="Weight taken out of the bag, kg."
    ),
    who: str = typer.Option(None, help="Who did it."),
    weather: str = typer.Option(None, help="Weather at the time."),
    notes: str = typer.Option(None, help="Anything else."),
    registration_no: str = typer.Option(None, help="Registration number of the product."),
    start_time: str = typer.Option(None, help="When it began, HH:MM."),
    target: str = typer.Option(None, help="What a spray was meant for."),
    wind: str = typer.Option(None, help="Wind at the time."),
    certificate: str = typer.Option(None, help="Certificate of who did it."),
    again: bool = typer.Option(False, "--again", help="Add it even if it stands there already."),
    as_json: bool = _JSON,
) -> None:
    """Add work that was done to work.csv."""
    from lawnscore.register.add import add_work, label_analysis

    added = add_work(
        round_path, date=date, lawn=lawn, zone=zone, task=task, again=again, product=product,
        rate=rate, rate_unit=rate_unit, area_m2=area_m2, **label_analysis(npk), ca_pct=ca,
        mg_pct=mg, fe_pct=fe, s_pct=s, form=form, method=method, machine=machine, setting=setting,
        passes=passes, height_mm=height_mm, depth_mm=depth_mm, material_off=material_off,
        material_unit=material_unit, product_used_kg=product_used_kg, who=who, weather=weather,
        notes=notes, registration_no=registration_no, start_time=start_time, target=target,
        wind=wind, certificate=certificate,
    )  # fmt: skip
    print_added(added, as_json)


def _check(round_path: Path = _ROUND, as_json: bool = _JSON) -> None:
    """Find every problem of a round in one pass. Exit status 1 when there is one."""
    from dataclasses import replace

    from lawnscore.care.work_check import work_problems
    from lawnscore.register.register import read_register
    from lawnscore.scoring.check import check_round

    result = check_round(round_path)
    amounts = work_problems(read_register(round_path), rule=_rule(round_path))
    result = replace(result, problems=(*result.problems, *amounts))
    if as_json:
        print_json(
            {
                "problems": [_as_row(problem) for problem in result.problems],
                "notes": [_as_row(note) for note in result.notes],
                "zones": result.n_zones,
                "work": result.n_work,
                "photos": result.n_photos,
            }
        )
    else:
        _print_findings("To mend", result.problems)
        _print_findings("To look at", result.notes)
        looked_at = (
            _count(result.n_zones, "zone"),
            _count(result.n_work, "task"),
            _count(result.n_photos, "photo"),
        )
        found = _count(len(result.problems), "problem") if result.problems else "No problem"
        typer.echo(f"{found} in {', '.join(looked_at)}.")
    if result.problems:
        raise typer.Exit(Exit.SOME_REFUSED)


def _rule(round_path: Path) -> Rule:
    """Return whose record is asked for; the settings' own problems are told elsewhere."""
    from lawnscore.contract.errors import LawnscoreError
    from lawnscore.contract.settings import read_settings

    try:
        return cast("Rule", read_settings(round_path / "round.toml").record.rule)
    except LawnscoreError:
        return "eu"


def _print_findings(title: str, findings: tuple[Problem, ...]) -> None:
    if findings:
        typer.echo(f"{title}:")
    for finding in findings:
        typer.echo(f"  {finding.line()}")


def _as_row(problem: Problem) -> dict[str, object]:
    return {
        "file": problem.file,
        "row": problem.row,
        "column": problem.column,
        "what": problem.what,
        "mend": problem.mend,
    }


def print_added(added: Added, as_json: bool) -> None:
    """Print the row that was added to a hand-kept file."""
    values = {name: value for name, value in added.values.items() if value is not None}
    if as_json:
        backup = None if added.backup is None else str(added.backup)
        print_json(
            {
                "file": str(added.path),
                "row": added.row,
                "values": added.values,
                "before": backup,
            }
        )
        return
    said = ", ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in values.items()
    )
    typer.echo(f"{added.path}, row {added.row}: {said}")


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
