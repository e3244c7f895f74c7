"""Slips are printed true, and what is printed is what is read."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.slip_code import SlipCode, read_slip_text, slip_text
from lawnscore.filing.slips import spots_of, write_slips


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "lawns.csv").write_text(
        "lawn,zone,area_m2,name\nmill-lane-3,front,140,Mill Lane 3\nmill-lane-3,Süd 芝,60,\n"
        "a-very-long-name-of-a-lawn-that-does-not-end-soon-22,all,850,Wisteria Cottage\n",
        encoding="utf-8",
    )
    (tmp_path / "round.toml").write_text("")
    return tmp_path


def page_pictures(path: Path, scale: float = 3.0) -> list[np.ndarray]:
    document = pypdfium2.PdfDocument(path)
    pictures = [page.render(scale=scale, grayscale=True).to_numpy() for page in document]
    document.close()
    return pictures


def panels(picture: np.ndarray) -> list[np.ndarray]:
    """Cut a page in its eight panels, as scissors would."""
    return [p for row in np.array_split(picture, 4) for p in np.array_split(row, 2, axis=1)]


def test_every_printed_code_reads_as_what_it_was_made_for(folder: Path) -> None:
    spots = {("mill-lane-3", "front"): ["gate", "oak & ash"]}
    made = write_slips(folder, folder / "out.pdf", spots=spots)
    assert (made.n_slips, made.n_pages) == (5, 1)
    read = set()
    for picture in page_pictures(made.path):
        for panel in panels(picture):
            text, *_ = cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(panel))
            read.add(read_slip_text(text) if text else None)
    assert read - {None} == set(made.codes)


def test_the_words_under_the_codes_can_be_read_without_a_machine(folder: Path) -> None:
    made = write_slips(folder, folder / "out.pdf", hints={("mill-lane-3", "front"): "8 photos"})
    text = "".join(page.extract_text() for page in pypdf.PdfReader(made.path).pages)
    for words in ("BEFORE", "AFTER", "mill-lane-3 · front · before", "140 m²", "8 photos"):
        assert words in text


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_the_sheet_is_true_to_size_with_fonts_inside(
    folder: Path, paper: str, size_mm: tuple[float, float]
) -> None:
    made = write_slips(folder, folder / "out.pdf", paper=paper)
    page = pypdf.PdfReader(made.path).pages[0]
    assert [float(x) / 72 * 25.4 for x in page.mediabox[2:]] == pytest.approx(size_mm, abs=0.01)
    fonts = [font.get_object() for font in page["/Resources"]["/Font"].values()]
    assert fonts
    assert all("/FontFile2" in font["/FontDescriptor"] for font in fonts)


def test_many_slips_take_more_pages_and_no_tent_is_parted(tmp_path: Path) -> None:
    rows = "".join(f"lawn-{n},all\n" for n in range(9))
    (tmp_path / "lawns.csv").write_text("lawn,zone\n" + rows)
    assert write_slips(tmp_path, tmp_path / "out.pdf").n_pages == 3
    check = write_slips(tmp_path, tmp_path / "out.pdf", stages=("check",))
    assert (check.n_slips, check.n_pages) == (9, 2)
    one = write_slips(tmp_path, tmp_path / "out.pdf", lawn="LAWN-3")
    assert {code.lawn for code in one.codes} == {"lawn-3"}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"lawn": "mil-lane-3"}, "Did you mean `mill-lane-3`"),
        ({"stages": ("during",)}, "unknown stage `during`"),
        ({"stages": ()}, "no stage"),
        ({"paper": "a5"}, "unknown paper `a5`"),
    ],
)
def test_what_cannot_be_drawn(folder: Path, options: dict, message: str) -> None:
    with pytest.raises(LawnscoreError, match=message):
        write_slips(folder, folder / "out.pdf", **options)


def test_a_round_without_lawns(tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match="no lawn to make a slip for"):
        write_slips(tmp_path, tmp_path / "out.pdf")


def test_spots_come_from_the_names_of_photos_and_by_name(folder: Path) -> None:
    visit = folder / "photos/mill-lane-3/front/2026-03-05-before"
    visit.mkdir(parents=True)
    (visit / "gate--a.jpg").write_bytes(b"x")
    spots = spots_of(folder, seen=True, named=("oak",))
    assert spots["mill-lane-3", "front"] == ["oak", "gate"]
    with pytest.raises(LawnscoreError, match="cannot be the name of a spot"):
        spots_of(folder, named=("a--b",))


names = st.text(min_size=1, max_size=20)


@given(names, names, st.sampled_from(["before", "after", "check"]), st.text(max_size=9))
def test_a_code_is_read_as_it_was_written(lawn: str, zone: str, stage: str, spot: str) -> None:
    code = SlipCode(lawn, zone, stage, spot)
    assert read_slip_text(slip_text(code)) == code


@given(st.integers(0, 60), st.characters(codec="ascii", categories=("L", "N")))
def test_one_wrong_letter_is_never_trusted(place: int, letter: str) -> None:
    """ISO/IEC 7064, MOD 97-10: every single substitution changes the check digits."""
    text = slip_text(SlipCode("mill-lane-3", "front", "before"))
    wrong = text[:place] + letter + text[place + 1 :]
    if wrong == text or not wrong.startswith("lawnscore:"):
        return
    with pytest.raises(ValueError, match=r"check digits|version"):
        read_slip_text(wrong)


def test_check_digits_are_those_of_an_iban() -> None:
    """ISO 7064 as used by ISO 13616: the worked example GB82 WEST 1234 5698 7654 32 leaves 1."""
    digits = "".join(str(int(c, 36)) for c in "WEST12345698765432GB82")
    assert int(digits) % 97 == 1
    body, check = slip_text(SlipCode("a", "b", "check")).split(";check=")
    assert (int.from_bytes(body.encode(), "big") * 100 + int(check)) % 97 == 1


@pytest.mark.parametrize("code", [SlipCode("", "front", "before"), SlipCode("a", "b")])
def test_a_slip_that_says_too_little(code: SlipCode) -> None:
    with pytest.raises(ValueError, match="does not say lawn, zone and stage"):
        read_slip_text(slip_text(code))
