"""What a run of scoring says to people: one line each, nothing hidden, nothing empty."""

from __future__ import annotations

from pathlib import Path

from lawnscore.contract.reasons import REASONS
from lawnscore.register.folder import Misplaced
from lawnscore.scoring.summary import Attention, RefusedPhoto, ScoreSummary, summary_lines


def summary(**fields: object) -> ScoreSummary:
    values: dict[str, object] = {"path": Path("r"), "n_photos": 3, "n_scored": 3, "n_new": 3}
    return ScoreSummary(**{**values, **fields})  # type: ignore[arg-type]


def test_when_all_went_well_one_line_is_enough() -> None:
    assert summary_lines(summary()) == ["3 photos, 3 scored, 0 refused."]
    assert summary().went_well


def test_known_photos_are_counted_apart() -> None:
    assert summary_lines(summary(n_new=1, n_known=2)) == [
        "3 photos, 3 scored, 0 refused, 2 known from an earlier run."
    ]


def test_every_reason_speaks_on_one_line_with_its_advice() -> None:
    for word, reason in REASONS.items():
        line = RefusedPhoto("a.jpg", word, "").line()
        assert line == f"a.jpg: {word}: {reason.meaning}. {reason.advice}"
        told = RefusedPhoto("a.jpg", word, "two\nlines.").line()
        assert told == f"a.jpg: {word}: two lines. {reason.advice}"


def test_refused_and_misplaced_are_all_listed_and_not_well() -> None:
    refused = tuple(RefusedPhoto(f"{n}.jpg", "cardless", "") for n in range(30))
    assert len(summary_lines(summary(refused=refused))) == 33
    assert not summary(refused=refused).went_well
    misplaced = (Misplaced("a.jpg", "the path does not say the zone", "Move it."),)
    assert "  a.jpg: the path does not say the zone. Move it." in summary_lines(
        summary(misplaced=misplaced)
    )
    assert not summary(misplaced=misplaced).went_well


def test_long_lists_that_want_no_action_now_are_cut_and_say_so() -> None:
    many = tuple(Attention(f"lawn{n}", "all", "casts", "12 casts a m2.", "Wait.") for n in range(9))
    lines = summary_lines(summary(attention=many, others=("film.mov",)))
    assert "  lawn0: casts: 12 casts a m2. Wait." in lines
    assert "  and 4 more lines" in lines
    assert "  film.mov" in lines


def test_a_zone_is_named_unless_it_is_the_whole_lawn() -> None:
    line = Attention("oak", "front", "casts", "12 casts a m2.", "Wait.").line()
    assert line.startswith("oak, front: casts: ")
