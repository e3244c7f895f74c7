"""The page of the points: every sentence from its numbers, in both languages."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lawnscore.contract.settings import ReportSettings
from lawnscore.points.agreement import cohen_kappa
from lawnscore.points.casts import CastFactor
from lawnscore.points.check import CastCheck, GroupBias, PointsCheck, ShareCheck
from lawnscore.points.compare import SHARE_COLUMNS
from lawnscore.points.estimate import Estimate
from lawnscore.points.readers import Pair
from lawnscore.report import write_reports
from lawnscore.report.checked_page import checked_page
from lawnscore.report.language import words_for
from lawnscore.report.load import RoundRows

NAN = float("nan")
BIASES = (
    Estimate(-2.3, 0.7, -3.8, -0.8, 12),
    Estimate(4.1, 1.0, 2.0, 6.2, 12),
    Estimate(0.4, 1.0, -1.7, 2.5, 12),
    Estimate(0.1, 0.2, -0.3, 0.5, 12),
    Estimate(0.2, NAN, NAN, NAN, 2),
)


def check() -> PointsCheck:
    eye = Estimate(30.0, 2.0, 26.0, 34.0, 12)
    shares = tuple(
        ShareCheck(name, name, bias, 31.2, eye, replace(eye, weight=0.8), 36)
        for name, bias in zip(SHARE_COLUMNS, BIASES, strict=True)
    )
    bias = dict(zip(SHARE_COLUMNS, BIASES, strict=True))
    return PointsCheck(
        n_points=700, n_untold=20, n_photos=12, n_stale=1, readers=("A", "<b>B</b>"),
        agreement=0.8, confusion=np.diag([400.0, 200, 90, 10, 0]), shares=shares,
        groups=(GroupBias("light", "part in shade", 4, 240, bias),
                GroupBias("lawn", "oak & lane", 5, 300, bias)),
        pairs=(Pair("A", "<b>B</b>", cohen_kappa([[20, 5], [10, 15]])),),
        reader_se=np.array([1.0, 1.2, 0.9, 0.1, 0.1]),
        casts=CastCheck(6, 47, 41.2, 0.8, 0.91, CastFactor(1.11, 0.86, 1.43, 0.13, 47)),
        corrected=False,
    )  # fmt: skip


def page(rounds: RoundRows, language: str = "en", **changes: Any) -> str:
    return checked_page(
        replace(check(), **changes), rounds, words_for(ReportSettings(language=language))
    )


def test_the_sentences_follow_from_the_intervals(rounds: RoundRows) -> None:
    text = page(rounds)
    assert "How right are these numbers on your lawns?" in text
    assert (
        "Green cover: the program says 2.3 points too little, very likely between 0.8 and 3.8"
        in text
    )
    assert "Dead leaf and thatch: the program says 4.1 points too much" in text
    assert "Open soil: no clear difference from the eye; it could be up to 2.5 points." in text
    assert "700 points on 12 photos" in text
    assert "not corrected" in text
    assert "too few photos to say" in text
    assert "36 more photos" in text
    assert "beyond chance (Cohen’s kappa, 1 at best) 0.40" in text
    assert "Its counts times 1.11 would be right, very likely between 0.86 and 1.43." in text
    assert "part in shade" in text


def test_names_are_escaped(rounds: RoundRows) -> None:
    text = page(rounds)
    assert "<b>B</b>" not in text
    assert "oak &amp; lane" in text


def test_corrected_tables_are_said_and_one_reader_too(rounds: RoundRows) -> None:
    text = page(rounds, corrected=True, pairs=(), casts=None, groups=())
    assert "lean on these points too" in text
    assert "Only one person has read" in text
    assert "Worm casts" not in text
    assert "By light and by lawn" not in text


def test_nothing_told(rounds: RoundRows) -> None:
    text = page(rounds, n_points=0, shares=(), pairs=(), casts=None, groups=(),
                confusion=np.zeros((5, 5)), reader_se=np.full(5, NAN))  # fmt: skip
    assert "No point could be told yet." in text
    assert "nan" not in text.lower().replace("finance", "")


def test_the_page_is_linked_while_there_are_points_and_goes_with_them(
    written: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lawnscore.points import check as module

    own = Path(shutil.copytree(written, tmp_path / "round", copy_function=shutil.copy2))
    (own / "points.csv").write_text("what stands in it is said by the check")
    monkeypatch.setattr(module, "check_points", lambda *_: check())
    write_reports(own, lawns=["First"], pictures="none")
    assert "Green cover: the program says" in (own / "reports" / "checked.html").read_text()
    assert 'href="checked.html"' in (own / "reports" / "index.html").read_text()
    (own / "points.csv").unlink()
    write_reports(own, lawns=["First"], pictures="none")
    assert not (own / "reports" / "checked.html").exists()
    assert "checked.html" not in (own / "reports" / "index.html").read_text()


def test_in_german(rounds: RoundRows) -> None:
    text = page(rounds, "de")
    assert "Wie richtig sind diese Zahlen auf Ihren Rasen?" in text
    assert "2,3 Punkte zu wenig" in text


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_it_fits_a_phone(
    browser: Any, rounds: RoundRows, tmp_path: Path, scheme: str
) -> None:
    """axe-core, rules of WCAG 2.0 to 2.2, levels A and AA (w3.org/TR/WCAG22)."""
    from axe_playwright_python.sync_playwright import Axe

    path = tmp_path / "checked.html"
    path.write_text(page(rounds), encoding="utf-8")
    context = browser.new_context(color_scheme=scheme, viewport={"width": 390, "height": 844})
    opened = context.new_page()
    opened.goto(path.as_uri())
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = Axe().run(opened, options={"runOnly": {"type": "tag", "values": tags}})
    wide = opened.evaluate("document.documentElement.scrollWidth")
    context.close()
    assert [(v["id"], v["nodes"][0]["html"][:160]) for v in found.response["violations"]] == []
    assert wide <= 390
