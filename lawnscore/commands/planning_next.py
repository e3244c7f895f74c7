"""`lawnscore next`: the visits of the coming weeks, in order, with their reasons."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.care_output import JSON, print_cautions
from lawnscore.commands.output import print_json, say
from lawnscore.commands.typed import TODAY_HELP, day_option, today_or
from lawnscore.contract.rows import Row

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.contract.settings import Settings
    from lawnscore.register.register import Register

_WIDTH = 100
_YEAR_WEEKS = 54
"""How far ahead the next visit is looked for where none is due: a year and a fortnight."""
_PARTS = (("why", "why"), ("do", "jobs"), ("take", "amounts"), ("mind", "warnings"))


def suggest_next(
    round_path: Path = typer.Argument(metavar="ROUND", help="Folder of the round."),
    weeks: int = typer.Option(4, "--weeks", help="How far ahead."),
    lawn: list[str] | None = typer.Option(None, "--lawn", help="Show only this lawn; repeat it."),
    today: str | None = day_option("--today", help_=TODAY_HELP),
    a_day: int = typer.Option(8, "--per-day", help="Visits that fit in a working day."),
    brief: bool = typer.Option(False, "--brief", help="One line a visit."),
    ics: Path | None = typer.Option(None, "--ics", help="Write the visits as iCalendar."),
    as_json: bool = JSON,
) -> None:
    """Suggest the order of visits for the coming weeks, with reasons, jobs and amounts.

    Jobs come from programme.toml of the round, or from the programme that ships. Where lawns.csv
    has places, the visits of a day are in the order of a short way.
    """
    from lawnscore.care.next_visits import Planning, base_of, next_visits
    from lawnscore.contract.settings import read_settings
    from lawnscore.register.programme import FILE_NAME, read_programme
    from lawnscore.register.register import read_register

    settings, register = read_settings(round_path / "round.toml"), read_register(round_path)
    start = today_or(today)
    frames = _tables(round_path, start, register)
    if lawn:
        from lawnscore.commands.care_output import lawns_of

        lawns_of(round_path, lawn)  # a lawn that is not there is told

    def planned(ahead: int) -> pd.DataFrame:
        visits = next_visits(
            frames.get("visit_scores"),
            frames.get("attention"),
            frames.get("recovery"),
            register.lawns,
            register.work,
            register.weather,
            today=start,
            options=Planning(
                weeks=ahead,
                a_day=a_day,
                settings=settings.history,
                programme=read_programme(round_path),
                base=base_of(settings.route),
            ),
        )
        return visits[visits["lawn"].isin(lawn)] if lawn else visits

    shown = planned(weeks)
    later = _plain(planned(_YEAR_WEEKS).head(1)) if shown.empty and weeks < _YEAR_WEEKS else []
    if ics is not None:
        _write_calendar(round_path, ics, shown, settings, register, frames)
    if as_json:
        print_json({"today": start, "weeks": weeks, "visits": _plain(shown),
                    "next_due": later[0] if later else None})  # fmt: skip
    elif shown.empty:
        _print_none(later, start, weeks)
    else:
        _print_visits(shown, start, weeks, brief=brief)
    if not (round_path / FILE_NAME).exists():
        say(f"No {FILE_NAME} here: the one that ships is used. `lawnscore new` writes it to edit.")
    if "visit_scores" not in frames:
        say("No photo is scored yet: the order comes from the register alone.")


def _tables(round_path: Path, start: str, register: Register) -> dict[str, pd.DataFrame]:
    """Return the tables of a scored round as they stand on the day; nothing of an unscored one."""
    from lawnscore.scoring.afresh import tables_as_of
    from lawnscore.scoring.tables import read_table, table_path

    names = ("photo_scores", "visit_scores", "changes")
    found = {n: read_table(round_path, n) for n in names if table_path(round_path, n).exists()}
    if "visit_scores" in found and "photo_scores" in found:
        found |= tables_as_of(round_path, start, register=register)
    return found


def _plain(visits: pd.DataFrame) -> list[Row]:
    from lawnscore.care.visit_reasons import records

    rows = records(visits)
    for row in rows:
        for name in ("why", "jobs", "amounts", "warnings", "cautions"):
            row[name] = (row[name] or "").splitlines()
    return rows


def _print_none(later: list[Row], start: str, weeks: int) -> None:
    """Say that no visit is due, and which one will be the first."""
    typer.echo(f"No visit is due in the {weeks} weeks from {start}.")
    if not later:
        typer.echo("None is due within a year either.")
        return
    row = later[0]
    why = "; ".join(line.rstrip(".") for line in row["why"])
    text = f"The next is due about {_day(row['date'])}: {_place(row)}{_facts(row)}: {why}."
    typer.echo(textwrap.fill(text, _WIDTH, break_long_words=False, break_on_hyphens=False))


def _print_visits(visits: pd.DataFrame, start: str, weeks: int, *, brief: bool) -> None:
    rows = _plain(visits)
    many = "visit" if len(rows) == 1 else "visits"
    typer.echo(f"{len(rows)} {many} suggested for the {weeks} weeks from {start}")
    if rows:
        typer.echo(f"Season at the first: {rows[0]['season']}.")
    if brief:
        from lawnscore.commands.output import print_table

        headers = ("", "date", "lawn", "zone", "m2", "last visit", "why")
        print_table(headers, [_brief_row(row) for row in rows])
        return
    for row in rows:
        typer.echo(f"\n{row['order']}. {_day(row['date'])}  {_place(row)}{_facts(row)}")
        for heading, name in _PARTS:
            for number, line in enumerate(row[name]):
                first = f"   {heading if number == 0 else '':<5}"
                text = textwrap.wrap(line, _WIDTH - 8, break_long_words=False) or [""]
                typer.echo(first + f"\n{'':8}".join(text))
    print_cautions([], list(dict.fromkeys(line for row in rows for line in row["cautions"])))


def _brief_row(row: Row) -> list[object]:
    area = "" if row["area_m2"] is None else f"{row['area_m2']:g}"
    return [
        row["order"],
        _day(row["date"]),
        row["lawn"],
        row["zone"],
        area,
        row["last_visit"],
        row["short"],
    ]


def _place(row: Row) -> str:
    return str(row["lawn"]) if row["zone"] == "all" else f"{row['lawn']} / {row['zone']}"


def _facts(row: Row) -> str:
    facts = [] if row["area_m2"] is None else [f"{row['area_m2']:g} m2"]
    facts.append(f"last visit {row['last_visit']}" if row["last_visit"] else "not visited yet")
    if row["km"] is not None:
        facts.append(f"{row['km']:.1f} km on, straight")
    return f"  ({', '.join(facts)})"


def _day(iso: str) -> str:
    import datetime

    day = datetime.date.fromisoformat(iso)
    names = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    return f"{names[day.weekday()]} {iso}"


def _write_calendar(
    round_path: Path,
    out: Path,
    visits: pd.DataFrame,
    settings: Settings,
    register: Register,
    frames: dict[str, pd.DataFrame],
) -> None:
    from lawnscore.contract.files import write_output
    from lawnscore.report.calendar import visits_calendar
    from lawnscore.report.language import words_for
    from lawnscore.report.load import arrange

    tables = frames | {"lawns": register.lawns, "work": register.work, "next_visits": visits}
    rounds = arrange(round_path, settings, tables)
    write_output(out, visits_calendar(rounds, words_for(settings.report)), ".ics")
    say(f"{out}: {len(visits)} visits")
