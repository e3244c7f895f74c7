"""`lawnscore points new` and `lawnscore points read`: the practitioner's own truth."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from lawnscore.commands.output import Exit, print_json, print_table, say
from lawnscore.contract.errors import LawnscoreError

if TYPE_CHECKING:
    from lawnscore.points.check import CastCheck, PointsCheck
    from lawnscore.points.estimate import Estimate

ROUND = typer.Argument(..., metavar="ROUND", help="Folder of the round; it must be scored.")
_PLAIN_EVERY = 4
_POINTS_A_MINUTE = 20


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    points = typer.Typer(no_args_is_help=True, help="Check the numbers by points read by eye.")
    points.command("new")(new)
    points.command("read")(read)
    app.add_typer(points, name="points")


def new(
    round_path: Path = ROUND,
    lawn: list[str] = typer.Option([], "--lawn", help="Only of this lawn; may be repeated."),
    photos: int = typer.Option(12, "--photos", min=1, help="Photos to draw."),
    points: int = typer.Option(60, "--points", min=1, help="Points a photo."),
    casts: bool = typer.Option(False, "--casts", help="Mark casts on whole photos instead."),
    out: Path | None = typer.Option(None, "--out", help="The HTML file to write."),
    seed: int | None = typer.Option(None, "--seed", min=0, help="Same seed, same draw."),
    as_json: bool = typer.Option(False, "--json", help="Print what was made as JSON."),
) -> None:
    """Draw photos and points on them at random, and write a page to read them by eye.

    The page is one file that works offline, on a phone too. It never shows what the program
    thinks. Its download goes into the round with `lawnscore points read`.
    """
    from lawnscore.points.draw import draw_photos
    from lawnscore.points.page import write_page

    draw = draw_photos(round_path, photos, lawns=lawn or None, seed=seed)
    mode = "casts" if casts else "points"
    path = out or Path(f"{mode}-{draw.id}.html")
    page = write_page(
        draw, path, mode="casts" if casts else "points", points=points, progress=_progress
    )
    if as_json:
        print_json({**vars(page), "path": str(page.path)})
        return
    if page.n_photos < photos:
        say(f"The round has only {page.n_photos} photos to draw from.")
    size = f"{page.n_bytes / 1e6:.1f} MB"
    if casts:
        typer.echo(f"{page.path}: {page.n_items} pictures of {page.n_photos} photos, {size}.")
    else:
        minutes = math.ceil(page.n_items / _POINTS_A_MINUTE)
        typer.echo(
            f"{page.path}: {page.n_items} points on {page.n_photos} photos, {size}, about "
            f"{minutes} minutes at {_POINTS_A_MINUTE} points a minute."
        )
    typer.echo("Open it in a browser, read, download, then: lawnscore points read ROUND FILE.csv")


def read(
    round_path: Path = ROUND,
    file: Path | None = typer.Argument(
        None, metavar="[FILE.csv]", help="A file downloaded from the page; none shows what is kept."
    ),
    as_json: bool = typer.Option(False, "--json", help="Print what was found as JSON."),
) -> None:
    """Keep what a reader saw in points.csv, and say how right the program is on these lawns.

    Nothing in points.csv is ever written over. Exit status: 0 all went well, 1 some rows could not
    be taken, 2 nothing could be done.
    """
    from lawnscore.points.check import as_dict, check_points
    from lawnscore.points.record import keep_file

    kept = None if file is None else keep_file(round_path, file)
    check = check_points(round_path)
    if check is None:
        raise LawnscoreError(
            "no points have been read yet",
            "Make a page with `lawnscore points new`, then name its download.",
            round_path,
        )
    problems = kept.problems if kept else ()
    if as_json:
        taken = {"rows": kept.n_rows, "new": kept.n_new} if kept else None
        print_json({"taken": taken, "problems": list(problems), **as_dict(check)})
    else:
        if kept:
            typer.echo(f"{kept.path}: {kept.n_rows} rows taken, {kept.n_new} of them new.")
        for line in problems:
            say(line)
        _print(check)
    raise typer.Exit(Exit.SOME_REFUSED if problems else Exit.WELL)


def _progress(done: int, total: int, photo: str) -> None:
    if done in (1, total) or done % _PLAIN_EVERY == 0:
        say(f"{done} of {total}: {photo}")


def _print(check: PointsCheck) -> None:
    for line in _lines(check):
        typer.echo(line)
    if check.n_points:
        _print_shares(check)
        _print_confusion(check)
        _print_groups(check)
    for pair in check.pairs:
        k = pair.kappa
        typer.echo(
            f"{pair.first} and {pair.second} agree on {100 * k.observed:.0f} % of {k.n:.0f} points "
            f"they share; beyond chance (kappa, Cohen 1960) {k.kappa:.2f} "
            f"({k.kappa - 1.96 * k.kappa_se:.2f} to {min(k.kappa + 1.96 * k.kappa_se, 1):.2f})."
        )
    if check.casts is not None:
        typer.echo(_cast_line(check.casts))
    if check.corrected:
        typer.echo("round.toml lets them correct the tables: run `lawnscore score` again.")
    else:
        typer.echo(
            "The tables are not corrected; under [points] in round.toml the line "
            '`correct = "yes"` does that.'
        )


def _lines(check: PointsCheck) -> Iterator[str]:
    readers = ", ".join(check.readers)
    yield f"{check.n_points} points on {check.n_photos} photos, read by {readers}."
    if check.n_untold:
        yield f"{check.n_untold} more could not be told and take no part."
    if check.n_stale:
        yield f"{check.n_stale} rows are of photos that are not in the round as they were."
    if check.n_points:
        yield (
            "Where a surface was seen, the program gave it "
            f"{100 * check.agreement:.0f} % on average."
        )


def _print_shares(check: PointsCheck) -> None:
    typer.echo("")
    print_table(
        ["share", "program less eye (95 %)", "round: program", "by eye (95 %)", "both (95 %)"],
        [
            [
                one.seen_as, _signed(one.bias), f"{one.program:.1f}", _plain(one.eye),
                _plain(one.both),
            ]
            for one in check.shares
        ],
        title="Shares, % of the ground",
    )  # fmt: skip
    more = max((one.more_photos or 0 for one in check.shares), default=0)
    if more:
        typer.echo(f"{more} more photos with as many points each would halve these intervals.")


def _print_confusion(check: PointsCheck) -> None:
    names = [one.seen_as for one in check.shares]
    rows = []
    for name, line in zip(names, check.confusion, strict=True):
        total = line.sum()
        shown = [f"{100 * v / total:.0f} %" if total else "" for v in line]
        rows.append([name, f"{total:.0f}", *shown])
    typer.echo("")
    print_table(
        ["seen", "points", *names], rows, title="What the program's cells of 5 mm hold there"
    )


def _print_groups(check: PointsCheck) -> None:
    if not check.groups:
        return
    names = [one.seen_as for one in check.shares[:3]]
    measures = [one.measure for one in check.shares[:3]]
    rows = [
        [group.kind, group.name, group.n_photos, group.n_points,
         *(_signed(group.bias[name]) for name in measures)]
        for group in check.groups
    ]  # fmt: skip
    typer.echo("")
    print_table(
        ["by", "which", "photos", "points", *names],
        rows,
        title="Program less eye, by light and lawn",
    )
    typer.echo("")


def _cast_line(casts: CastCheck) -> str:
    f = casts.factor
    known = {
        "recall": casts.recall,
        "precision": casts.precision,
    }
    said = ", ".join(f"{k} {v:.2f}" for k, v in known.items() if not math.isnan(v))
    return (
        f"Casts on {casts.n_photos} photos: {casts.seen:.0f} marked, {casts.counted:.0f} counted"
        f"{'; ' + said if said else ''}. Counts times {f.factor:.2f} ({f.low:.2f} to {f.high:.2f}) "
        "would be right."
    )


def _signed(e: Estimate) -> str:
    if math.isnan(e.value):
        return ""
    ends = "" if math.isnan(e.low) else f" ({e.low:+.1f} to {e.high:+.1f})"
    return f"{e.value:+.1f}{ends}"


def _plain(e: Estimate) -> str:
    if math.isnan(e.value):
        return ""
    ends = "" if math.isnan(e.low) else f" ({max(e.low, 0):.1f} to {min(e.high, 100):.1f})"
    return f"{e.value:.1f}{ends}"
