"""One pair of visits is told of a zone: in the headline, the figures and the pictures alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.contract.settings import Settings
from lawnscore.report.compared import Basis, basis, compared_change, compared_changes, verdict_key
from lawnscore.report.customer import LABELS, customer_story, measured_on, pair_labels, zone_story
from lawnscore.report.language import Words
from lawnscore.report.load import LawnRows, Row, arrange
from lawnscore.report.pictures import candidate_pairs
from lawnscore.report.story import headline, one_photo, recovery_sentences
from tests.report.invented import RoundMaker


def made(maker: RoundMaker) -> LawnRows:
    return arrange(Path("r"), Settings(), maker.frames()).lawns[0]


def worked(**cover: float) -> RoundMaker:
    """A lawn from 78 % over the dip of its work to what it has grown back to."""
    maker = RoundMaker()
    maker.lawn("L", n_visits=9)
    last = maker.rows["visit_scores"][-1]
    for change in maker.rows["changes"]:
        same = change["to_date"] == last["date"] and change["measure"] == "green_cover_pct"
        if same and change["kind"] in cover:
            size = cover[change["kind"]]
            change |= {"change": size, "low": size - 4, "high": size + 4,
                       "verdict": "better" if size > 4 else "worse" if size < -4
                       else "no clear change"}  # fmt: skip
    last["green_cover_pct"] = 68.0
    return maker


def test_a_lawn_that_lost_by_its_work_is_not_called_better(words: Words) -> None:
    lawn = made(worked(since_renovation=28.0, since_before_work=-10.0, visit=3.0))
    head = headline(lawn, words)
    text = head.sentence.striptags()
    assert text.startswith("Green cover was 68% on 5 November 2025, 10 points below what it was")
    assert "before the scarifying on 7 August 2025" in text
    assert head.tone == "worse"
    assert "28" not in text


@pytest.mark.parametrize(
    ("size", "words_of_it", "tone"),
    [
        (9.0, "points above what it was before", "better"),
        (1.0, "That is no clear difference", "steady"),
    ],
)
def test_gain_and_standstill_are_told_against_before_too(
    size: float, words_of_it: str, tone: str, words: Words
) -> None:
    head = headline(made(worked(since_before_work=size)), words)
    assert words_of_it in head.sentence.striptags()
    assert head.tone == tone


def test_headline_figures_and_pictures_are_of_the_same_two_days(words: Words) -> None:
    lawn = made(worked(since_before_work=-10.0))
    assert basis(lawn, "all") == "since_before_work"
    ends = {(c["from_date"], c["from_stage"], c["to_date"]) for c in compared_changes(lawn, "all")}
    assert ends == {("2025-08-07", "before", "2025-11-05")}
    before, after = candidate_pairs(lawn, "all", compared_change(lawn, "all", "green_cover_pct"))[0]
    assert before is not None
    assert (before["date"], before["stage"], after["date"]) in ends
    assert pair_labels(basis(lawn, "all"), words) == ("Before the work", "Now")
    said = measured_on(zone_story(lawn, "all", words), words)
    assert "Figures from 5 November 2025" in said
    assert "since before the work (7 August 2025)" in said


def test_the_dip_is_never_labelled_before(words: Words) -> None:
    maker = worked()
    maker.rows["changes"] = [
        c for c in maker.rows["changes"] if c["kind"] not in ("since_before_work", "work")
    ]
    lawn = made(maker)
    assert basis(lawn, "all") == "since_renovation"
    assert pair_labels("since_renovation", words) == ("Just after the work", "Now")
    head = headline(lawn, words)
    assert "no photos from before the work" in head.sentence.striptags()
    assert head.tone == "steady"
    assert verdict_key(compared_change(lawn, "all", "condition")) == "since_dip"
    assert {first for first, _ in LABELS.values()} == {"before_work", "after_work", "earlier"}


def year_of(maker: RoundMaker, change: float) -> None:
    """Add the comparison with the same season a year before to the last visit."""
    for row in [c for c in maker.rows["changes"] if c["kind"] == "visit"]:
        if row["to_date"] == maker.rows["visit_scores"][-1]["date"]:
            maker.rows["changes"].append(
                row | {"kind": "year", "from_date": maker.rows["visit_scores"][0]["date"],
                       "change": change, "low": change - 2, "high": change + 2,
                       "verdict": "no clear change"}
            )  # fmt: skip


def test_a_year_of_visits_is_told_against_the_same_season(words: Words) -> None:
    maker = RoundMaker()
    maker.lawn("L", n_visits=13, renovate=False)
    year_of(maker, 0.4)
    lawn = made(maker)
    assert basis(lawn, "all") == "year"
    assert "the same season a year before (10 March 2025)" in headline(lawn, words).sentence
    trend = zone_story(lawn, "all", words).trend
    assert trend == "no clear change since the same season a year before (10 March 2025)"
    assert pair_labels("year", words) == ("Earlier", "Now")


def test_one_photo_speaks_for_its_own_ground_alone(words: Words) -> None:
    maker = RoundMaker()
    maker.lawn("L", n_visits=3, renovate=False)
    maker.rows["visit_scores"][-1] |= {"photos": 1, "area_m2": 0.6}
    lawn = made(maker)
    assert "one photo and speaks for the 0.6 m² of ground in it" in headline(lawn, words).caveat
    assert "not for the whole lawn" in measured_on(zone_story(lawn, "all", words), words)
    maker.rows["visit_scores"][-1] |= {"photos": 2}
    assert one_photo(made(maker), "all", words) == ""


def back(**more: object) -> Row:
    row: Row = {"state": "recovered", "renovation_date": "2025-09-09", "task": "scarify",
                "cover_before": 79.0, "cover_after": 40.0, "cover_now": 94.0, "days_to_95": 47.0,
                "days_to_95_low": 23.0, "days_to_95_high": 167.0,
                "back_by": "2025-10-07"}  # fmt: skip
    return row | more


def test_a_lawn_that_is_back_is_said_to_be_back_and_nothing_doubts_it(words: Words) -> None:
    (only,) = recovery_sentences(back(), words)
    text = only.striptags()
    assert "it was back by the visit of 7 October 2025" in text
    for doubt in ("very likely", "could", "cannot", "pace", "about"):
        assert doubt not in text


def test_a_change_without_verdict_is_not_nothing_to_compare(words: Words) -> None:
    maker = RoundMaker()
    maker.lawn("L", n_visits=2, renovate=False)
    for row in maker.rows["changes"]:
        row |= {"change": 45.0, "low": None, "high": None, "verdict": None}
    story = customer_story(made(maker), words)
    figure = story.zones[0].figures[0]
    assert (figure.change, figure.verdict) == ("+45", "untold")
    assert words.text("verdict.untold") == "too few photos to say"


@pytest.mark.parametrize("kind", ["year", "visit", "none"])
def test_without_work_the_pictures_are_earlier_and_now(kind: Basis, words: Words) -> None:
    assert pair_labels(kind, words) == ("Earlier", "Now")
