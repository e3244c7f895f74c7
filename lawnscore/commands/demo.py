"""Commands of `demo`: an invented round with known truth, made, scored and reported."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.output import Exit, print_json, say

if TYPE_CHECKING:
    from lawnscore.demo.check import DemoCheck
    from lawnscore.demo.demo_round import DemoTruth
    from lawnscore.report import ReportSummary
    from lawnscore.report.outbox import Outbox
    from lawnscore.scoring.summary import ScoreSummary

_PLAIN_EVERY = 20


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(demo)


def demo(
    folder: Path = typer.Argument(Path("demo-round"), metavar="[FOLDER]", help="Where to make it."),
    small: bool = typer.Option(False, "--small", help="Two lawns and seven photos only."),
    samples: Path | None = typer.Option(
        None, "--samples", metavar="FOLDER", help="Make only the sample photos, in this folder."
    ),
    workers: int | None = typer.Option(
        None, "--workers", min=1, help="Processes; 1 or 2 by default."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print what was found as JSON."),
) -> None:
    """Make an invented round with known truth, score it and write its reports.

    A few of its photos deserve to be refused. Exit status: 0 when just those were refused, 1
    when other photos were, 2 when nothing could be done. Run again, it makes and scores only what
    is missing.
    """
    if samples is not None:
        _samples(samples, as_json)
        return
    from lawnscore.demo.check import check_demo
    from lawnscore.demo.demo_round import SEED, make_demo_round
    from lawnscore.demo.reader import read_demo
    from lawnscore.points.score import score_round
    from lawnscore.report import write_reports
    from lawnscore.report.outbox import write_outbox
    from lawnscore.report.pictures import DrawingScorer

    say(f"Rendering the photos of an invented round in {folder} (a few minutes).")
    made = make_demo_round(folder, small=small, workers=workers, progress=_progress("rendered"))
    say("Scoring.")
    summary = score_round(
        folder,
        scorer=DrawingScorer(folder),
        workers=workers,
        progress=_progress("scored"),
        today=made.looked_back_on,
    )
    say("Letting an invented reader read points.")
    read_demo(folder, seed=SEED, small=small)
    say("Writing the reports.")
    day = made.looked_back_on
    reports = write_reports(
        folder, pdf=True, progress=_progress("pictures and lawns done"), today=day
    )
    _letters(folder, small=small, today=day)
    posted = write_outbox(folder, today=day, now=datetime.fromisoformat(f"{day}T09:00:00+00:00"))
    check = check_demo(folder)
    if as_json:
        print_json(_document(made, summary, check, reports) | {"drafts": len(posted.drafts)})
    else:
        typer.echo("\n".join(_lines(summary, check, reports)))
        _say_drafts(posted)
    raise typer.Exit(Exit.WELL if check.as_meant else Exit.SOME_REFUSED)


def _letters(folder: Path, *, small: bool, today: str) -> None:
    """Write the survey of one lawn and the answers to the complaints of the demo round."""
    from lawnscore.demo.round_people import SURVEYED
    from lawnscore.register.register import read_register
    from lawnscore.report.letters import write_complaint, write_survey

    write_survey(folder, SURVEYED[small], pdf=True, today=today)
    complaints = read_register(folder).complaints
    for lawn, date in zip(complaints["lawn"], complaints["date"], strict=True):
        write_complaint(folder, lawn, date=date, pdf=True, today=today)


def _say_drafts(posted: Outbox) -> None:
    for one in posted.drafts:
        say(f"{one.file}: a draft to {one.customer.name}; nothing was sent.")
    for one in posted.paper:
        say(f"{one.customer.name} wants paper: {one.file}.")
    for customer, why in posted.left:
        say(f"{customer}: no draft, {why}.")


def _samples(folder: Path, as_json: bool) -> None:
    from lawnscore.demo.samples import make_samples

    written = make_samples(folder, progress=_progress("rendered"))
    if as_json:
        print_json({"folder": str(folder), "photos": [str(path) for path in written]})
    else:
        typer.echo(f"{len(written)} rendered photos in {folder}, their truth in truth.csv.")


def _progress(verb: str):  # type: ignore[no-untyped-def]
    def show(done: int, total: int, photo: str) -> None:
        if done in (1, total) or done % _PLAIN_EVERY == 0:
            say(f"  {done} of {total} {verb}")

    return show


def _document(
    made: DemoTruth, summary: ScoreSummary, check: DemoCheck, reports: ReportSummary
) -> dict[str, object]:
    from lawnscore.demo.check import as_dict

    return {
        "invented": True,
        **summary.as_dict(),
        "photos_rendered": made.n_made,
        "truth": as_dict(check),
        "reports": str(reports.index),
    }


def _lines(summary: ScoreSummary, check: DemoCheck, reports: ReportSummary) -> list[str]:
    from lawnscore.scoring.summary import summary_lines

    return [
        *summary_lines(summary),
        "",
        *check.lines(),
        "",
        f"Look at {reports.index} in a browser; the tables lie beside it.",
        f"The truth of every photo is in {summary.path / 'truth.csv'}.",
        "All of this is invented: no such lawns, people or weather; the photos are rendered.",
    ]
