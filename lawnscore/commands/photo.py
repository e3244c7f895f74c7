"""`lawnscore inspect`: one photo, its measures, its quality checks and what was seen in it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import typer

from lawnscore.commands.output import Exit, print_json, print_table, say
from lawnscore.contract.rows import Row

if TYPE_CHECKING:
    from lawnscore.card.reference import ReferenceCard
    from lawnscore.contract.measures import Measure
    from lawnscore.contract.settings import ScoringSettings
    from lawnscore.photo.score import PhotoScore

Z95 = 1.96
"""Half width of a 95 % interval in standard errors of a normal value."""

_PICTURES = (".png", ".jpg", ".jpeg")
"""Endings that a picture of what was seen can have."""


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("inspect")(inspect)


def inspect(
    photo: Path = typer.Argument(..., help="The photo, with the reference card in it."),
    card: str = typer.Option(
        "",
        "--card",
        help="Card: a design (turf-a5, turf-a4, turf-letter, chart24:MM) or a file of its colours. "
        "Without it the round's card, or what the markers say.",
    ),
    as_json: bool = typer.Option(False, "--json", help="Print one JSON object and nothing else."),
    picture: Path | None = typer.Option(
        None,
        "--picture",
        help="Where to draw what was seen. Without it in the reports of the photo's round, and "
        "nowhere for a photo outside one; with --json only when asked for.",
    ),
) -> None:
    """Measure one photo and show what was seen in it.

    Exit status 0 when it was scored, 1 when it was refused, 2 when there is no such photo.
    """
    from lawnscore.contract.errors import LawnscoreError
    from lawnscore.contract.files import check_output
    from lawnscore.photo.score import score_photo

    if not photo.is_file():
        raise LawnscoreError("there is no such photo", "Check the path.", photo)
    place = _Place(photo)
    if picture is not None:
        check_output(picture, *_PICTURES)
    target = picture or place.picture()
    wanted = target is not None and (picture is not None or not as_json)
    score = score_photo(photo, card or place.card(), settings=place.settings(), keep_views=wanted)
    if as_json:
        print_json(_record(score, place))
    else:
        _print_for_people(score)
    if wanted and target is not None and score.views is not None:
        _save_picture(score, target)
        say(f"What was seen: {target}")
    elif not wanted and not as_json and not score.refused:
        say("See what was seen with --picture FILE.png.")
    raise typer.Exit(Exit.SOME_REFUSED if score.refused else Exit.WELL)


class _Place:
    """Where a photo lies: in a round, whose settings then hold, or anywhere else."""

    def __init__(self, photo: Path) -> None:
        self.photo = photo
        folders = photo.resolve().parents
        self.round = next((f for f in folders if (f / "round.toml").is_file()), None)

    def settings(self) -> ScoringSettings:
        """Return the scoring settings of the round, or the defaults."""
        from lawnscore.contract.settings import ScoringSettings, read_settings

        if self.round is None:
            return ScoringSettings()
        return read_settings(self.round / "round.toml").scoring

    def card(self) -> ReferenceCard | Literal["auto"] | None:
        """Return the round's card, its file looked for in the round; ``None`` outside one."""
        from lawnscore.card.reference import load_reference

        if self.round is None:
            return None
        return load_reference(self.settings().card, base=self.round) or "auto"

    def columns(self) -> Row:
        """Return lawn, zone, spot, date, stage and relative path, as the round has them."""
        from lawnscore.register.folder import open_round

        if self.round is None:
            return {}
        photo = self.photo.resolve()
        columns: Row = {"photo": photo.relative_to(self.round).as_posix()}
        for place in open_round(self.round).photos:
            if place.path.resolve() == photo:
                names = ("lawn", "zone", "spot", "date", "stage")
                columns.update({name: getattr(place, name) for name in names})
        return columns

    def picture(self) -> Path | None:
        """Return where the picture goes: never beside an original, so nowhere outside a round."""
        name = f"{self.photo.stem}-seen.png"
        if self.round is None:
            return None
        inside = self.photo.resolve().relative_to(self.round).parent
        return self.round / "reports" / "seen" / inside / name


def _record(score: PhotoScore, place: _Place) -> Row:
    from lawnscore.contract.tables import PHOTO_SCORES

    row: Row = dict.fromkeys(PHOTO_SCORES.column_names)
    row.update(score.row)
    row.update(place.columns())
    row["measured_polygon_px"] = [list(point) for point in score.measured_polygon_px]
    return row


def _print_for_people(score: PhotoScore) -> None:
    from lawnscore.contract.reasons import REASONS

    row = score.row
    if score.refused:
        reason = REASONS[str(row["reason"])]
        say(f"{row['photo']}: refused ({reason.word}): {row['detail']}")
        say(reason.advice)
    else:
        print_table(
            ("measure", "value", "95 % interval, this ground", "the lawn around it", "meaning"),
            _measure_rows(score),
            title=str(row["photo"]),
        )
        print_table(("photo", ""), _photo_rows(row))
        if row["detail"]:
            say(f"Look out: {row['detail']}.")
    if score.checks:
        checks = [
            (c.what, f"{c.value:.3g}{c.unit}", c.limit + c.unit, "passed" if c.passed else c.reason)
            for c in score.checks
        ]
        print_table(("quality check", "found", "allowed", ""), checks)


def _measure_rows(score: PhotoScore) -> list[tuple[str, ...]]:
    from lawnscore.contract.measures import MEASURES

    out: list[tuple[str, ...]] = []
    for name, measure in MEASURES.items():
        value, se = score.row[name], score.row[f"{name}_se"]
        if not isinstance(value, float) or not isinstance(se, float):
            out.append((name, "unknown", "", "", measure.meaning))
            continue
        digits = 3 if measure.kind == "index" else 1
        around = math.hypot(se, score.sampling_se[name])
        intervals = [_interval(measure, value, error, digits) for error in (se, around)]
        out.append((name, f"{value:.{digits}f}", *intervals, measure.meaning))
    return out


def _interval(measure: Measure, value: float, error: float, digits: int) -> str:
    low, high = value - Z95 * error, value + Z95 * error
    low = low if measure.low is None else max(low, measure.low)
    high = high if measure.high is None else min(high, measure.high)
    return f"{low:.{digits}f} to {high:.{digits}f}" if math.isfinite(error) else ""


def _photo_rows(row: Row) -> list[tuple[str, str]]:
    scale = f"{row['mm_per_px']:.3f} mm per pixel, ± {Z95 * row['mm_per_px_se']:.3f}"
    colour = (
        "measured"
        if row["colour_reference"] == "measured"
        else (
            f"{row['colour_reference']}: colour figures are relative to this card"
            if row["colour_reference"] == "nominal"
            else str(row["colour_reference"])
        )
    )
    return [
        ("taken", str(row["taken_at"] or "unknown")),
        ("card", f"{row['card']} ({colour})"),
        ("colour error of the card", f"{row['card_delta_e']:.1f} CIEDE2000"),
        ("scale at the card", scale),
        ("tilt", f"{row['tilt_deg']:.1f} degrees"),
        ("measured ground", f"{row['area_m2']:.2f} m2"),
        ("in shade", f"{row['shade_pct']:.0f} %"),
        ("straw told from soil", f"{row['straw_soil_confidence']:.2f} of 1"),
    ]


def _save_picture(score: PhotoScore, target: Path) -> None:
    from lawnscore.contract.files import picture_bytes, write_output
    from lawnscore.photo.overlay import draw_overlay

    if score.views is None:
        return
    data = picture_bytes(draw_overlay(score.views), target.suffix)
    write_output(target, data, *_PICTURES)
