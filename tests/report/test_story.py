from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lawnscore.contract.settings import ReportSettings, Settings
from lawnscore.report.compared import compared_change, verdict_key
from lawnscore.report.language import Words, words_for
from lawnscore.report.load import LawnRows, RoundRows, Row, arrange
from lawnscore.report.story import (
    headline,
    outlook,
    recovery_sentences,
    task_words,
)
from tests.report.invented import RoundMaker


def lawn_of(rounds: RoundRows, name: str) -> LawnRows:
    return next(lawn for lawn in rounds.lawns if lawn.lawn == name)


def two_visits(change: Row, **row: object) -> LawnRows:
    """A lawn of two visits with one change of green cover between them."""
    maker = RoundMaker()
    maker.lawn("L", n_visits=2, renovate=False)
    base = next(c for c in maker.rows["changes"] if c["measure"] == "green_cover_pct")
    maker.rows["changes"] = [base | change]
    maker.rows["visit_scores"][-1] |= row
    return arrange(Path("r"), Settings(), maker.frames()).lawns[0]


def said(lawn: LawnRows, words: Words) -> str:
    return headline(lawn, words).sentence.striptags()


def test_a_clear_gain_is_said_with_its_range(words: Words) -> None:
    gain = {"change": 12.3, "low": 8.1, "high": 16.4, "verdict": "better"}
    assert said(two_visits(gain), words) == (
        "Green cover has grown by 12 points since 10 March 2025; "
        "the true figure is very likely between 8 and 16."
    )


def test_a_clear_loss_is_said_as_a_loss_with_the_smaller_size_first(words: Words) -> None:
    loss = {"change": -12.3, "low": -16.4, "high": -8.1, "verdict": "worse"}
    head = headline(two_visits(loss), words)
    assert head.tone == "worse"
    assert "fallen by 12 points" in head.sentence.striptags()
    assert head.sentence.striptags().endswith("between 8 and 16.")


def test_no_clear_change_says_how_small_a_change_would_have_stayed_hidden(words: Words) -> None:
    steady = {"change": 1.0, "verdict": "no clear change", "smallest_detectable": 5.6}
    text = said(two_visits(steady, green_cover_pct=83.2), words)
    assert "no clear change since 10 March 2025" in text
    assert "83% of the ground is green" in text
    assert "smaller than 6 points" in text


@pytest.mark.parametrize("cover", [83.2, None])
def test_too_few_photos_are_not_called_no_clear_change(words: Words, cover: float | None) -> None:
    untold = {"change": 41.0, "low": None, "high": None, "verdict": None}
    text = said(two_visits(untold, green_cover_pct=cover), words)
    assert "no clear change" not in text
    assert "too few photos to say" in text
    assert ("83% of the ground is green" in text) is (cover is not None)


def test_a_change_of_method_is_a_caveat(words: Words) -> None:
    gain = {"change": 12.0, "low": 8.0, "high": 16.0, "verdict": "better", "method_changed": True}
    assert "care" in headline(two_visits(gain), words).caveat


def test_another_phone_is_a_caveat_of_its_own(words: Words) -> None:
    gain = {"change": 12.0, "low": 8.0, "high": 16.0, "verdict": "better"}
    assert "phone" not in headline(two_visits(gain | {"differs": None}), words).caveat
    assert "different phones" in headline(two_visits(gain | {"differs": "phone"}), words).caveat


def test_an_unknown_cover_is_not_made_up(words: Words) -> None:
    steady = {"change": 1.0, "verdict": "no clear change", "smallest_detectable": 5.6}
    text = said(two_visits(steady, green_cover_pct=None), words)
    assert text == "We see no clear change since 10 March 2025."


@pytest.mark.parametrize(
    ("name", "start", "tone"),
    [
        ("First", "This is the first visit we measured: 80% of the ground is green", "start"),
        ("One Photo", "This is the first visit we measured", "start"),
        ("Refused", "None of the 4 photos we took on 10 March 2025 could", "unknown"),
        ("Refused Last", "None of the 4 photos we took on 8 June 2025 could", "unknown"),
        ("Never", "Your lawn has not been photographed yet", "unknown"),
        ("Day Of Work", "The scarifying on 7 August 2025 thinned the turf on purpose", "steady"),
        ("Orchard House", "Green cover was 68% on 6 October 2025, 17 points below", "worse"),
        ("Two Parts", "Green cover in “front” was 65% on 6 September 2025", "worse"),
    ],
)
def test_each_kind_of_lawn_has_its_sentence(
    rounds: RoundRows, words: Words, name: str, start: str, tone: str
) -> None:
    head = headline(lawn_of(rounds, name), words)
    assert head.sentence.striptags().startswith(start)
    assert head.tone == tone


