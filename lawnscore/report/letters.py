"""Pages of one lawn, written when they are asked for: an answer to a complaint, a survey."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from lawnscore.care.survey import expected_of, material_of, survey
from lawnscore.care.visit_amounts import fed_record, last_sowing
from lawnscore.contract.errors import LawnscoreError, PhotoRefused
from lawnscore.contract.files import cannot_write, make_folder, write_whole
from lawnscore.contract.rows import Row, rows_of
from lawnscore.photo.read import read_photo
from lawnscore.register.customers import customers_of
from lawnscore.register.lock import locked
from lawnscore.register.programme import read_programme
from lawnscore.register.register import Register, complaint_photos, nearest, read_register
from lawnscore.report.addressed import words_by_lawn
from lawnscore.report.complaint import complaint_leaflet
from lawnscore.report.complaint_record import pairs_wanted, zone_record, zones_of_complaint
from lawnscore.report.language import Words, words_for
from lawnscore.report.leaflet import Leaflet, Shot, leaflet_page
from lawnscore.report.letterhead import Letterhead, read_letterhead
from lawnscore.report.load import LawnRows, RoundRows, read_round
from lawnscore.report.pictures import PAIR_MOST_BYTES, Pair, PictureBook, candidate_pairs
from lawnscore.report.survey import (
    Surveyed,
    figures_of_visit,
    first_visits,
    survey_leaflet,
)
from lawnscore.scoring.tables import REPORTS

COMPLAINTS_FOLDER = "complaints"
SURVEYS_FOLDER = "surveys"
PHOTO_LONGEST_PX = 900


@dataclass(frozen=True)
class Letter:
    """What was written: the page, and the sheet of paper where it was asked for."""

    lawn: str
    about: str
    written: tuple[Path, ...]


def write_complaint(
    round_path: Path | str,
    lawn: str,
    *,
    date: str | None = None,
    zone: str | None = None,
    pdf: bool = False,
    today: str | None = None,
) -> Letter:
    """Write the page that answers a complaint by the record.

    Parameters
    ----------
    round_path
        Folder of the round; it must have been scored.
    lawn
        The lawn, as in lawns.csv.
    date, zone
        Which complaint of it; the last one that fits.
    pdf
        Write the sheet of paper too.
    today
        Day on which it is answered (YYYY-MM-DD); the machine's by default.

    Raises
    ------
    LawnscoreError
        When the round is missing or not scored, there is no such lawn or no complaint of it, or a
        file cannot be written.
    """
    path = Path(round_path)
    rounds = read_round(path, today=today)
    own = _lawn_of(rounds, lawn)
    register = read_register(path)
    complaint = _complaint_of(rows_of(register.complaints), own, date, zone)
    words = _words_of(own, register, rounds)
    records = [
        zone_record(rounds, own, z, complaint, words) for z in zones_of_complaint(own, complaint)
    ]
    pairs = _pairs(rounds, own, {record.zone: pairs_wanted(record) for record in records})
    leaflet = complaint_leaflet(
        own,
        complaint,
        records,
        words,
        as_of=str(rounds.as_of),
        pairs=pairs,
        photos=_came_with(path, complaint, words),
        weather=register.weather,
    )
    name = f"{COMPLAINTS_FOLDER}/{own.stem}--{complaint['date']}"
    name += "" if complaint["zone"] == "all" else f"-{own.zones.index(records[0].zone) + 1}"
    return Letter(own.lawn, complaint["date"], _write(rounds, name, leaflet, words, pdf=pdf))


def _words_of(own: LawnRows, register: Register, rounds: RoundRows) -> Words:
    """Return the words of the customer's language, where customers.csv says whose lawn it is."""
    theirs = words_by_lawn(customers_of(register), rounds.settings.report)
    return theirs.get(own.lawn, words_for(rounds.settings.report))


def write_survey(
    round_path: Path | str, lawn: str, *, pdf: bool = False, today: str | None = None
) -> Letter:
    """Write the survey of a lawn from its first photos.

    Parameters
    ----------
    round_path
        Folder of the round; it must have been scored.
    lawn
        The lawn, as in lawns.csv.
    pdf
        Write the sheet of paper too.
    today
        Day up to which the round's own recoveries are looked at; the machine's by default.

    Raises
    ------
    LawnscoreError
        When the round is missing or not scored, there is no such lawn, it has no photo that could
        be measured, or a file cannot be written.
    """
    path = Path(round_path)
    rounds = read_round(path, today=today)
    own = _lawn_of(rounds, lawn)
    first = first_visits(own)
    if not first:
        what = f"{own.lawn} has no photo that could be measured"
        raise LawnscoreError(what, "Photograph it, then run `lawnscore score`.", path)
    surveyed = _surveyed(rounds, own, first)
    words = _words_of(own, read_register(path), rounds)
    alone = {
        zone: [{"zone": zone} | {f"{end}_{part}": visit[part] for end in ("from", "to")
                                 for part in ("date", "stage")}]
        for zone, visit in first.items()
    }  # fmt: skip
    pictures = _pairs(rounds, own, alone)
    leaflet = survey_leaflet(surveyed, words, pictures=pictures)
    written = _write(rounds, f"{SURVEYS_FOLDER}/{own.stem}", leaflet, words, pdf=pdf)
    return Letter(own.lawn, min(row["date"] for row in first.values()), written)


