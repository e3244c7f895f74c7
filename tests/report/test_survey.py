"""The survey page: state with ranges, what it would take, cautions; nothing that is not known."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from lawnscore.care.cautions import CAUTIONS
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import ReportSettings
from lawnscore.report.language import words_for
from lawnscore.report.letters import write_survey
from lawnscore.report.survey import _in_season
from tests.report.invented import LAST_DAY, RoundMaker, keep_turf_pictures, write_round

RATES = """
[rates]
visit_h = 1
scarify_h_100_m2 = 0.5
seed_h_100_m2 = 0.2
feed_h_100_m2 = 0.1
cart_off_l_m2 = 3
cart_off_h_m3 = 1
top_dress_h_100_m2 = 1
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    maker = RoundMaker()
    maker.lawn("New", n_visits=1, renovate=False)
    maker.lawn("Two", zones=("front", "shaded side"), n_visits=7)
    maker.lawn("Refused", n_visits=1, refuse_last=True)
    for row in maker.rows["visit_scores"]:
        if row["lawn"] == "New":
            row |= {"straw_cover_pct": 22.0, "green_cover_pct": 70.0, "bare_patch_pct": 6.0}
            row |= {"straw_cover_pct_low": 17.0, "straw_cover_pct_high": 27.0}
            row |= {"green_cover_pct_low": 64.0, "green_cover_pct_high": 76.0}
    maker.rows["lawns"][0] |= {"shade": "part", "drainage": "poor"}
    frames = maker.frames()
    folder = write_round(tmp_path / "round", frames, business="Invented Lawn Care")
    keep_turf_pictures(folder, frames, most=400)
    return folder


def page_of(folder: Path, lawn: str = "New") -> str:
    letter = write_survey(folder, lawn, today=LAST_DAY)
    page = letter.written[0].read_text(encoding="utf-8")
    return re.sub(r"\s+", " ", re.sub(r"<style>.*?</style>", "", page, flags=re.S))


def plain(page: str) -> str:
    return re.sub(r" +", " ", re.sub(r"<[^>]+>", " ", page))


def test_the_page_says_state_work_and_limits(folder: Path) -> None:
    page = page_of(folder)
    said = plain(page)
    assert "70% of the ground is green, very likely between 64% and 76%." in said
    assert "Scarifying" in said
    assert "2 crossing passes" in said
    assert "3.0 kg of seed" in said  # 25 g/m2 x 120 m2
    assert "August and September" in said
    assert "It looks worst right after the scarifying" in said
    assert "Shade: grass stays thinner" in said
    assert "Standing water" in said
    assert "steep" not in said
    assert page.count("data:image/jpeg") == 1
    assert "Price" not in said
    assert "no rates are set" in said
    assert "EUR" not in said


def test_hours_come_from_the_users_rates_and_a_price_only_with_one(folder: Path) -> None:
    settings = folder / "round.toml"
    settings.write_text(settings.read_text() + RATES)
    said = plain(page_of(folder))
    assert "Hours" in said
    assert "Hours are by our own rates." in said
    # 1 + 2 x 0.6 + 0.72 m3 x 1 h + 0.24 + 1.2 + 0.12 h
    assert "In all 4.5 h" in said
    assert "No price is given here" in said
    settings.write_text(settings.read_text() + 'hour_price = 50\ncurrency = "CHF"\n')
    said = plain(page_of(folder))
    assert "Price, CHF" in said
    assert "In all without material for carting off what comes up, overseeding" in said


def test_months_are_those_of_the_other_half_in_the_south(folder: Path) -> None:
    settings = folder / "round.toml"
    settings.write_text(settings.read_text() + '\n[history]\nhemisphere = "south"\n')
    assert "February and March" in plain(page_of(folder))
    assert _in_season({11, 12, 1, 10}) == (10, 11, 12, 1)
    assert _in_season({8, 9}) == (8, 9)


def test_a_split_that_is_not_told_surely_is_left_open(folder: Path) -> None:
    table = folder / "reports" / "photo_scores.csv"
    table.write_text(table.read_text().replace(",0.9,", ",0.4,"))
    said = plain(page_of(folder))
    assert "left open: Dead leaf and thatch, not told surely from open soil" in said
    assert "22%" not in said


def test_it_takes_the_first_photos_of_every_zone(folder: Path) -> None:
    letter = write_survey(folder, "two", pdf=True, today=LAST_DAY)
    assert letter.about == "2025-03-10"
    page = letter.written[0].read_text(encoding="utf-8")
    assert page.index("“front”") < page.index("“shaded side”")
    assert page.count("data:image/jpeg") == 2
    pdf = letter.written[1].read_bytes()
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 1


def test_own_recoveries_are_told_from_five_on(folder: Path) -> None:
    said = plain(page_of(folder))
    assert "Four to six weeks" in said
    assert "On our own lawns (2) green cover stood at" in said


def test_what_cannot_be_surveyed_is_told(folder: Path) -> None:
    with pytest.raises(LawnscoreError, match="Refused has no photo that could be measured"):
        write_survey(folder, "Refused", today=LAST_DAY)
    with pytest.raises(LawnscoreError, match="there is no lawn `Nwe`"):
        write_survey(folder, "Nwe", today=LAST_DAY)


def test_in_german_too(folder: Path) -> None:
    settings = folder / "round.toml"
    settings.write_text(settings.read_text() + 'language = "de"\n')
    page = page_of(folder)
    assert '<html lang="de">' in page
    assert "Was es nicht heilt" in page
    assert "August und September" in page
    assert "Zündkerzenstecker" in page
    assert "{" not in page


def test_every_caution_is_printed_as_the_registry_has_it() -> None:
    english, german = words_for(ReportSettings()), words_for(ReportSettings(language="de"))
    for word, caution in CAUTIONS.items():
        assert english.text(f"caution.{word}") == caution.text
        assert german.text(f"caution.{word}") != caution.text


def test_a_survey_is_in_the_customers_language(folder: Path) -> None:
    lawn = pd.read_csv(folder / "lawns.csv")["lawn"].iloc[0]
    (folder / "customers.csv").write_text(f"customer,language\n{lawn},de\n", encoding="utf-8")
    page = write_survey(folder, lawn, today=LAST_DAY).written[0].read_text(encoding="utf-8")
    assert '<html lang="de' in page
    assert "Grüne Deckung" in page