def test_one_photo_claims_no_range(rounds: RoundRows, words: Words) -> None:
    text = said(lawn_of(rounds, "One Photo"), words)
    assert "too few photos to say how sure" in text
    assert "between" not in text


def test_casts_are_said_per_area_in_the_unit_of_the_round() -> None:
    fewer = {"measure": "casts_per_m2", "change": -10.76, "low": -21.5, "high": -5.4}
    lawn = two_visits(fewer | {"verdict": "better"})
    sq_ft = words_for(ReportSettings(area_unit="sq ft"))
    assert "decreased by 1.0 per sq ft" in said(lawn, sq_ft)
    assert said(lawn, sq_ft).endswith("between 0.5 and 2.0 per sq ft.")


@pytest.mark.parametrize("state", ["recovering", "recovered", "slow", "too few visits"])
def test_every_state_of_recovery_has_its_sentences(state: str, words: Words) -> None:
    row = {
        "state": state,
        "renovation_date": "2025-09-12",
        "task": "scarify",
        "cover_before": 80.0,
        "cover_after": 40.0,
        "cover_now": 70.0,
        "days_since": 20,
        "days_to_95": 40.0,
        "days_to_95_low": 30.0,
        "days_to_95_high": 60.0,
    }
    text = " ".join(s.striptags() for s in recovery_sentences(row, words))
    assert "12 September 2025" in text
    if state in ("recovering", "slow"):
        assert "around 22 October 2025" in text
        assert "between 12 October 2025 and 11 November 2025" in text
    open_end = recovery_sentences(row | {"days_to_95_high": None}, words)
    if state == "slow":
        assert "cannot be ruled out" in open_end[-1]


@pytest.mark.parametrize("high", [60.0, None])
def test_a_day_gone_by_is_not_told_as_one_to_come(high: float | None, words: Words) -> None:
    """The last visit was 35 days after the work, and the turf not back: day 30 is no forecast."""
    row = {"state": "slow", "renovation_date": "2025-09-12", "task": "scarify",
           "cover_before": 80.0, "cover_after": 40.0, "cover_now": 70.0, "days_since": 35,
           "days_to_95": 40.0, "days_to_95_low": 30.0, "days_to_95_high": high}  # fmt: skip
    text = " ".join(s.striptags() for s in recovery_sentences(row, words))
    assert "It may be there already" in text
    assert "12 October" not in text
    assert ("cannot be ruled out" in text) is (high is None)


def test_what_happens_next_speaks_of_flags_in_the_customers_words(
    rounds: RoundRows, words: Words
) -> None:
    lawn = lawn_of(rounds, "Orchard House")
    steps = [str(step) for step in outlook(lawn, words, "better")]
    assert any("walk on it as little" in step for step in steps)
    assert not any("Look for shade, compaction" in step for step in steps)


def test_the_change_of_the_last_visit_is_the_one_beside_the_figure(rounds: RoundRows) -> None:
    lawn = lawn_of(rounds, "Orchard House")
    change = compared_change(lawn, "all", "green_cover_pct")
    assert change is not None
    assert (change["kind"], change["to_date"]) == ("since_before_work", lawn.last_date)


def test_figures_taken_after_the_work_speak_of_the_work(rounds: RoundRows) -> None:
    change = compared_change(lawn_of(rounds, "Day Of Work"), "all", "condition")
    assert change is not None
    assert (change["kind"], verdict_key(change)) == ("work", "by_work")


def test_several_tasks_are_joined_as_the_language_does(words: Words) -> None:
    assert task_words("scarify, overseed", words) == "scarifying and overseeding"
    assert task_words("scarify + overseed + top-dress", words).endswith(" and top-dressing")


def test_fresh_work_asks_to_keep_off_the_grass(rounds: RoundRows, words: Words) -> None:
    lawn = lawn_of(rounds, "Day Of Work")
    row = lawn.recovery[0] | {"state": "too few visits"}
    steps = outlook(replace(lawn, recovery=(row,)), words, "steady")
    assert any("walk on it as little" in step for step in steps)
