"""Where a change is known better than the level it led to, the pages say so, and only there."""

from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.contract.settings import Settings
from lawnscore.report.compared import compared_change, known_better, latest_visit
from lawnscore.report.customer import customer_page, customer_story, zone_story
from lawnscore.report.glance import glance_page, glance_row
from lawnscore.report.language import Words
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.load import RoundRows, arrange
from tests.report.invented import RoundMaker

COVER, WHY = "green_cover_pct", "because what is wrong is wrong alike in both"


def made(**halves: float) -> RoundRows:
    """A lawn of three visits; half widths of the last change are 50 but where said."""
    maker = RoundMaker()
    maker.lawn("L", n_visits=3, renovate=False)
    last = maker.rows["visit_scores"][-1]["date"]
    for change in maker.rows["changes"]:
        if change["to_date"] == last:
            half = halves.get(change["measure"], 50.0)
            change |= {"low": change["change"] - half, "high": change["change"] + half}
    return arrange(Path("r"), Settings(), maker.frames())


def test_the_narrower_interval_is_known_better() -> None:
    for half, better in ((1.0, True), (50.0, False)):
        lawn = made(**{COVER: half}).lawns[0]
        assert (
            known_better(compared_change(lawn, "all", COVER), latest_visit(lawn, "all")) is better
        )
    lawn = made().lawns[0]
    assert not known_better(None, latest_visit(lawn, "all"))
    unknown = dict(compared_change(lawn, "all", COVER) or {}) | {"low": None}
    assert not known_better(unknown, latest_visit(lawn, "all"))


def test_the_sentence_names_the_figures_that_it_holds_for(words: Words) -> None:
    assert zone_story(made().lawns[0], "all", words).surer == ""
    said = zone_story(made(**{COVER: 1.0}).lawns[0], "all", words).surer
    assert said.startswith("Green cover: the change is known better than the level")
    both = zone_story(made(**{COVER: 1.0, "evenness": 0.1}).lawns[0], "all", words).surer
    assert both.startswith("Green cover and Evenness: ")
    every = dict.fromkeys(told for told in made().lawns[0].visits[-1] if "_" in told)
    all_of_them = made(**dict.fromkeys(every, 0.001), evenness=0.001, condition=0.001)
    said = zone_story(all_of_them.lawns[0], "all", words).surer
    assert said.startswith("The changes are known better than the levels")


@pytest.mark.parametrize(("half", "count"), [(0.001, 1), (50.0, 0)])
def test_customers_and_the_evening_page_say_it_once_where_it_holds(
    half: float, count: int, words: Words
) -> None:
    rounds = made(condition=half)
    lawn = rounds.lawns[0]
    page = customer_page(customer_story(lawn, words), words, Letterhead("", "", ""))
    assert page.count(WHY) == count
    assert glance_page(rounds, [glance_row(lawn, words)], words).count(WHY) == count
