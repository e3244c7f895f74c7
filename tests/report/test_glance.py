"""The row of a lawn at a glance: its worst zone, its change, what it wants."""

from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.contract.settings import Settings
from lawnscore.report.glance import glance_row
from lawnscore.report.language import Words
from lawnscore.report.load import LawnRows, arrange
from tests.report.invented import RoundMaker


def two_zones(front: float, side: float) -> LawnRows:
    maker = RoundMaker()
    maker.lawn("Elm Row", zones=("front", "side"), n_visits=2, renovate=False)
    for row in maker.rows["visit_scores"]:
        row["condition"] = front if row["zone"] == "front" else side
    (lawn,) = arrange(Path("round"), Settings(), maker.frames()).lawns
    return lawn


@pytest.mark.parametrize(("front", "side", "worst"), [(80, 40, "side"), (40, 80, "front")])
def test_the_zone_in_the_worst_condition_stands_for_its_lawn(
    front: float, side: float, worst: str, words: Words
) -> None:
    row = glance_row(two_zones(front, side), words)
    assert row.zone == worst
    assert str(row.condition) == "40"
