"""What everything printed stands on: sizes, fonts with the letters of names, text that fits."""

from __future__ import annotations

from pathlib import Path

import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ImageFont

from lawnscore.contract.errors import LawnscoreError
from lawnscore.paper import fonts
from lawnscore.paper.fit import fitted, text_width, wrapped
from lawnscore.paper.sheet import new_sheet
from lawnscore.paper.sizes import MM, PAPERS_MM

NAMES = (fonts.TEXT, fonts.TEXT_BOLD, fonts.TEXT_ITALIC, fonts.PLAIN, fonts.PLAIN_BOLD)
LETTERS = "AaÄäßŁłĄąŻżŐőŠšČčÅåØøÆæÑñÇçĞğİıΑωЖж²½–…·"


def test_a_page_of_a4_is_595_by_842_points() -> None:
    # ISO 216: 210 x 297 mm; ISO 32000: a point is 1/72 inch.
    assert [round(side * MM) for side in PAPERS_MM["a4"]] == [595, 842]


@pytest.mark.parametrize("name", NAMES)
def test_every_font_has_the_letters_of_european_names(name: str) -> None:
    font = ImageFont.truetype(str(fonts.font_file(name)), 40)
    missing = bytes(font.getmask("\uffff"))
    assert [c for c in LETTERS if bytes(font.getmask(c)) == missing] == []


words = st.text("abcdefghijkl -żł", max_size=60)
widths = st.floats(12, 200)


@given(words, widths)
def test_what_is_fitted_fits(text: str, width: float) -> None:
    short = fitted(text, fonts.PLAIN, 10, width)
    assert text_width(short, fonts.PLAIN, 10) <= width
    assert short == text or (short.endswith("…") and text.startswith(short[:-1]))


@given(words, widths)
def test_wrapping_loses_no_letter_and_no_line_is_too_wide(text: str, width: float) -> None:
    lines = wrapped(text, fonts.PLAIN, 10, width)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(text_width(line, fonts.PLAIN, 10) <= width for line in lines)


def test_a_sheet_is_in_millimetres_on_every_page(tmp_path: Path) -> None:
    with new_sheet(tmp_path / "new" / "sheet.pdf", (100.0, 50.0), title="Two pages") as sheet:
        for _ in range(2):
            sheet.pen.setFont(fonts.PLAIN, 5)
            sheet.pen.drawString(10, 20, "here")
            sheet.next_page()
    assert sheet.n_pages == 2
    found = []
    for page in pypdf.PdfReader(tmp_path / "new" / "sheet.pdf").pages:
        page.extract_text(
            visitor_text=lambda text, matrix, *_: found.append((text.strip(), matrix[0] / MM))
        )
        assert [float(side) / MM for side in page.mediabox[2:]] == pytest.approx([100, 50])
    assert [text for text, _ in found if text] == ["here", "here"]
    assert {round(scale, 6) for text, scale in found if text} == {1.0}


def test_a_sheet_that_cannot_be_written_says_where(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(LawnscoreError, match="cannot be written"),
        new_sheet(tmp_path / "file" / "sheet.pdf", (100.0, 50.0), title="None"),
    ):
        pass
