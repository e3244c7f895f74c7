"""`lawnscore plan`; `lawnscore next` stands in `planning_next`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.care_output import JSON, lawns_of
from lawnscore.commands.output import print_json, print_table, say
from lawnscore.commands.typed import number_option, today_or
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import FrameRow, Row

if TYPE_CHECKING:
    import pandas as pd
    from pandas._libs.missing import NAType

    from lawnscore.care.photos_needed import Goal
    from lawnscore.care.spots import Spot

_SPOTS_SHOWN_ZONES = 3
_CHANGE, _INDEX_CHANGE = 5.0, 0.05
ROUND = typer.Argument(help="Folder of the round.")


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    from lawnscore.commands.planning_next import suggest_next

    app.command("plan")(plan)
    app.command("next")(suggest_next)


def plan(
    round_path: Path = ROUND,
    lawn: list[str] | None = typer.Option(None, "--lawn", help="Only this lawn; may be repeated."),
    detect: float | None = number_option("--detect", help_="Change to be shown (5; colour 0.05)."),
    half_width: float | None = number_option(
        "--half-width", help_="Instead: half width of the 95 % interval of one visit."
    ),
    measure: str = typer.Option("green_cover_pct", "--measure", help="Measure to plan for."),
    power: float = number_option("--power", help_="Chance of showing the change.", default=0.8),
    length: str | None = typer.Option(None, "--length", help="Length of the zone: '20 m'."),
    width: str | None = typer.Option(None, "--width", help="Width of the zone: '8 m'."),
    pdf: Path | None = typer.Option(None, "--pdf", help="Draw where to stand on a sheet."),
    slips: Path | None = typer.Option(None, "--slips", help="Print the slips with these spots."),
    as_json: bool = JSON,
) -> None:
    """How many photos each zone needs, and where to stand for them."""
    from lawnscore.care.photos_needed import photos_needed
    from lawnscore.care.spots import known_spots, spread_spots

    goal = _goal(measure, detect, half_width, power)
    photos, changes = (_scored(round_path, name) for name in ("photo_scores", "changes"))
    lawns = lawns_of(round_path, lawn)
    if lawn and photos is not None:
        wanted = photos["lawn"].isin(lawns["lawn"])
        planned = photos_needed(photos, lawns, goal, changes=changes)
        needs = planned[planned["lawn"].isin(lawns["lawn"])]
        photos = photos[wanted]
    else:
        needs = photos_needed(photos, lawns, goal, changes=changes)
    needs = _without_left(needs, lawns)
    known = known_spots(photos)
    spots = {
        (lawn, zone): spread_spots(n, place=f"{lawn}/{zone}", known=known.get((lawn, zone), ()))
        for lawn, zone, n in _photos_by_zone(needs)
    }
    size = _size(length, width)
    if pdf is not None:
        from lawnscore.care.plan_sheet import draw_plan

        n_pages = draw_plan(needs, spots, pdf, title=f"Where to stand {goal.words} ({measure})")
        say(f"{pdf}: {n_pages} page{'s' if n_pages > 1 else ''}")
    if slips is not None:
        _write_slips(round_path, slips, lawn, needs, spots)
    if as_json:
        print_json(
            {"goal": goal.words, "measure": measure, "zones": _zones_json(needs, spots, size)}
        )
    else:
        _print_plan(needs, spots, size)
    if photos is None:
        say(
            "No photo is scored yet: the spread is a default. Score the first visit and plan again."
        )


def _goal(measure: str, detect: float | None, half_width: float | None, power: float) -> Goal:
    from lawnscore.care.photos_needed import Goal

    if detect is not None and half_width is not None:
        raise LawnscoreError("both --detect and --half-width are given", "Give one of them.")
    if half_width is not None:
        return Goal(measure, half_width, "interval", power)
    usual = _INDEX_CHANGE if measure == "colour_index" else _CHANGE
    return Goal(measure, usual if detect is None else detect, "change", power)


def _without_left(needs: pd.DataFrame, lawns: pd.DataFrame) -> pd.DataFrame:
    from lawnscore.history.attention import left_places

    gone = left_places(lawns, today_or(None))
    pairs = zip(needs["lawn"], needs["zone"], strict=True)
    return needs[[pair not in gone for pair in pairs]]


def _scored(round_path: Path, name: str) -> pd.DataFrame | None:
    from lawnscore.scoring.tables import read_table, table_path

    return read_table(round_path, name) if table_path(round_path, name).exists() else None


def _photos_by_zone(needs: pd.DataFrame) -> list[tuple[str, str, int]]:
    return [(str(r["lawn"]), str(r["zone"]), int(r["photos"])) for r in needs.to_dict("records")]


def _size(length: str | None, width: str | None) -> tuple[float | None, float | None]:
    from lawnscore.care.units import read_quantity

    if (length is None) != (width is None):
        raise LawnscoreError("only one side of the zone is given", "Give --length and --width.")
    if length is None or width is None:
        return None, None
    return read_quantity(length, "length"), read_quantity(width, "length", what="width")


def _zones_json(
    needs: pd.DataFrame,
    spots: dict[tuple[str, str], list[Spot]],
    size: tuple[float | None, float | None],
) -> list[Row]:
    from lawnscore.care.spots import where_to_stand

    return [
        {
            **{str(key): value for key, value in row.items()},
            "spots": [
                {**vars(spot), "where": where_to_stand(spot, *size)}
                for spot in spots[row["lawn"], row["zone"]]
            ],
        }
        for row in needs.to_dict("records")
    ]


def _print_plan(
    needs: pd.DataFrame,
    spots: dict[tuple[str, str], list[Spot]],
    size: tuple[float | None, float | None],
) -> None:
    from lawnscore.care.spots import where_to_stand

    change = "change" in needs["goal"].iloc[0]
    headers = [
        "lawn",
        "zone",
        "photos",
        "range",
        "they show",
        "spread",
        "from",
        "last visit",
        "note",
    ]
    if change:
        headers.insert(4, "new spots")
    rows = [_plan_row(row, change) for row in needs.to_dict("records")]
    title = f"Photos {needs['goal'].iloc[0]}, {needs['measure'].iloc[0]}"
    print_table(headers, rows, title)
    if len(needs) > _SPOTS_SHOWN_ZONES:
        typer.echo("\nWhere to stand: name a lawn with --lawn, or draw all with --pdf FILE.pdf.")
        return
    for (lawn, zone), places in spots.items():
        typer.echo(f"\n{lawn} / {zone}: file names start with the spot, such as {places[0].name}--")
        print_table(
            ("spot", "where to stand, from the corner you come in by", ""),
            [(s.name, where_to_stand(s, *size), "as before" if s.known else "") for s in places],
        )


def _plan_row(row: FrameRow, change: bool) -> list[str]:
    import pandas as pd

    from lawnscore.care.photos_needed import MOST_PHOTOS
    from lawnscore.care.units import significant

    def number(value: float) -> str:
        return "" if value != value else significant(value, 2)

    def count(value: int | NAType) -> str:
        return f">{MOST_PHOTOS}" if pd.isna(value) else str(value)

    known = pd.notna(row["sd_low"])
    last = ""
    if pd.notna(row["last_photos"]):
        last = "1 photo" if row["last_photos"] == 1 else f"{row['last_photos']} photos"
        if row["last_shows"] == row["last_shows"]:
            last += f" show {number(row['last_shows'])}"
    cells = [
        row["lawn"],
        row["zone"],
        str(row["photos"]),
        f"{count(row['photos_low'])} to {count(row['photos_high'])}" if known else "",
        number(row["shows"]),
        number(row["sd"]),
        row["sd_from"],
        last,
        row["note"],
    ]
    if change:
        cells.insert(4, count(row["photos_new_spots"]))
    return cells


def _write_slips(
    round_path: Path,
    out: Path,
    lawn: list[str] | None,
    needs: pd.DataFrame,
    spots: dict[tuple[str, str], list[Spot]],
) -> None:
    from lawnscore.filing.slips import write_slips

    if lawn and len(lawn) > 1:
        raise LawnscoreError("slips are for one lawn or for all", "Name one lawn with --lawn.")
    sheets = write_slips(
        round_path,
        out,
        lawn=lawn[0] if lawn else None,
        spots={place: [spot.name for spot in places] for place, places in spots.items()},
        hints={
            (lawn, zone): f"{n} photos {needs['goal'].iloc[0]}"
            for lawn, zone, n in _photos_by_zone(needs)
        },
    )
    say(f"{out}: {sheets.n_slips} slips on {sheets.n_pages} pages")
