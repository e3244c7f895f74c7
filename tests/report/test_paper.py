from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from pypdf import PdfReader

from lawnscore.contract.settings import Settings
from lawnscore.report.language import Words
from lawnscore.report.load import arrange
from lawnscore.report.sheet import sheet_rows
from lawnscore.report.sheet_paper import sheet_pdf
from tests.report.invented import RoundMaker

A4_POINTS = (595.3, 841.9)  # ISO 216: 210 x 297 mm


def pdfs(written: Path) -> list[Path]:
    return sorted((written / "reports").rglob("*.pdf"))


def rendered(path: Path, page: int) -> np.ndarray:
    with pypdfium2.PdfDocument(path) as document:
        return np.asarray(document[page].render(scale=0.5, grayscale=True).to_numpy())


def test_every_report_is_one_or_two_a4_pages(written: Path) -> None:
    for path in pdfs(written):
        reader = PdfReader(path)
        assert 1 <= len(reader.pages) <= (1 if path.name == "attention.pdf" else 2), path.name
        for page in reader.pages:
            size = (float(page.mediabox.width), float(page.mediabox.height))
            assert size == pytest.approx(A4_POINTS, abs=0.5)


def test_every_font_is_embedded(written: Path) -> None:
    for path in pdfs(written):
        for page in PdfReader(path).pages:
            for font in page["/Resources"]["/Font"].values():
                descriptor = font.get_object().get("/FontDescriptor")
                assert descriptor is not None, (path.name, font["/BaseFont"])
                assert "/FontFile2" in descriptor.get_object()


def test_text_can_be_selected(written: Path) -> None:
    reader = PdfReader(written / "reports" / "customers" / "Orchard House.pdf")
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for said in (
        "Orchard House",
        "Green cover was 68% on 6 October 2025",
        "What happens next",
        "Worm casts",
    ):
        assert said in text
    assert reader.metadata is not None
    assert reader.metadata.title == "Orchard House"
    assert reader.metadata.author == "Invented Lawn Care"
    assert reader.trailer["/Root"]["/Lang"] == "en"


def test_pages_look_like_pages(written: Path) -> None:
    """Ink on every page, white margins all round, and both pictures there."""
    for path in pdfs(written):
        for number in range(len(PdfReader(path).pages)):
            grey = rendered(path, number)
            assert (grey < 200).mean() > 0.001, path.name
            margin = 14  # px at half size: 10 mm
            for edge in (grey[:margin], grey[:, :margin], grey[:, -margin:]):
                assert edge.min() > 250, path.name
    first = rendered(written / "reports" / "customers" / "Orchard House.pdf", 0)
    dark = (first < 180).mean(axis=1) > 0.4
    assert dark.sum() > 40  # rows of picture


def test_the_same_report_is_the_same_file(words: Words) -> None:
    rounds = arrange(Path("r"), Settings(), RoundMaker().frames())
    assert sheet_pdf(rounds, [], words) == sheet_pdf(rounds, [], words)


def test_a_long_list_still_fits_one_page_and_says_what_is_left(words: Words) -> None:
    maker = RoundMaker()
    for k in range(40):
        maker.lawn(f"Lawn {k} of a street with a rather long name", n_visits=1, flag=True)
    rounds = arrange(Path("r"), Settings(), maker.frames())
    rows = sheet_rows(rounds, words)
    assert [row.rank for row in rows] == [str(k + 1) for k in range(40)]

    reader = PdfReader(io.BytesIO(sheet_pdf(rounds, rows, words)))
    assert len(reader.pages) == 1
    text = reader.pages[0].extract_text()
    assert "more are in the round at a glance" in text
    assert "Lawn 0 of a street" in " ".join(text.split())
    assert "spot1" in text
