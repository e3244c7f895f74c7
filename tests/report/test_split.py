"""Straw and bare soil are told apart to a customer only where the photos tell them apart."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from pypdf import PdfReader

from lawnscore.contract.settings import ReportSettings, Settings
from lawnscore.report.compared import compared_changes, splits_straw_and_soil
from lawnscore.report.customer import customer_page, customer_story
from lawnscore.report.customer_paper import customer_pdf
from lawnscore.report.figures import Figure
from lawnscore.report.glance import glance_row
from lawnscore.report.language import Words, words_for
from lawnscore.report.lawn_page import lawn_page
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.load import LawnRows, Row, arrange
from lawnscore.report.story import headline, headline_candidates
from tests.report.invented import RoundMaker

APART = {"bare_soil_pct", "straw_cover_pct"}
LAST = {"green_cover_pct": 70.0, "green_cover_pct_low": 64.0, "green_cover_pct_high": 76.0,
        "straw_cover_pct": 20.0, "bare_soil_pct": 6.0, "litter_pct": 3.0,
        "cast_cover_pct": 1.0}  # fmt: skip


def lawn_of(confidence: list[float | None], zones: tuple[str, ...] = ("all",)) -> LawnRows:
    """A lawn of as many visits of two photos as there are confidences, the last one known."""
    maker = RoundMaker()
    maker.lawn("L", n_visits=len(confidence), n_photos=2, renovate=False, zones=zones)
    days = sorted({row["date"] for row in maker.rows["photo_scores"]})
    for row in maker.rows["photo_scores"]:
        row["straw_soil_confidence"] = confidence[days.index(row["date"])]
    for row in maker.rows["visit_scores"]:
        row |= LAST if row["date"] == days[-1] else {}
    for row in maker.rows["changes"]:
        if row["measure"] in APART:
            row |= {"change": 12.0, "low": 8.0, "high": 16.0, "verdict": "worse"}
        else:
            row |= {"verdict": "no clear change"}
    return arrange(Path("r"), Settings(), maker.frames()).lawns[0]


def figures(lawn: LawnRows, words: Words) -> dict[str, Figure]:
    return {f.measure: f for f in customer_story(lawn, words).zones[0].figures}


@pytest.mark.parametrize(
    ("confidence", "told"),
    [
        ([0.9, 0.9], True),
        ([0.6, 0.6], True),
        ([0.9, 0.2], False),  # mean 0.55
        ([0.2, 0.9], False),
        ([0.1, 0.7, 0.7], True),  # the first visit is not one of the two that are told
        ([0.5], False),
        ([None, None], True),  # tables that do not say
        ([None, 0.3], False),
    ],
)
def test_the_photos_of_the_occasions_that_are_told_decide(
    confidence: list[float | None], told: bool, words: Words
) -> None:
    lawn = lawn_of(confidence)
    assert splits_straw_and_soil(lawn, "all") is told
    assert set(figures(lawn, words)) & APART == (APART if told else set())
    assert ("not_green_pct" in figures(lawn, words)) is not told


def test_a_refused_photo_has_no_say() -> None:
    lawn = lawn_of([0.7])
    refused: Row = lawn.photos[0] | {"status": "refused", "straw_soil_confidence": 0.0}
    lawn = LawnRows(**{**vars(lawn), "photos": (*lawn.photos, refused)})
    assert splits_straw_and_soil(lawn, "all")


def test_one_figure_stands_for_both_with_the_interval_of_green_cover(words: Words) -> None:
    lawn = lawn_of([0.3, 0.3])
    figure = figures(lawn, words)["not_green_pct"]
    assert figure.value == "26%"  # 100 - 70 green - 3 litter - 1 casts
    assert figure.interval == "20 to 32%"  # 100 - 76 - 4 and 100 - 64 - 4
    assert (figure.change, figure.verdict) == ("", "")
    order = list(figures(lawn, words))
    assert order.index("not_green_pct") == order.index("bare_patch_pct") + 1


def test_the_figure_stays_in_its_range_and_unknown_stays_unknown(words: Words) -> None:
    lawn = lawn_of([0.3, 0.3])
    lawn.visits[-1].update(green_cover_pct=95.0, green_cover_pct_high=99.5)
    assert figures(lawn, words)["not_green_pct"].interval.startswith("0 to")
    lawn.visits[-1].update(green_cover_pct_low=None)
    assert figures(lawn, words)["not_green_pct"].interval == ""
    lawn.visits[-1].update(litter_pct=None)
    assert figures(lawn, words)["not_green_pct"].value == "not known"


def test_changes_of_straw_and_soil_are_not_told(words: Words) -> None:
    sure, unsure = lawn_of([0.9, 0.9]), lawn_of([0.3, 0.3])
    assert {c["measure"] for c in headline_candidates(sure)} >= APART
    assert "Open soil has increased" in headline(sure, words).sentence
    assert not {c["measure"] for c in compared_changes(unsure, "all")} & APART
    assert headline(unsure, words).sentence.striptags().startswith("We see no clear change")


@pytest.mark.parametrize(
    ("language", "together", "why"),
    [
        ("en", "Not green",
         "Straw and bare soil could not be told apart surely in these photos."),
        ("de", "Nicht grün",
         "Stroh und offener Boden ließen sich auf diesen Fotos nicht sicher unterscheiden."),
    ],
)  # fmt: skip
@pytest.mark.parametrize("confidence", [0.3, 0.9])
def test_page_and_paper_say_so_in_every_zone(
    language: str, together: str, why: str, confidence: float
) -> None:
    words = words_for(ReportSettings(language=language))
    lawn = lawn_of([confidence] * 2, zones=("back", "front"))
    story = customer_story(lawn, words)
    pdf = PdfReader(io.BytesIO(customer_pdf(story, words, Letterhead())))
    paper = " ".join(" ".join(page.extract_text() for page in pdf.pages).split())
    for text in (customer_page(story, words, Letterhead()), paper):
        n = 2 if confidence < 0.6 else 0
        assert text.count(why) == n
        assert text.count(together) == n
        for measure in APART:
            assert (words.text(f"measure.{measure}") in text) is (n == 0)


def test_the_practitioners_pages_keep_both_and_say_how_sure(words: Words) -> None:
    lawn = lawn_of([0.2, 0.5])
    page = lawn_page(lawn, words)
    for said in ("Dead leaf and thatch", "Open soil", "Straw told from soil</th>"):
        assert said in page
    for of_visit in ("0.20", "0.50"):
        assert f'<td class="n">{of_visit}</td>' in page
    assert 'data-column="straw_soil_confidence">0.50</data>' in page
    assert glance_row(lawn, words).split == "straw told from soil 0.35 of 1"  # mean of both visits
    assert glance_row(lawn_of([None, None]), words).split == ""


def test_what_to_mind_of_a_scored_photo_is_shown(words: Words) -> None:
    lawn = lawn_of([0.9])
    assert "unlike" not in lawn_page(lawn, words)
    lawn.photos[0]["detail"] = "the ground is unlike <anything> known"
    assert "the ground is unlike &lt;anything&gt; known" in lawn_page(lawn, words)
    assert "unlike" not in customer_page(customer_story(lawn, words), words, Letterhead())
