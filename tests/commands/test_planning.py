from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from icalendar import Calendar
from typer.testing import CliRunner, Result

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import PHOTO_SCORES, VISIT_SCORES
from lawnscore.scoring.tables import read_table, write_table

APP = build_app()


def run(*args: str) -> Result:
    return CliRunner().invoke(APP, list(args))


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    (tmp_path / "round.toml").write_text('[report]\nbusiness = "Invented Lawns"\n')
    (tmp_path / "lawns.csv").write_text(
        "lawn,zone,area_m2,name\nelm-3,front,140,3 Elm Road\nelm-3,back,60,3 Elm Road\n"
        "mill,all,320,Mill House\n"
    )
    (tmp_path / "work.csv").write_text(
        "date,lawn,zone,task,product,rate,rate_unit,n_pct,p2o5_pct,k2o_pct\n"
        "2025-03-01,mill,all,feed,spring feed,35,g/m2,5,3,10\n"
    )
    return tmp_path


@pytest.fixture
def scored(bare: Path) -> Path:
    rows = [
        {
            "lawn": "elm-3",
            "zone": zone,
            "spot": f"A{k}",
            "date": "2025-04-02",
            "stage": "before",
            "photo": f"{zone}-{k}",
            "status": "scored",
            "green_cover_pct": 70.0 + 3 * k,
            "area_m2": 1.5,
            "version": "0",
            "settings_id": "x",
        }
        for zone in ("front", "back")
        for k in range(1, 6)
    ]
    write_table(bare, "photo_scores", PHOTO_SCORES.frame(rows))
    visits = [
        {
            "lawn": "elm-3",
            "zone": z,
            "date": "2025-04-02",
            "stage": "before",
            "photos": 5,
            "refused": 0,
        }
        for z in ("front", "back")
    ]
    months = [f"2024-{month:02d}-02" for month in range(6, 13)] + ["2025-01-02", "2025-02-02"]
    for date, cover in [*((month, 85.0) for month in months), ("2025-04-02", 60.0)]:
        row = {"lawn": "elm-3", "zone": "front", "date": date, "stage": "check", "photos": 5}
        row |= {"refused": 0, "green_cover_pct": cover}
        row |= {"green_cover_pct_low": cover - 3, "green_cover_pct_high": cover + 3}
        visits = [v for v in visits if (v["zone"], v["date"]) != ("front", date)] + [row]
    write_table(bare, "visit_scores", VISIT_SCORES.frame(visits))
    return bare


def test_plan_before_any_photo_uses_a_stated_default(bare: Path) -> None:
    result = run("plan", str(bare))
    assert result.exit_code == 0
    assert "default" in result.stdout
    assert "No photo is scored yet" in result.stderr
    assert "elm-3 / front" in result.stdout
    assert "A1" in result.stdout


def test_plan_from_the_lawns_own_spread(scored: Path) -> None:
    result = run("plan", str(scored), "--lawn", "elm-3", "--half-width", "5", "--json")
    plan = json.loads(result.stdout)
    assert [zone["zone"] for zone in plan["zones"]] == ["front", "back"]
    front = plan["zones"][0]
    assert front["sd_from"] == "this zone"
    assert front["sd"] == pytest.approx(4.7434, abs=1e-4)
    assert front["photos"] == 6  # t 2.5706 * 4.7434 / sqrt(6) = 4.978
    known = [spot["name"] for spot in front["spots"] if spot["known"]]
    assert known == ["A3", "A2", "A4", "A1", "A5"] or set(known) == {f"A{k}" for k in range(1, 6)}


def test_plan_for_colour_asks_for_a_change_on_its_own_scale(bare: Path) -> None:
    plan = json.loads(run("plan", str(bare), "--measure", "colour_index", "--json").stdout)
    assert plan["zones"][0]["goal_size"] == 0.05


def test_plan_in_metres_and_on_paper(scored: Path, tmp_path: Path) -> None:
    pdf, slips = tmp_path / "plan.pdf", tmp_path / "slips.pdf"
    args = ("--lawn", "mill", "--length", "20 m", "--width", "50 ft", "--detect", "10")
    result = run("plan", str(scored), *args, "--pdf", str(pdf), "--slips", str(slips))
    assert result.exit_code == 0, result.output
    assert "m along" in result.stdout
    assert pdf.read_bytes().startswith(b"%PDF")
    assert slips.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("args", "match"),
    [
        (("--detect", "5", "--half-width", "5"), "Give one of them"),
        (("--detect", "-1"), "more than 0"),
        (("--measure", "greenness"), "not known"),
        (("--lawn", "oak"), "no lawn oak"),
        (("--length", "20 m"), "only one side"),
        (("--measure", "casts_per_m2"), "nothing is known yet"),
    ],
)
def test_plan_refuses_with_one_clear_line(bare: Path, args: tuple[str, ...], match: str) -> None:
    error = run("plan", str(bare), *args).exception
    assert isinstance(error, LawnscoreError)
    assert match in error.line()