def _surveyed(rounds: RoundRows, lawn: LawnRows, first: dict[str, Row]) -> Surveyed:
    register, settings = read_register(rounds.path), rounds.settings
    programme = read_programme(rounds.path)
    material = material_of(register.work, register.lawns)
    areas = {row["zone"]: row["area_m2"] for row in lawn.register}
    zones = {
        zone: (math.nan if areas.get(zone) is None else float(areas[zone]),
               figures_of_visit(visit))
        for zone, visit in first.items()
    }  # fmt: skip
    plan = survey(
        zones,
        programme,
        settings.rates,
        material=material,
        fed=fed_record(register.work),
        sowing=last_sowing(register.work),
    )
    expected = expected_of([row for own in rounds.lawns for row in own.recovery])
    south = settings.history.south
    return Surveyed(lawn, first, plan, expected, material, programme, settings.rates, south)


def _lawn_of(rounds: RoundRows, lawn: str) -> LawnRows:
    by_name = {own.lawn.casefold(): own for own in rounds.lawns}
    if lawn.casefold() not in by_name:
        near = nearest(lawn, [own.lawn for own in rounds.lawns])
        mend = near or "`lawnscore check` names the lawns of a round."
        raise LawnscoreError(f"there is no lawn `{lawn}`", mend, rounds.path)
    return by_name[lawn.casefold()]


def _complaint_of(
    complaints: Sequence[Row], lawn: LawnRows, date: str | None, zone: str | None
) -> Row:
    own = [row for row in complaints if row["lawn"] == lawn.lawn]
    found = [
        row
        for row in own
        if date in (None, row["date"])
        and (zone is None or row["zone"].casefold() == zone.casefold())
    ]
    if not found:
        known = ", ".join(f"{row['date']} {row['zone']}" for row in own)
        mend = f"There are: {known}." if own else "Write it with `lawnscore add-complaint`."
        what = f"there is no such complaint of {lawn.lawn}"
        raise LawnscoreError(what, mend, "complaints.csv")
    return max(found, key=lambda row: str(row["date"]))


def _pairs(
    rounds: RoundRows, lawn: LawnRows, wanted: Mapping[str, Sequence[Row]]
) -> dict[str, Pair]:
    """Return the pictures of each zone: of the first two occasions that show the same ground.

    Pictures are drawn where they are missing. Without such a pair the latest stands alone.
    """
    book = PictureBook(rounds.path, rounds.settings.scoring)
    tried: dict[str, list[list[tuple[Row | None, Row]]]] = {}
    for zone, occasions in wanted.items():
        options = [candidate_pairs(lawn, zone, change) for change in occasions]
        alone = [(None, after) for pairs in options[:1] for _, after in pairs[:1]]
        tried[zone] = [*options, list(alone)]
    every = (p for options in tried.values() for pairs in options for pair in pairs for p in pair)
    book.draw(photo for photo in every if photo is not None)
    budget = PAIR_MOST_BYTES // max(1, min(2, len(tried)))
    found = {}
    for zone, options in tried.items():
        shown = (book.best_pair(pairs, budget_bytes=budget) for pairs in options)
        best = next((pair for pair in shown if pair is not None), None)
        if best is not None:
            found[zone] = best
    return found


def _came_with(path: Path, complaint: Row, words: Words) -> list[Shot]:
    """Return the photos of a complaint, drawn anew so that nothing hidden in them is passed on."""
    from PIL import Image

    shots = []
    for name in complaint_photos(complaint["photos"]):
        file = (path / name).resolve()
        if not file.is_relative_to(path.resolve()) or not file.is_file():
            what = f"there is no photo `{name}` in the round"
            raise LawnscoreError(what, "Put it there, or mend its name.", "complaints.csv")
        try:
            picture = Image.fromarray(read_photo(file).rgb)
        except PhotoRefused as error:
            what = f"the photo `{name}` cannot be opened ({error.detail})"
            raise LawnscoreError(what, "Save it as JPEG.", "complaints.csv") from None
        picture.thumbnail((PHOTO_LONGEST_PX, PHOTO_LONGEST_PX))
        out = io.BytesIO()
        picture.save(out, "JPEG", quality=82)
        label, alt = words.text("complaint.photo_label"), words.text("complaint.photo_alt")
        shots.append(Shot(out.getvalue(), picture.width, picture.height, label, alt))
    return shots


def _write(
    rounds: RoundRows, name: str, leaflet: Leaflet, words: Words, *, pdf: bool
) -> tuple[Path, ...]:
    letterhead: Letterhead = read_letterhead(rounds.settings.report, rounds.path)
    files = {f"{name}.html": leaflet_page(leaflet, words, letterhead).encode("utf-8")}
    if pdf:
        from lawnscore.report.leaflet_paper import leaflet_pdf

        files[f"{name}.pdf"] = leaflet_pdf(leaflet, words, letterhead)
    folder = rounds.path / REPORTS
    try:
        with locked(rounds.path):
            make_folder((folder / name).parent)
            for relative, data in files.items():
                write_whole(folder / relative, data)
    except OSError as error:
        raise cannot_write(error.filename or folder, error) from None
    return tuple(folder / relative for relative in files)
