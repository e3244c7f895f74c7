from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import rows_of
from lawnscore.contract.tables import ATTENTION, PHOTO_SCORES
from lawnscore.scoring.tables import read_table, write_table

START = np.datetime64("2025-01-06")


@pytest.fixture(scope="module")
def round_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a round of 8 lawns over 14 months; lawn-3 loses 15 points in its last two visits."""
    folder = tmp_path_factory.mktemp("round")
    (folder / "round.toml").write_text("")
    (folder / "lawns.csv").write_text(
        "lawn,zone,area_m2\n" + "".join(f"lawn-{i},all,{100 + 10 * i}\n" for i in range(8))
    )
    rng = np.random.default_rng(8)
    rows = []
    for i in range(8):
        for visit in range(14):
            loss = 15.0 if i == 3 and visit >= 12 else 0.0
            for spot in range(4):
                cover = float(np.clip(88 - loss + rng.normal(0, 3), 0, 100))
                date = str(START + 30 * visit + i)
                rows.append(
                    {
                        "lawn": f"lawn-{i}",
                        "zone": "all",
                        "spot": f"s{spot}",
                        "date": date,
                        "stage": "check",
                        "photo": f"photos/lawn-{i}/all/{date}-check/s{spot}--1.jpg",
                        "status": "scored",
                        "area_m2": 1.5,
                        "green_cover_pct": cover,
                        "green_cover_pct_se": 1.0,
                        "version": "0",
                        "settings_id": "a",
                    }
                )
    write_table(folder, "photo_scores", PHOTO_SCORES.frame(rows))
    run("attention", folder)  # writes the tables that `--today` reads and does not write
    return folder


LAST = str(START + 30 * 13 + 8)
"""The day after the last visit."""


def run(*words: object) -> str:
    result = CliRunner().invoke(build_app(), [str(word) for word in words])
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0
    return result.stdout


def test_attention_prints_a_table_and_writes_it(round_path: Path) -> None:
    # its last visits are long past on the machine's date
    text = run("attention", round_path)
    assert "8 lawns not visited since" in " ".join(text.split())
    table = read_table(round_path, "attention")
    assert set(table["flag"]) == {"not visited"}
    assert len(table) == 8


def test_what_if_shows_another_day_and_writes_nothing(round_path: Path) -> None:
    run("attention", round_path)
    before = {p: p.read_bytes() for p in (round_path / "reports").iterdir()}
    text = run("attention", round_path, "--today", LAST)
    assert "cover falling" in text
    assert "lawn-3" in text
    assert {p: p.read_bytes() for p in (round_path / "reports").iterdir()} == before


def test_dates_are_read_as_in_the_tables(round_path: Path) -> None:
    day, month, year = LAST[8:], LAST[5:7], LAST[:4]
    same = [run("attention", round_path, "--today", text, "--json")
            for text in (LAST, f"{day}.{month}.{year}")]  # fmt: skip
    assert same[0] == same[1]


def test_no_change_is_printed_twice(round_path: Path) -> None:
    shown = json.loads(run("history", round_path, "--json"))["changes"]
    ends = ("lawn", "zone", "measure", "from_date", "from_stage", "to_date", "to_stage")
    pairs = [tuple(row[end] for end in ends) for row in shown]
    assert len(pairs) == len(set(pairs))


def test_attention_as_json_is_one_document(round_path: Path) -> None:
    rows = json.loads(run("attention", round_path, "--json", "--today", LAST))
    assert [list(row) for row in rows] == [ATTENTION.column_names]
    assert json.loads(run("attention", round_path, "--json", "--today", "2025-06-30")) == []


def test_history_of_one_lawn(round_path: Path) -> None:
    text = run("history", round_path, "--lawn", "lawn-3")
    assert "Visits" in text
    assert "no clear change (would show" in text
    assert "lawn-2" not in text
    shown = json.loads(run("history", round_path, "--lawn", "lawn-3", "--json"))
    assert list(shown) == ["visit_scores", "changes", "recovery"]
    assert {row["lawn"] for row in shown["visit_scores"]} == {"lawn-3"}
    for name in ("visit_scores", "changes", "recovery"):
        assert (round_path / "reports" / f"{name}.csv").is_file()


def test_history_of_an_unknown_lawn_names_near_ones(round_path: Path) -> None:
    with pytest.raises(LawnscoreError, match="Lawns with photos: lawn-"):
        run("history", round_path, "--lawn", "lawn-33")


def test_trial(round_path: Path) -> None:
    words = ["trial", round_path, "--treated", "lawn-3", "--control", "lawn-2/all"]
    text = run(*words, "--from", "2025-09-01")
    assert "green_cover_pct" in text
    shown = json.loads(run(*words, "--from", "2025-09-01", "--json"))
    assert "One pair is not proof" in shown["notes"][0]
    cover = shown["measures"][0]
    assert cover["difference"] < -8
    assert cover["verdict"] == "worse"


def test_a_recovery_without_an_end_is_told_in_words() -> None:
    from lawnscore.commands.history import _range

    ends = {"days_to_95": 308.0, "days_to_95_low": 250.0, "days_to_95_high": float("nan")}
    (row,) = rows_of(pd.DataFrame([ends]))
    assert _range(row, "days_to_95") == "308 (250 or more)"
    assert _range(row | {"days_to_95_high": 400.0}, "days_to_95") == "308 (250 to 400)"


def test_a_round_too_young_to_tell_is_not_said_to_be_well(round_path: Path, tmp_path: Path) -> None:
    for name in ("round.toml", "lawns.csv"):
        (tmp_path / name).write_bytes((round_path / name).read_bytes())
    photos = read_table(round_path, "photo_scores")
    young = photos[(photos["date"] < str(START + 70)) | (photos["lawn"] == "lawn-0")]
    write_table(tmp_path, "photo_scores", young[young["date"] < str(START + 130)])
    run("attention", tmp_path)
    result = CliRunner().invoke(build_app(), ["attention", str(tmp_path), "--today",
                                              str(START + 130)])  # fmt: skip
    assert result.exit_code == 0
    said = " ".join(result.stderr.split())
    assert said == (
        "Nothing is flagged; 7 of 8 zones have fewer than 4 visits, "
        "too few to tell a fall of cover."
    )
