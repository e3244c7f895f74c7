"""Every verdict word, for every measure, by a change made in photos: better, worse, neither."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from lawnscore import changes, visit_scores
from lawnscore.contract.measures import MEASURES, Measure
from lawnscore.contract.tables import CHANGES, PHOTO_SCORES
from tests.history.rounds import photo

STEPS = {"share": 25.0, "density": 40.0, "size": 400.0, "index": 0.2, "colour": 20.0}
"""A change that nobody would miss, by the kind of measure."""
VERDICTS = next(column for column in CHANGES.columns if column.name == "verdict").allowed
JUDGED = [m for m in MEASURES.values() if m.better and m.name != "largest_bare_patch_cm2"]


def two_visits(measure: Measure, change: float) -> pd.DataFrame:
    """Return five spots a visit of one measure, half a per cent of a step apart."""
    step = STEPS[measure.kind]
    middle = 2 * step if measure.high is None else 50.0
    how = {"card": "c", "version": "1", "settings_id": "s", "colour_reference": "measured"}
    rows: list[dict[str, Any]] = []
    for number, moved in ((0, -change / 2), (30, change / 2)):
        for k in range(5):
            value = middle + moved + 0.02 * step * (k - 2)
            more = {measure.name: value, f"{measure.name}_se": 0.02 * step, "spot": f"s{k}"}
            rows.append(photo("a", number, **(how | more)))
    return PHOTO_SCORES.frame(rows)


def verdict(measure: Measure, change: float) -> Any:
    photos = two_visits(measure, change)
    table = changes(visit_scores(photos), photo_scores=photos)
    row = table[(table["kind"] == "visit") & (table["measure"] == measure.name)]
    assert len(row) == 1
    if change:
        assert row["change"].iloc[0] == pytest.approx(change)
    return row["verdict"].iloc[0]


def test_the_words_are_those_of_the_contract() -> None:
    assert set(VERDICTS) == {"better", "worse", "no clear change"}


@pytest.mark.parametrize("measure", JUDGED, ids=lambda m: m.name)
def test_a_made_change_is_called_by_its_direction(measure: Measure) -> None:
    step = STEPS[measure.kind]
    assert verdict(measure, measure.better * step) == "better"
    assert verdict(measure, -measure.better * step) == "worse"
    assert verdict(measure, 0.0) == "no clear change"


@pytest.mark.parametrize("name", ["leaf_L", "leaf_a", "leaf_b"])
def test_where_neither_way_is_better_there_is_no_verdict(name: str) -> None:
    assert pd.isna(verdict(MEASURES[name], STEPS["colour"]))


def test_the_largest_patch_is_open_above_so_nothing_is_claimed() -> None:
    """Its interval has no upper end (the zone's largest may lie elsewhere): no word without it."""
    measure = MEASURES["largest_bare_patch_cm2"]
    assert verdict(measure, 10 * STEPS["size"]) != "better"
