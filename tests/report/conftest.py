from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from lawnscore.contract.settings import ReportSettings, Settings
from lawnscore.report import write_reports
from lawnscore.report.language import Words, words_for
from lawnscore.report.load import RoundRows, arrange
from tests.report.invented import LAST_DAY, RoundMaker, keep_turf_pictures, write_round

UNSURE = {"Two Parts": "shaded side", "No Renovation": "all"}
"""Zones whose photos hardly tell straw from bare soil."""
NASTY = "<script>alert('x')</script> & Söhne \"Hof\""


def invented_frames() -> dict[str, pd.DataFrame]:
    maker = RoundMaker()
    maker.lawn("Orchard House", n_visits=8, flag=True)
    maker.lawn("Two Parts", zones=("front", "shaded side"), n_visits=7, flag=True)
    maker.lawn("First", n_visits=1)
    maker.lawn("One Photo", n_visits=1, n_photos=1)
    maker.lawn("Refused", n_visits=1, refuse_last=True)
    maker.lawn("No Renovation", n_visits=4, renovate=False)
    maker.lawn("Refused Last", n_visits=4, refuse_last=True)
    maker.lawn("Day Of Work", n_visits=6)
    maker.lawn("Nasty", n_visits=2, name=NASTY)
    maker.rows["lawns"].append({"lawn": "Never", "zone": "all", "area_m2": 90.0})
    for row in maker.rows["photo_scores"]:
        if row["status"] == "scored" and UNSURE.get(row["lawn"]) == row["zone"]:
            row |= {"straw_soil_confidence": 0.4, "detail": "the ground is like nothing known"}
    return maker.frames()


@pytest.fixture(scope="session")
def frames() -> dict[str, pd.DataFrame]:
    return invented_frames()


@pytest.fixture(scope="session")
def rounds(frames: dict[str, pd.DataFrame]) -> RoundRows:
    return arrange(Path("round"), Settings(), frames)


@pytest.fixture(scope="session")
def words() -> Words:
    return words_for(ReportSettings())


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory, frames: dict[str, pd.DataFrame]) -> Path:
    """A round with all its reports; tests read it and leave it as it is."""
    folder = write_round(
        tmp_path_factory.mktemp("reports") / "round",
        frames,
        business="Invented Lawn Care",
        contact="hello@invented.example",
    )
    keep_turf_pictures(folder, frames)
    write_reports(folder, pdf=True, xlsx=True, parquet=True, today=LAST_DAY)
    return folder
