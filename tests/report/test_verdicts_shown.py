"""Better is shown as better, on the page and on paper, in its word and in its mark."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from pypdf import PdfReader

from lawnscore.contract.settings import ReportSettings, Settings
from lawnscore.report.customer import CustomerStory, customer_story
from lawnscore.report.customer_paper import customer_pdf
from lawnscore.report.language import Words, words_for
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.load import arrange
from tests.report.invented import RoundMaker

SHOWN = {"better": "●", "worse": "◆", "no_clear_change": "–"}
SAID = {"green_cover_pct": "better", "colour_index": "worse", "evenness": "no clear change",
        "casts_per_m2": "better", "condition": "worse"}  # fmt: skip


def told(words: Words) -> CustomerStory:
    """The story of a lawn of two visits whose changes have the verdicts of `SAID`."""
    maker = RoundMaker()
    maker.lawn("Elm Row", n_visits=2, renovate=False)
    for row in maker.rows["changes"]:
        row["verdict"] = SAID.get(row["measure"], "no clear change")
    (lawn,) = arrange(Path("round"), Settings(), maker.frames()).lawns
    return customer_story(lawn, words)


def on_paper(story: CustomerStory, words: Words) -> str:
    pdf = PdfReader(io.BytesIO(customer_pdf(story, words, Letterhead())))
    return " ".join(" ".join(page.extract_text() for page in pdf.pages).split())


@pytest.mark.parametrize("language", ["en", "de"])
def test_each_verdict_stands_beside_its_measure_with_its_mark(language: str) -> None:
    words = words_for(ReportSettings(language=language))
    story = told(words)
    figures = story.zones[0].figures
    assert {f.measure: f.verdict for f in figures if f.measure in SAID} == {
        measure: verdict.replace(" ", "_") for measure, verdict in SAID.items()
    }
    text = on_paper(story, words)
    text = text[text.rindex(words.text("customer.measured")) :]
    for figure in figures:
        here = text[text.index(figure.meaning[:20]) - 160 : text.index(figure.meaning[:20])]
        here = here[here.rindex(figure.name) :]
        word = words.text(f"verdict.{figure.verdict}")
        assert f"{SHOWN[figure.verdict]} {word}" in here, figure.measure
        others = {words.text(f"verdict.{v}") for v in SHOWN} - {word}
        assert not any(f"{mark} {other}" in here for mark in SHOWN.values() for other in others)


def test_the_mark_of_the_condition_is_that_of_its_own_verdict() -> None:
    words = words_for(ReportSettings())
    text = on_paper(told(words), words)
    before = text[: text.rindex(words.text("customer.measured"))]
    assert "◆ worse" in before
    assert "● better" not in before
