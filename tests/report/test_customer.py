from __future__ import annotations

import html
import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from lawnscore.contract.tables import OUTPUT_TABLES
from lawnscore.report.load import file_stems
from lawnscore.scoring.tables import read_table

LAWNS = [
    "Orchard House",
    "Two Parts",
    "First",
    "One Photo",
    "Refused",
    "No Renovation",
    "Refused Last",
    "Day Of Work",
    "Nasty",
    "Never",
]
DERIVED = {"days"}  # days to 95 %, said in words


class Numbers(HTMLParser):
    """Collects every `data` element: exact value, column and the text that is shown."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, float, str]] = []
        self._open: tuple[str, float] | None = None
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "data":
            given = dict(attrs)
            self._open = (str(given["data-column"]), float(str(given["value"])))

    def handle_data(self, data: str) -> None:
        if self._open:
            self.found.append((*self._open, data))
            self._open = None


def page_of(written: Path, lawn: str, folder: str = "customers") -> str:
    path = written / "reports" / folder / f"{file_stems([lawn])[lawn]}.html"
    return path.read_text(encoding="utf-8")


def table_values(written: Path, lawn: str) -> dict[str, set[float]]:
    values: dict[str, set[float]] = {}
    for name in OUTPUT_TABLES:
        table = read_table(written, name)
        rows = table[table["lawn"] == lawn]
        for column in rows.columns:
            if pd.api.types.is_numeric_dtype(rows[column]):
                values.setdefault(column, set()).update(rows[column].dropna().astype(float))
    return values


@pytest.mark.parametrize("folder", ["customers", "lawns"])
@pytest.mark.parametrize("lawn", LAWNS)
def test_every_number_on_the_page_is_one_of_the_tables(
    written: Path, lawn: str, folder: str
) -> None:
    known = table_values(written, lawn)
    numbers = Numbers(page_of(written, lawn, folder)).found
    for column, value, text in numbers:
        allowed = known["days_to_95"] if column in DERIVED else known[column]
        assert value in allowed, (column, value)
        shown = re.search(r"[+−]?[\d,]+(\.\d+)?", text)
        assert shown, text
        decimals = len(shown.group(1) or ".") - 1
        said = float(shown.group(0).replace("−", "-").replace(",", "").replace("+", ""))
        near = value if "−" in text or "+" in text else abs(value)
        assert abs(said - near) <= 0.5 * 10**-decimals + 1e-9, (column, value, text)
    if lawn not in ("Refused", "Never"):
        assert len(numbers) > 8


@pytest.mark.parametrize("lawn", LAWNS)
def test_a_customers_page_needs_nothing_else_and_tells_of_no_one_else(
    written: Path, lawn: str
) -> None:
    page = page_of(written, lawn)
    assert len(page.encode()) <= 3_000_000
    without_pictures = re.sub(r"data:image/\w+;base64,[A-Za-z0-9+/=]+", "", page)
    assert not re.search(r"https?:|//[a-z]|\bsrc=\"[^\"]|\bhref=|url\(|@import", without_pictures)
    for other in LAWNS:
        if other not in (lawn, "First", "Refused"):  # these are words of the page too
            assert other not in without_pictures


def test_a_customers_page_carries_no_camera_data(written: Path) -> None:
    import base64

    for data in re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", page_of(written, "First")):
        jpeg = base64.b64decode(data)
        assert b"Exif" not in jpeg
        assert b"GPS" not in jpeg[:4000]


def test_a_name_is_text_wherever_it_stands(written: Path) -> None:
    for page in (
        page_of(written, "Nasty"),
        page_of(written, "Nasty", "lawns"),
        (written / "reports" / "index.html").read_text(encoding="utf-8"),
    ):
        assert "<script>alert" not in page
        assert html.escape("<script>alert('x')", quote=True).replace("&#x27;", "&#39;") in page


def test_the_policy_of_a_page_allows_one_script_and_no_request(written: Path) -> None:
    page = page_of(written, "Orchard House")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy
    text = html.unescape(policy.group(1))
    assert "default-src 'none'" in text
    assert re.search(r"script-src 'sha256-[A-Za-z0-9+/=]+'$", text)
    assert "connect-src" not in text
    assert page.count("<script") == 1


def test_unknown_figures_are_said_to_be_unknown(words, tmp_path: Path) -> None:
    from lawnscore.contract.settings import Settings
    from lawnscore.report.customer import customer_page, customer_story
    from lawnscore.report.letterhead import Letterhead
    from lawnscore.report.load import arrange
    from tests.report.invented import RoundMaker

    maker = RoundMaker()
    maker.lawn("L", n_visits=3, renovate=False)
    for row in maker.rows["visit_scores"]:
        for name in ("colour_index", "condition"):
            row |= {name: None, f"{name}_low": None, f"{name}_high": None}
    maker.rows["changes"] = []
    lawn = arrange(tmp_path, Settings(), maker.frames()).lawns[0]
    page = customer_page(customer_story(lawn, words), words, Letterhead())
    assert "not known" in page
    assert "Not known from this visit’s photos." in page
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.S).lower().split()
    assert "None" not in page.replace("None of the", "")


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_empty_state_breaks_a_page_in_any_language(rounds, language: str) -> None:
    from lawnscore.contract.settings import ReportSettings
    from lawnscore.report.customer import customer_page, customer_story
    from lawnscore.report.language import words_for
    from lawnscore.report.lawn_page import lawn_page
    from lawnscore.report.letterhead import Letterhead

    words = words_for(ReportSettings(language=language))
    for lawn in rounds.lawns:
        page = customer_page(customer_story(lawn, words), words, Letterhead("B", "C"))
        assert f'<html lang="{language}">' in page
        assert "{" not in re.sub(r"<(style|script)>.*?</\1>", "", page, flags=re.S)
        assert lawn_page(lawn, words)
