"""Records by year: plant protection after each rule, fertiliser worked by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from lawnscore.care.records import (
    FERTILISER_COLUMNS,
    PROTECTION_COLUMNS,
    fertiliser_record,
    protection_record,
)
from lawnscore.commands.main import build_app
from lawnscore.register.register import Register, read_register

HEAD = "date,lawn,zone,task,product,rate,rate_unit,n_pct,p2o5_pct,k2o_pct,who"
WORK = f"""{HEAD},registration_no,start_time,certificate
2026-04-02,elm,all,feed,invented feed,25,g/m2,14,0,7,Sam,,,
2026-06-02,elm,all,feed,invented feed,25,g/m2,14,0,7,Sam,,,
2026-05-05,elm,all,spray,invented spray,3,l/ha,,,,Sam,000-00,08:15,C-1
2026-05-06,mill,all,spray,invented spray,3,l/ha,,,,,,,
2025-05-06,mill,all,spray,invented spray,3,l/ha,,,,,,,
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "round.toml").write_text(
        '[report]\nbusiness = "Invented Lawns"\n[record]\nn_limit_kg_ha = 60\n'
    )
    (tmp_path / "lawns.csv").write_text("lawn,zone,area_m2\nelm,all,180\nmill,all,320\n")
    (tmp_path / "work.csv").write_text(WORK)
    return tmp_path


@pytest.fixture
def kept(folder: Path) -> Register:
    return read_register(folder)


def test_plant_protection_of_a_year_names_what_is_missing(kept: Register) -> None:
    table = protection_record(kept.work, kept.lawns, 2026)
    assert list(table.columns) == list(PROTECTION_COLUMNS)
    assert table["lawn"].tolist() == ["elm", "mill"]
    assert table["area_m2"].tolist() == [180, 320]
    # product, number, date and time, dose, area, place, crop: (EU) 2023/564, from memory
    assert table["missing"].tolist() == ["", "registration_no, start_time, who"]


def test_the_united_states_ask_for_a_certificate_and_no_time(kept: Register) -> None:
    # 7 CFR 110.3, nine items, from memory
    table = protection_record(kept.work, kept.lawns, 2026, rule="us")
    assert table["missing"].tolist() == ["", "registration_no, who, certificate"]


def test_fertiliser_is_worked_by_hand(kept: Register) -> None:
    (row,) = fertiliser_record(kept.work, kept.lawns, 2026, n_limit_kg_ha=60).to_dict("records")
    assert list(row) == list(FERTILISER_COLUMNS)
    # twice 25 g/m2 of 14 % N: 7 g/m2 = 70 kg/ha, on 180 m2 1.26 kg; half of that K2O
    assert (row["n_kg_ha"], row["n_kg"]) == (pytest.approx(70), pytest.approx(1.26))
    assert (row["k2o_kg_ha"], row["k2o_kg"]) == (pytest.approx(35), pytest.approx(0.63))
    assert row["feeds"] == 2
    assert row["over_limit"] is True
    (free,) = fertiliser_record(kept.work, kept.lawns, 2026).to_dict("records")
    assert free["over_limit"] is None


def test_a_feed_that_cannot_be_told_makes_the_sum_a_lower_bound(folder: Path) -> None:
    with (folder / "work.csv").open("a") as file:
        file.write("2026-07-02,elm,all,feed,unknown feed,25,g/m2,,,,Sam,,,\n")
    kept = read_register(folder)
    (row,) = fertiliser_record(kept.work, kept.lawns, 2026).to_dict("records")
    assert row["n_kg_ha"] == pytest.approx(70)
    assert "no analysis recorded" in row["missing"]


def test_a_year_without_work_is_an_empty_record(kept: Register) -> None:
    assert protection_record(kept.work, kept.lawns, 2020).empty
    assert fertiliser_record(kept.work, kept.lawns, 2020).empty


def run(*words: object) -> str:
    result = CliRunner().invoke(build_app(), [str(word) for word in words])
    assert result.exit_code == 0, (result.output, result.exception)
    return result.stdout


def test_the_command_prints_json_and_cautions(folder: Path) -> None:
    document = json.loads(run("record", folder, "--year", 2026, "--json"))
    assert "1107/2009" in document["follows"]
    assert len(document["plant_protection"]) == 2
    text = " ".join(run("record", folder, "--year", 2026).split())
    assert "Defer to your own authority's form." in text
    assert "from memory" in text
    assert "nothing recorded" in run("record", folder, "--year", 2019)


@pytest.mark.parametrize(
    ("language", "said"),
    [
        (
            "en",
            (
                "Records of 2026",
                "invented spray, 000-00",
                "over your limit of N",
                "70 kg/ha",
                "registration number, start time",
            ),
        ),
        (
            "de",
            (
                "Aufzeichnungen 2026",
                "Pflanzenschutzmittel",
                "über Ihrer Grenze für N",
                "Zulassungsnummer, Beginn, Anwender",
            ),
        ),
    ],
)
def test_on_paper(folder: Path, tmp_path: Path, language: str, said: tuple[str, ...]) -> None:
    text = (folder / "round.toml").read_text()
    (folder / "round.toml").write_text(
        text.replace("[report]", f'[report]\nlanguage = "{language}"')
    )
    pdf = tmp_path / "record.pdf"
    run("record", folder, "--year", 2026, "--pdf", pdf)
    pages = PdfReader(pdf).pages
    shown = " ".join(" ".join(page.extract_text() for page in pages).split())
    for part in said:
        assert part in shown
    assert len(pages) == 1


def test_check_says_it_the_day_it_happens(folder: Path) -> None:
    result = CliRunner().invoke(build_app(), ["check", str(folder)])
    assert result.exit_code == 1
    assert "row 5: spray without registration_no, start_time" in result.stdout
    assert "row 4: spray without" not in result.stdout