def test_next_shows_reasons_jobs_and_amounts(scored: Path) -> None:
    result = run("next", str(scored), "--today", "2025-05-05")
    assert result.exit_code == 0, result.output
    text = result.stdout
    assert text.index("elm-3") < text.index("mill")
    for part in ("points less than its own past", "Look on site", "19.2 kg", "Cautions"):
        assert part in text


def test_next_in_brief_and_for_one_lawn(scored: Path) -> None:
    result = run("next", str(scored), "--today", "2025-05-05", "--brief", "--lawn", "mill")
    assert "mill" in result.stdout
    assert "elm-3" not in result.stdout


def test_next_as_json_is_one_document(scored: Path) -> None:
    result = run("next", str(scored), "--today", "2025-05-05", "--json")
    document = json.loads(result.stdout)
    assert document["visits"][0]["lawn"] == "elm-3"
    assert isinstance(document["visits"][0]["why"], list)


def test_next_as_calendar(scored: Path, tmp_path: Path) -> None:
    out = tmp_path / "visits.ics"
    result = run("next", str(scored), "--today", "2025-05-05", "--ics", str(out), "--json")
    dates = sorted(visit["date"] for visit in json.loads(result.stdout)["visits"])
    calendar = Calendar.from_ical(out.read_bytes())
    events = calendar.walk("VEVENT")
    assert sorted(event.decoded("dtstart").isoformat() for event in events) == dates


def test_next_without_scores_goes_by_the_register(bare: Path) -> None:
    result = run("next", str(bare), "--today", "2025-05-05")
    assert "never visited" in run("next", str(bare), "--today", "2025-05-05", "--brief").stdout
    assert "order comes from the register alone" in result.stderr


@pytest.mark.parametrize(
    ("args", "match"),
    [
        (("--weeks", "0"), "more than 0"),
        (("--today", "May"), "not a date"),
        (("--lawn", "x"), "no lawn"),
    ],
)
def test_next_refuses_with_one_clear_line(bare: Path, args: tuple[str, ...], match: str) -> None:
    error = run("next", str(bare), *args).exception
    assert isinstance(error, LawnscoreError)
    assert match in error.line()


@pytest.fixture
def resting(bare: Path) -> Path:
    """Return a round of two lawns, seen every four weeks up to November."""
    days = [f"2025-{month:02d}-03" for month in range(4, 12)]
    rows = [
        {"lawn": lawn, "zone": zone, "date": day, "stage": "check", "photos": 4, "refused": 0}
        for lawn, zone in (("elm-3", "front"), ("elm-3", "back"), ("mill", "all"))
        for day in days
    ]
    write_table(bare, "visit_scores", VISIT_SCORES.frame(rows))
    write_table(bare, "photo_scores", PHOTO_SCORES.frame([]))
    return bare


def test_next_in_winter_names_the_visit_that_is_due_when_grass_grows(resting: Path) -> None:
    text = run("next", str(resting), "--today", "2025-12-08").stdout
    assert "No visit is due in the 4 weeks from 2025-12-08." in text
    words = " ".join(text.split())
    assert "The next is due about Wed 2026-04-01: mill" in words
    assert "growth rests until about 2026-04-01" in words
    told = json.loads(run("next", str(resting), "--today", "2025-12-08", "--json").stdout)
    assert told["visits"] == []
    assert (told["next_due"]["date"], told["next_due"]["lawn"]) == ("2026-04-01", "mill")


def test_next_in_winter_keeps_to_the_rounds_rhythm_and_to_the_lawn_asked(resting: Path) -> None:
    # seen on 23 March, so due a usual gap after that and not when growth begins
    row = {"lawn": "mill", "zone": "all", "date": "2026-03-23", "stage": "check"}
    late = VISIT_SCORES.frame([row | {"photos": 4, "refused": 0}])
    visits = pd.concat([read_table(resting, "visit_scores"), late])
    write_table(resting, "visit_scores", visits)
    asked = ("next", str(resting), "--weeks", "2", "--lawn", "mill", "--json")
    told = json.loads(run(*asked, "--today", "2026-03-25").stdout)
    assert told["visits"] == []
    assert told["next_due"]["date"] == "2026-04-23"  # its usual gap is 31 days


def test_next_names_no_later_visit_where_some_are_due(resting: Path) -> None:
    told = json.loads(run("next", str(resting), "--today", "2026-04-01", "--json").stdout)
    assert told["visits"]
    assert told["next_due"] is None
