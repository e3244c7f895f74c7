"""A new print under the old card's name is another card from the day that the round says."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from lawnscore import visit_scores
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import HistorySettings, read_settings
from lawnscore.contract.tables import PHOTO_SCORES
from lawnscore.history.changes import changes
from lawnscore.history.prints import prints_told_apart
from tests.history.rounds import photo


def photos(source: str = "nominal") -> pd.DataFrame:
    how = {"card": "turf-a5", "camera": "phone", "version": "1", "settings_id": "a",
           "colour_reference": source, "colour_index_se": 0.05,
           "green_cover_pct": 80.0}  # fmt: skip
    return PHOTO_SCORES.frame([
        photo("a", 30 * visit, spot=spot, colour_index=0.55 + 0.001 * visit, **how)
        for visit in range(3) for spot in "ABCD"
    ])  # fmt: skip


def widths(table: pd.DataFrame) -> list[float]:
    found = changes(visit_scores(table), photo_scores=table)
    own = found[(found["measure"] == "colour_index") & (found["kind"] == "visit")]
    return (own["high"] - own["low"]).tolist()


def test_a_change_across_a_new_print_is_told_as_across_another_card() -> None:
    table = photos()
    day = sorted(table["date"].unique())[1]
    again = prints_told_apart(table, [day])
    assert again["card"].nunique() == 2
    found = changes(visit_scores(again), photo_scores=table)
    own = found[(found["measure"] == "colour_index") & (found["kind"] == "visit")]
    assert own["differs"].astype(object).fillna("").tolist() == ["card", ""]
    assert own["method_changed"].tolist() == [True, False]
    before, across = widths(table), widths(again)
    assert across[0] > 1.3 * before[0]
    assert across[1] == pytest.approx(before[1])


def test_colours_measured_off_a_print_are_that_prints_own() -> None:
    table = photos("measured")
    assert prints_told_apart(table, ["2020-01-01"])["card"].tolist() == table["card"].tolist()
    assert prints_told_apart(photos(), []).equals(photos())


def test_the_days_are_read_in_any_order_and_nothing_else_is_taken(tmp_path: Path) -> None:
    assert HistorySettings(new_prints=" 2026-03-01,2025-02-01 ").print_days == (
        "2025-02-01", "2026-03-01",
    )  # fmt: skip
    assert HistorySettings().print_days == ()
    path = tmp_path / "round.toml"
    path.write_text('[history]\nnew_prints = "in March"\n', "utf-8")
    with pytest.raises(LawnscoreError, match=r"new_prints.*days as 2026-03-01"):
        read_settings(path)
