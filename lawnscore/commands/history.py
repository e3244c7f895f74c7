"""Commands of `history`: what the tables mean, on a terminal or as JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.output import print_json, print_table, say
from lawnscore.commands.typed import TODAY_HELP, day_option, today_or
from lawnscore.contract.rows import Row, rows_of

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.history.trial import Place, Trial

_ROUND = typer.Argument(..., help="Folder of the round.", metavar="ROUND", show_default=False)
_JSON = typer.Option(False, "--json", help="Print one JSON document and nothing else.")
_LAWN = typer.Option(None, "--lawn", help="Only this lawn.", show_default=False)
_TODAY = day_option("--today", help_=TODAY_HELP)
_ALL = typer.Option(False, "--all", help="Every measure and pair, not the latest main ones.")


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("history")(history)
    app.command("attention")(attention)
    app.command("trial")(trial)


def history(
    round_path: Path = _ROUND,
    lawn: str | None = _LAWN,
    every: bool = _ALL,
    as_json: bool = _JSON,
) -> None:
    """Show visits, changes and recoveries of the round, and rewrite their tables."""
    tables = _made_anew(round_path)
    shown = {name: _only(tables[name], lawn) for name in ("visit_scores", "changes", "recovery")}
    if lawn is not None and shown["visit_scores"].empty:
        _no_such_lawn(tables["visit_scores"], lawn)
    if not every:
        shown["changes"] = _latest(shown["changes"])
    if as_json:
        print_json(shown)
        return
    _show_visits(shown["visit_scores"])
    _show_changes(shown["changes"])
    _show_recovery(shown["recovery"])


def attention(round_path: Path = _ROUND, today: str | None = _TODAY, as_json: bool = _JSON) -> None:
    """Show which lawns want attention, most urgent first, and rewrite the table."""
    if today is None:
        table = _made_anew(round_path)["attention"]
    else:
        from lawnscore.scoring.afresh import tables_as_of

        table = tables_as_of(round_path, today)["attention"]
    if as_json:
        print_json(table)
        return
    if table.empty:
        say(_nothing_flagged(round_path, today_or(today)))
        return
    from lawnscore.report.evidence import with_overdue_joined

    print_table(
        ("#", "lawn", "zone", "flag", "since", "evidence", "next step"),
        [
            (r["rank"], r["lawn"], r["zone"], r["flag"], _text(r["since"]), r["evidence"],
             r["next_step"])
            for r in with_overdue_joined(rows_of(table))
        ],
        f"What wants attention on {today_or(today)}",
    )  # fmt: skip


def _nothing_flagged(round_path: Path, today: str) -> str:
    """Say that nothing is flagged, and of how many zones too little is known to flag a fall."""
    from lawnscore.history.steps import MIN_PAST
    from lawnscore.scoring.tables import read_table

    visits = read_table(round_path, "visit_scores")
    seen = visits[visits["green_cover_pct"].notna() & (visits["date"].astype(str) <= today)]
    days = seen.groupby(["lawn", "zone"])["date"].nunique()
    zones = len(visits[["lawn", "zone"]].drop_duplicates())
    few = zones - int((days > MIN_PAST).sum())
    if not few:
        return "Nothing is flagged."
    return (
        f"Nothing is flagged; {few} of {zones} zones {'has' if few == 1 else 'have'} fewer than "
        f"{MIN_PAST + 1} visits, too few to tell a fall of cover."
    )


def trial(
    round_path: Path = _ROUND,
    treated: list[str] = typer.Option(..., "--treated", help="LAWN or LAWN/ZONE; may be repeated."),
    control: list[str] = typer.Option(
        ..., "--control", help="Untreated LAWN or LAWN/ZONE; one for all, or one for each."
    ),
    start: str = day_option("--from", help_="First day of the treatment.", default=...),
    until: str | None = day_option("--until", help_="Last day to look at."),
    as_json: bool = _JSON,
) -> None:
    """Compare treated with untreated zones or lawns from a date on."""
    from lawnscore.history.trial import trial as compare
    from lawnscore.scoring.tables import read_table

    result = compare(
        read_table(round_path, "visit_scores"),
        [_place(text) for text in treated],
        [_place(text) for text in control],
        start,
        until=until,
    )
    if as_json:
        print_json(
            {
                "start": result.start,
                "until": result.until,
                "notes": list(result.notes),
                "measures": result.table,
            }
        )
        return
    _show_trial(result)


def _place(text: str) -> Place:
    lawn, _, zone = text.partition("/")
    return lawn, zone or None


def _made_anew(round_path: Path) -> dict[str, pd.DataFrame]:
    """Return the tables of the history, computed anew and written to the round."""
    from lawnscore.history.changes import changes
    from lawnscore.history.visits import visit_scores
    from lawnscore.register.register import read_register
    from lawnscore.scoring.afresh import tables_as_of
    from lawnscore.scoring.tables import read_table, write_table

    photos = read_table(round_path, "photo_scores")
    kept = read_register(round_path)
    visits = visit_scores(photos)
    write_table(round_path, "visit_scores", visits)
    tables = {"changes": changes(visits, photo_scores=photos, work=kept.work)}
    tables |= tables_as_of(round_path, today_or(None), register=kept)
    for name, table in tables.items():
        write_table(round_path, name, table)
    return {"visit_scores": visits, **tables}


def _only(table: pd.DataFrame, lawn: str | None) -> pd.DataFrame:
    return table if lawn is None else table[table["lawn"] == lawn]


def _no_such_lawn(visits: pd.DataFrame, lawn: str) -> None:
    import difflib

    from lawnscore.contract.errors import LawnscoreError

    names = sorted(set(visits["lawn"]))
    near = difflib.get_close_matches(lawn, names, 3) or names[:5]
    raise LawnscoreError(
        f"there are no visits of lawn `{lawn}`", f"Lawns with photos: {', '.join(near)}."
    )


def _latest(changes: pd.DataFrame) -> pd.DataFrame:
    """Return the main measures of the last pair of each kind."""
    from lawnscore.contract.measures import MEASURES

    main = [name for name, measure in MEASURES.items() if measure.main]
    table = changes[changes["measure"].isin(main)]
    pair = ["lawn", "zone", "kind"]
    last = table.astype({"to_date": "string"}).groupby(pair, observed=True)["to_date"]
    latest = table[table["to_date"].astype("string") == last.transform("max")]
    # two kinds may hold the same pair of occasions: it is printed once
    ends = ["lawn", "zone", "measure", "from_date", "from_stage", "to_date", "to_stage"]
    return latest.drop_duplicates(ends)


def _text(value: str | None) -> str:
    return "" if value is None else value


def _number(value: float | None, digits: int = 1) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _interval(low: float | None, high: float | None, digits: int) -> str:
    ends = _number(low, digits), _number(high, digits)
    return f"{ends[0]} to {ends[1]}" if all(ends) else "too few photos"


def _range(row: Row, name: str, digits: int = 0) -> str:
    middle = _number(row[name], digits)
    low, high = _number(row[f"{name}_low"], digits), _number(row[f"{name}_high"], digits)
    if middle and low:
        return f"{middle} ({low} to {high})" if high else f"{middle} ({low} or more)"
    return middle


def _show_visits(table: pd.DataFrame) -> None:
    print_table(
        ("lawn", "zone", "date", "stage", "photos", "green cover %", "bare soil %",
         "casts per m2", "colour index", "condition"),
        [
            (r["lawn"], r["zone"], r["date"], r["stage"], r["photos"],
             _range(r, "green_cover_pct"), _range(r, "bare_soil_pct", 1),
             _range(r, "casts_per_m2", 1), _range(r, "colour_index", 2), _range(r, "condition"))
            for r in rows_of(table)
        ],
        "Visits (95 % intervals in brackets)",
    )  # fmt: skip


def _digits(measure: str) -> int:
    return 3 if measure == "colour_index" else 1


def _show_changes(table: pd.DataFrame) -> None:
    rows = []
    for r in rows_of(table):
        d = _digits(str(r["measure"]))
        interval, verdict = _interval(r["low"], r["high"], d), _text(r["verdict"])
        if verdict == "no clear change":
            verdict += f" (would show {_number(r['smallest_detectable'], d)})"
        rows.append(
            (r["lawn"], r["zone"], r["kind"], r["measure"],
             f"{r['from_date']} {r['from_stage']}", f"{r['to_date']} {r['to_stage']}",
             _number(r["change"], d), interval, verdict)
        )  # fmt: skip
    print_table(
        ("lawn", "zone", "kind", "measure", "from", "to", "change", "95 % interval", "verdict"),
        rows,
        "Latest changes",
    )


def _show_recovery(table: pd.DataFrame) -> None:
    rows = []
    for r in rows_of(table):
        expected = f"{_number(r['expected_days_to_95'], 0)}, by the {_text(r['expected_from'])}"
        rows.append(
            (r["lawn"], r["zone"], r["renovation_date"], r["task"],
             f"{_number(r['cover_before'], 0)} > {_number(r['cover_after'], 0)} > "
             f"{_number(r['cover_now'], 0)}",
             _range(r, "days_to_95") or "not reached", expected, r["state"], _text(r["note"]))
        )  # fmt: skip
    print_table(
        ("lawn", "zone", "renovation", "task", "cover before > after > now", "days to 95 %",
         "expected", "state", "note"),
        rows,
        "Recoveries",
    )  # fmt: skip


def _show_trial(result: Trial) -> None:
    rows = []
    for r in rows_of(result.table):
        d = _digits(str(r["measure"]))
        rows.append(
            (r["measure"], _number(r["treated_change"], d), _number(r["control_change"], d),
             _number(r["difference"], d), _interval(r["low"], r["high"], d),
             _text(r["verdict"]), _number(r["smallest_detectable"], d))
        )  # fmt: skip
    print_table(
        ("measure", "treated", "untreated", "difference", "95 % interval", "verdict",
         "would show"),
        rows,
        f"Trial from {result.start} to {result.until}: changes, treated less untreated",
    )  # fmt: skip
    for note in result.notes:
        say(note)
