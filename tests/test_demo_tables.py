"""The tables of the demo round in reports/ are those that the program writes today."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from lawnscore import __version__
from lawnscore.contract.tables import OUTPUT_TABLES
from lawnscore.demo.round_plan import zones

REPORTS = Path(__file__).resolve().parent.parent / "reports"
MOST_MB = 3


@pytest.mark.parametrize("name", OUTPUT_TABLES)
def test_columns_are_those_of_the_contract(name: str) -> None:
    table = pd.read_csv(REPORTS / f"{name}.csv")
    assert list(table.columns) == OUTPUT_TABLES[name].column_names
    assert len(table)


def test_every_photo_of_the_truth_has_one_row() -> None:
    scores = pd.read_csv(REPORTS / "photo_scores.csv")
    truth = pd.read_csv(REPORTS / "truth.csv")
    assert sorted(scores["photo"]) == sorted(truth["photo"])
    assert set(scores["version"]) == {__version__}
    assert {(z.lawn, z.zone) for z in zones()} == set(
        zip(scores["lawn"], scores["zone"], strict=True)
    )


def test_scores_lie_near_the_truth_as_the_readme_says() -> None:
    scores = pd.read_csv(REPORTS / "photo_scores.csv").set_index("photo")
    truth = pd.read_csv(REPORTS / "truth.csv").set_index("photo")
    off = (scores["green_cover_pct"] - truth["green_cover_pct"]).dropna()
    assert len(off) > 100
    assert float((off**2).mean() ** 0.5) <= 3.0  # points, the bar set for the demo


def test_the_package_is_valid() -> None:
    # Reference: the frictionless library, on package, schemas and rows.
    frictionless = pytest.importorskip("frictionless")
    report = frictionless.Package(str(REPORTS / "datapackage.json")).validate()
    assert report.valid, report.flatten(["type", "message"])


def test_the_folder_stays_small() -> None:
    size = sum(file.stat().st_size for file in REPORTS.iterdir())
    assert size < MOST_MB * 1_000_000
