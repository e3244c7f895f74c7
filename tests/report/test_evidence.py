"""Evidence in every language: numbers and dates as people write them, nothing left unfilled."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from lawnscore.contract.settings import ReportSettings
from lawnscore.history import recovery
from lawnscore.history.evidence import evidence
from lawnscore.history.findings import Finding
from lawnscore.report.evidence import evidence_words, with_overdue_joined
from lawnscore.report.language import available_languages, words_for
from lawnscore.report.load import Row
from lawnscore.report.recovery_notes import note_words

DRIFT = {"change": 24.7, "margin": 7.6, "n": 5, "value": 66.2, "date": "2026-04-14",
         "more": False, "method_changed": True}  # fmt: skip
SLOW = {"days": 217, "task": "scarify + overseed", "now": 68.1, "before": 77.8, "reach": 303.1,
        "expected": 52.2, "source": "default of 42 days", "growth": True}  # fmt: skip
FINDINGS = [
    Finding("a", "all", "cover falling", "2025-09-09", "green_cover_pct", 24.7, "drift",
            facts=DRIFT),
    Finding("a", "all", "casts rising", "2025-09-09", "casts_per_m2", 9.0, "drift",
            facts=DRIFT | {"more": True, "n": 1, "method_changed": False}),
    Finding("a", "all", "colour fading", "2025-09-09", "colour_index", 0.05, "drift",
            facts=DRIFT | {"change": 0.05, "margin": 0.02, "value": 0.48}),
    Finding("a", "all", "recovery slow", "2025-09-09", "green_cover_pct", 9.7, "slow", facts=SLOW),
    Finding("a", "all", "recovery slow", "2025-09-09", "green_cover_pct", 9.7, "slow",
            facts=SLOW | {"reach": None, "growth": False}),
    Finding("a", "front", "uneven", "2026-04-14", "green_cover_pct", 15.0, "uneven",
            facts={"here": 70.2, "rest": 85.4, "gap": 15.2, "margin": 4.1}),
    Finding("a", "all", "not visited", "2026-04-14", None, 1.5, "overdue",
            facts={"date": "2026-04-14", "days": 226, "growing": 201, "limit": 70}),
    Finding("a", "all", "not visited", None, None, 0.5, "never"),
    Finding("a", "all", "photos too poor", "2026-04-14", None, 1.0, "all_refused",
            facts={"refused": 3, "scored": 0, "all": 3, "reasons": ["blurred", "cardless"]}),
    Finding("a", "all", "photos too poor", "2026-04-14", None, 1.0, "most_refused",
            facts={"refused": 3, "scored": 1, "all": 4, "reasons": []}),
    Finding("a", "all", "photos too poor", "2026-04-14", None, 1.0, "wide",
            facts={"refused": 0, "scored": 2, "all": 2, "reasons": [], "half": 22.4}),
    Finding("a", "all", "disease weather", "2026-04-10", None, 1.2, "wet_leaf",
            facts={"days": 4, "mean": 6.3}),
    Finding("a", "all", "disease weather", "2026-04-10", None, 1.2, "rain",
            facts={"days": 4, "mean": 6.3}),
]  # fmt: skip


def row_of(finding: Finding) -> Row:
    facts = json.dumps({"case": finding.case} | finding.facts)
    return vars(finding) | {"evidence": evidence(finding), "facts": facts}


@pytest.mark.parametrize("language", available_languages())
@pytest.mark.parametrize("finding", FINDINGS, ids=lambda f: f"{f.flag}, {f.case}")
def test_every_case_is_told_in_every_language(finding: Finding, language: str) -> None:
    row, words = row_of(finding), words_for(ReportSettings(language=language))
    text = evidence_words(row, words)
    assert text.endswith(".")
    assert not re.search(r"[{}]|\d{4}-\d\d-\d\d| {2}| [,.;:]", text)
    assert text[0].isupper() or text[0].isdigit()
    if language != "en":
        assert text != row["evidence"]


def test_german_evidence_has_german_numbers_and_dates() -> None:
    text = evidence_words(row_of(FINDINGS[0]), words_for(ReportSettings(language="de")))
    assert text.startswith("24,7 Punkte weniger")
    assert "66,2 % am 14. April 2026." in text
    assert "5 Besuche" in text


def test_what_was_written_by_hand_is_told_as_it_stands() -> None:
    row = {"evidence": "seen by the owner", "facts": None, "measure": None}
    assert evidence_words(row, words_for(ReportSettings(language="de"))) == "seen by the owner"


def late(lawn: str, since: str) -> Row:
    return {"lawn": lawn, "zone": "all", "flag": "not visited", "since": since, "evidence": "..."}


def test_three_lawns_that_wait_for_a_visit_are_one_line() -> None:
    other = {"lawn": "x", "zone": "all", "flag": "cover falling", "since": None, "evidence": "..."}
    rows = [other, late("a", "2025-10-28"), late("b", "2025-09-01"), late("c", "2025-10-01")]
    told = with_overdue_joined(rows)
    assert [row["lawn"] for row in told] == ["x", "3 lawns"]
    assert told[1]["evidence"] == "3 lawns not visited since 2025-09-01: a, b, c."
    assert with_overdue_joined(rows[:3]) == rows[:3]


@pytest.mark.parametrize("language", available_languages())
def test_every_note_of_the_history_is_told_in_every_language(language: str) -> None:
    source = (Path(recovery.__file__)).read_text(encoding="utf-8")
    notes = [
        "default of 42 days", "8 recoveries of this round", "no photos since the work",
        "work not in work.csv; seen from the photos before and after",
        "the work cost hardly any cover", "no photos from the 75 days before the work",
        "not reached: levels off at 70 %, 95 % of the cover before is 86 %",
        "not reached: not within two years, 95 % of the cover before is 86 %",
        "that it is never reached cannot be ruled out",
        "one set of photos since the work; two are needed",
    ]  # fmt: skip
    words = words_for(ReportSettings(language=language))
    for note in notes:
        assert note.split(":")[0].split(" of ")[0].lstrip("8 ")[:12] in source, note
        told = note_words(note, words)
        assert told != note or language == "en"
        both = note_words(f"{note}; the work cost hardly any cover", words)
        assert both == f"{told}; {note_words('the work cost hardly any cover', words)}"
    assert note_words("by hand", words) == "by hand"
    assert note_words(None, words) == ""
