"""How the care commands print: the arithmetic, what speaks against it, and the cautions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.output import print_json, print_table
from lawnscore.contract.errors import LawnscoreError

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.care.units import Gallon

JSON = typer.Option(False, "--json", help="Print one JSON document.")
AREA = typer.Option(None, "--area", help="Area, such as '140 m2' (m2 when no unit is written).")
ROUND = typer.Option(None, "--round", help="Take the areas from this round's lawns.csv.")
LAWN = typer.Option(None, "--lawn", help="Only this lawn of the round; may be repeated.")
GALLON = typer.Option(None, "--gallon", help="Which gallon is meant: us or imperial.")


def show(
    result: Mapping[str, object],
    steps: Sequence[tuple[str, ...]],
    *,
    title: str,
    as_json: bool,
    warnings: Iterable[str] = (),
    jobs: Iterable[str] = (),
) -> None:
    """Print a result: for people its steps (what, how, result, in all), else it as JSON."""
    headers = ("what", "how", "result", "in all")[: max(map(len, steps))]
    show_table(headers, steps, result, title=title, as_json=as_json, warnings=warnings, jobs=jobs)


def show_table(
    headers: Sequence[str],
    rows: Sequence[Sequence[object]],
    result: Mapping[str, object],
    *,
    title: str,
    as_json: bool,
    warnings: Iterable[str] = (),
    jobs: Iterable[str] = (),
) -> None:
    """Print a table with warnings and cautions, or the result as JSON."""
    from lawnscore.care.cautions import cautions_for

    cautions, told = [caution.text for caution in cautions_for(jobs)], list(warnings)
    if as_json:
        print_json({**result, "warnings": told, "cautions": cautions})
        return
    print_table(headers, rows, title)
    print_cautions(told, cautions)


def print_cautions(warnings: Sequence[str], cautions: Sequence[str]) -> None:
    """Print warnings (about these numbers) before cautions (about this kind of work)."""
    for heading, lines in (("Look out", warnings), ("Cautions", cautions)):
        if lines:
            typer.echo(f"\n{heading}")
        for line in lines:
            typer.echo(f"  - {line}")


def gallon_of(text: str | None) -> Gallon | None:
    """Return which gallon ``--gallon`` means."""
    if text is None:
        return None
    if text == "us":
        return "us"
    if text == "imperial":
        return "imperial"
    raise LawnscoreError(f"--gallon {text!r} is not known", "Use us or imperial.")


def areas_of(
    area: str | None, round_path: Path | None, lawns: list[str] | None
) -> list[tuple[str, float]]:
    """Return named areas in m2: the one given, or those of the zones of a round.

    Raises
    ------
    LawnscoreError
        When neither or both are given, a lawn is not known, or a zone has no area.
    """
    from lawnscore.care.units import read_quantity

    if (area is None) == (round_path is None):
        raise LawnscoreError("the area is missing", "Give either --area or --round.")
    if area is not None:
        return [("", read_quantity(area, "area", assumed="m2"))]
    assert round_path is not None
    table = lawns_of(round_path, lawns)
    places = [
        (f"{lawn} / {zone}", float(size))
        for lawn, zone, size in zip(table["lawn"], table["zone"], table["area_m2"], strict=True)
    ]
    without = [place for place, size in places if not size > 0]
    if without:
        raise LawnscoreError(
            f"no area for {', '.join(without)}",
            "Write area_m2, or choose other lawns with --lawn.",
            round_path / "lawns.csv",
        )
    return places


def lawns_of(round_path: Path, wanted: list[str] | None) -> pd.DataFrame:
    """Return the rows of lawns.csv for these lawns (all when none is named)."""
    from lawnscore.register.register import read_register

    table = read_register(round_path).lawns
    where = round_path / "lawns.csv"
    if table.empty:
        raise LawnscoreError("there is no lawn", "Write lawns and areas in lawns.csv.", where)
    unknown = sorted(set(wanted or ()) - set(table["lawn"]))
    if unknown:
        raise LawnscoreError(
            f"no lawn {', '.join(unknown)}", f"Known: {', '.join(table['lawn'].unique())}.", where
        )
    return table[table["lawn"].isin(wanted)] if wanted else table
