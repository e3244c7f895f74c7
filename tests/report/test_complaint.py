"""The answer to a complaint: what is on record, what is not, and nothing else."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest
from markupsafe import Markup

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import ReportSettings, Settings
from lawnscore.contract.tables import WEATHER
from lawnscore.report.complaint import complaint_leaflet
from lawnscore.report.complaint_record import (
    ZoneRecord,
    pairs_wanted,
    zone_record,
    zones_of_complaint,
)
from lawnscore.report.language import Words, words_for
from lawnscore.report.leaflet import Bullets, Grid, Leaflet, Sentence
from lawnscore.report.letters import write_complaint
from lawnscore.report.load import RoundRows, Row, arrange
from tests.report.invented import LAST_DAY, RoundMaker, iso, keep_turf_pictures, write_round

EN = words_for(ReportSettings())
WORK_DAY = iso(150)  # of the renovation of the invented round
SAID = 'Half mud & "worse" <b>than before</b>'


def complaint(day: str, zone: str = "all") -> Row:
    return {"date": day, "lawn": "Orchard", "zone": zone, "said": SAID, "photos": None}


def made(maker: RoundMaker) -> RoundRows:
    return arrange(Path("round"), Settings(), maker.frames(), as_of=LAST_DAY)


@pytest.fixture
def orchard() -> RoundMaker:
    maker = RoundMaker()
    maker.lawn("Orchard", n_visits=8)
    return maker


def record_of(rounds: RoundRows, day: str, zone: str = "all") -> ZoneRecord:
    return zone_record(rounds, rounds.lawns[0], zone, complaint(day, zone), EN)


def leaflet_of(
    rounds: RoundRows, day: str, words: Words = EN, weather: pd.DataFrame | None = None
) -> Leaflet:
    lawn, said = rounds.lawns[0], complaint(day)
    records = [
        zone_record(rounds, lawn, zone, said, words) for zone in zones_of_complaint(lawn, said)
    ]
    return complaint_leaflet(lawn, said, records, words, as_of=LAST_DAY, weather=weather)


def text_of(leaflet: Leaflet) -> str:
    lines: list[str] = []
    for block in leaflet.blocks:
        if isinstance(block, Sentence):
            lines.append(Markup(block.text).striptags())
        elif isinstance(block, Bullets):
            lines += [str(item) for item in block.items]
    return "\n".join(lines)


def when(record: ZoneRecord) -> list[tuple[str, str]]:
    return [(row["date"], row["stage"]) for row in record.occasions]


def test_it_is_answered_by_before_the_work_the_last_look_and_the_latest(
    orchard: RoundMaker,
) -> None:
    record = record_of(made(orchard), iso(185))
    assert when(record) == [(WORK_DAY, "before"), (iso(180), "check"), (iso(210), "check")]
    assert record.labels[0] == "Before the scarifying"
    first, last = record.occasions[0], record.occasions[-1]
    change = record.changes["green_cover_pct"]
    assert change["change"] == pytest.approx(last["green_cover_pct"] - first["green_cover_pct"])
    assert change["low"] <= change["change"] <= change["high"]


def test_without_work_it_is_the_look_before(orchard: RoundMaker) -> None:
    orchard.rows["work"] = []
    record = record_of(made(orchard), iso(185))
    assert when(record) == [(WORK_DAY, "after"), (iso(180), "check"), (iso(210), "check")]
    assert record.labels[0] == "Earlier"


def test_work_that_no_photo_came_before_is_said(orchard: RoundMaker) -> None:
    for table in ("photo_scores", "visit_scores"):
        orchard.rows[table] = [r for r in orchard.rows[table] if r["date"] > WORK_DAY]
    orchard.rows["work"] = [w for w in orchard.rows["work"] if w["task"] != "mow"]
    rounds = made(orchard)
    said = text_of(leaflet_of(rounds, iso(185)))
    assert "before the scarifying of 7 August 2025: there are no photos from before" in said
    assert when(record_of(rounds, iso(185)))[0] == (iso(180), "check")


def test_a_rise_or_fall_is_told_only_where_the_verdict_is_clear(orchard: RoundMaker) -> None:
    rounds = made(orchard)
    change = record_of(rounds, iso(185)).changes["green_cover_pct"]
    said = text_of(leaflet_of(rounds, iso(185)))
    clear = change["verdict"] in ("better", "worse")
    assert clear == bool(re.search(r"a (rise|fall) of \d+ points, very likely between", said))
    for k, row in enumerate(orchard.rows["photo_scores"]):  # the spots move every way
        row["green_cover_pct"] += 40 * (-1) ** (k // 4 + k)
    wide = leaflet_of(made(orchard), iso(185))
    assert "no clear difference" in text_of(wide)


def test_what_was_done_is_listed_and_mowing_counted(orchard: RoundMaker) -> None:
    said = text_of(leaflet_of(made(orchard), iso(185)))
    assert "7 August 2025: Scarifying" in said
    assert "Mowing on 6 days." in said  # of 30 days each up to day 180, but for the work
    assert "Since then:\nMowing on one day." in said
    orchard.rows["work"] = []
    bare = text_of(leaflet_of(made(orchard), iso(185)))
    assert "No work is on record for the year before." in bare
    assert "No work is on record since then." in bare


def test_unknown_is_said_to_be_unknown(orchard: RoundMaker) -> None:
    rounds = made(orchard)
    late = text_of(leaflet_of(rounds, iso(215)))
    assert "it has not been photographed since" in late
    early = text_of(leaflet_of(rounds, "2025-03-01"))
    assert "there are no photos that could be measured" in early
    assert "What the weather was like: it was not recorded." in early
    assert "What the cause is." in early
    never = RoundMaker()
    never.lawn("Orchard", n_visits=1, refuse_last=True)
    leaflet = leaflet_of(made(never), iso(3))
    assert "Green cover has not been measured." in text_of(leaflet)
    assert "none of them could be measured" in text_of(leaflet)
    assert not any(isinstance(block, Grid) for block in leaflet.blocks)


def test_weather_is_told_when_every_day_of_the_fortnight_is_on_record(
    orchard: RoundMaker,
) -> None:
    days = [f"2025-09-{d:02d}" for d in range(1, 15)]
    weather = WEATHER.frame([{"date": d, "mean_c": 12.0, "rain_mm": 1.5} for d in days])
    said = text_of(leaflet_of(made(orchard), "2025-09-14", weather=weather))
    assert "mean temperature was 12.0 °C, and 21 mm of rain fell" in said
    gap = text_of(leaflet_of(made(orchard), "2025-09-14", weather=weather.iloc[1:]))
    assert "mean temperature" not in gap


def test_pictures_are_of_the_first_and_last_else_of_the_last_two(orchard: RoundMaker) -> None:
    asked = pairs_wanted(record_of(made(orchard), iso(185)))
    dates = [(row["from_date"], row["to_date"]) for row in asked]
    assert dates == [(WORK_DAY, iso(210)), (iso(180), iso(210))]
    orchard.rows["visit_scores"] = orchard.rows["visit_scores"][:1]
    alone = pairs_wanted(record_of(made(orchard), iso(185)))
    assert [(row["from_date"], row["to_date"]) for row in alone] == [(iso(0), iso(0))]


def test_every_figure_of_the_table_has_its_range(orchard: RoundMaker) -> None:
    grid = next(b for b in leaflet_of(made(orchard), iso(185)).blocks if isinstance(b, Grid))
    assert len(grid.heads) == 5
    for row in grid.rows:
        assert all(cell.small for cell in row[1:])


@pytest.fixture
def folder(tmp_path: Path, orchard: RoundMaker) -> Path:
    orchard.lawn("Two", zones=("front", "shaded side"), n_visits=7)
    frames = orchard.frames()
    folder = write_round(tmp_path / "round", frames, business="Invented Lawn Care")
    keep_turf_pictures(folder, frames, most=400)
    said = SAID.replace('"', '""')
    (folder / "complaints.csv").write_text(
        "date,lawn,zone,said,notes\n"
        f'2025-08-20,Orchard,all,"{said}",private note\n'
        f'2025-09-20,Two,shaded side,"{said}",\n'
        "2025-06-20,Two,all,Early one,\n"
    )
    return folder


def test_the_page_and_the_sheet_are_written(folder: Path) -> None:
    letter = write_complaint(folder, "orchard", pdf=True, today=LAST_DAY)
    names = [path.relative_to(folder / "reports").as_posix() for path in letter.written]
    stem = "complaints/Orchard--2025-08-20"
    assert names == [f"{stem}.html", f"{stem}.pdf"]
    page = letter.written[0].read_text(encoding="utf-8")
    assert "&lt;b&gt;than before&lt;/b&gt;" in page
    assert "<b>than before" not in page
    assert page.count("data:image/jpeg") == 2
    assert "private note" not in page
    pdf = letter.written[1].read_bytes()
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 1


def test_the_one_that_fits_is_answered(folder: Path) -> None:
    assert write_complaint(folder, "Two", today=LAST_DAY).about == "2025-09-20"
    assert write_complaint(folder, "Two", date="2025-06-20", today=LAST_DAY).about == "2025-06-20"
    with pytest.raises(LawnscoreError, match=r"no such complaint of Two\. There are: 2025-09"):
        write_complaint(folder, "Two", date="2025-06-21", today=LAST_DAY)
    with pytest.raises(LawnscoreError, match=r"no lawn `Tow`\. Did you mean `Two`"):
        write_complaint(folder, "Tow", today=LAST_DAY)


def test_in_german_too(folder: Path) -> None:
    (folder / "round.toml").write_text('[report]\nlanguage = "de"\n')
    page = write_complaint(folder, "Two", today=LAST_DAY).written[0].read_text(encoding="utf-8")
    assert '<html lang="de">' in page
    assert "Was die Aufzeichnung nicht sagt" in page
    assert "{" not in re.sub(r"<style>.*?</style>", "", page, flags=re.S)
