"""The page in a real browser: keys, undo, a reload, the download, and everyone can use it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lawnscore.points.page import PageSummary
from lawnscore.points.record import keep_file, read_points

pytestmark = pytest.mark.browser
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


class Reading:
    """A page that is open, and what it did that it should not have done."""

    def __init__(self, context: Any, path: Path, reader: str = "A. B.") -> None:
        self.page = context.new_page()
        self.console: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.console.append(message.text))
        self.page.on("pageerror", lambda error: self.console.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(path.as_uri())
        if reader:
            self.begin(reader)

    def begin(self, reader: str) -> None:
        self.page.get_by_label("Your name or initials").fill(reader)
        self.page.keyboard.press("Enter")

    def progress(self) -> str:
        text: str = self.page.locator("#progress").inner_text()
        return text

    def press(self, keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def download(self, path: Path) -> Path:
        with self.page.expect_download() as caught:
            self.page.locator(".download:visible").first.click()
        caught.value.save_as(path)
        return path


@pytest.fixture
def context(browser: Any) -> Iterator[Any]:
    opened = browser.new_context(
        has_touch=True, viewport={"width": 390, "height": 844}, accept_downloads=True
    )
    yield opened
    opened.close()


def test_keys_undo_and_the_download_are_read_back(
    context: Any, points_page: PageSummary, own_round: Path, tmp_path: Path
) -> None:
    reading = Reading(context, points_page.path)
    assert reading.progress() == "Point 1 of 12"
    reading.press("123")
    assert reading.progress() == "Point 4 of 12"
    reading.press("u")
    reading.page.keyboard.press("Backspace")
    assert reading.progress() == "Point 2 of 12"
    reading.press("6")
    reading.page.get_by_role("button", name="Litter").click()
    reading.press("789x")  # no such classes
    assert reading.progress() == "Point 4 of 12"
    kept = keep_file(own_round, reading.download(tmp_path / "a.csv"))
    assert (kept.n_new, kept.problems) == (3, ())
    table = read_points(own_round)
    assert table["seen"].tolist() == ["green leaf", "cannot tell", "litter"]
    assert set(table["reader"]) == {"A. B."}
    assert set(table["draw"]) == {points_page.draw}
    assert reading.console == []


def test_a_reload_keeps_the_work_and_all_can_be_read(
    context: Any, points_page: PageSummary, own_round: Path, tmp_path: Path
) -> None:
    reading = Reading(context, points_page.path)
    reading.press("12345")
    session = reading.page.evaluate(
        "JSON.parse(localStorage.getItem(Object.keys(localStorage).find(k => k.endsWith('a. b.'))))"
    )["session"]
    reading.page.reload()
    reading.page.get_by_text("Point 6 of 12").wait_for()  # the page takes a moment to begin
    assert reading.progress() == "Point 6 of 12"
    assert "A. B." in reading.page.locator("#name").inner_text()
    reading.press("1111111")
    assert reading.page.get_by_role("heading", name="All read").is_visible()
    reading.page.get_by_role("button", name="Undo the last one").click()
    assert reading.progress() == "Point 12 of 12"
    reading.press("2")
    kept = keep_file(own_round, reading.download(tmp_path / "a.csv"))
    assert kept.n_new == 12
    table = read_points(own_round)
    assert set(table["session"]) == {session}
    assert table["seen"].tolist().count("straw") == 2


def test_two_readers_on_one_machine_stay_apart(
    context: Any, points_page: PageSummary, own_round: Path, tmp_path: Path
) -> None:
    reading = Reading(context, points_page.path, "Ann")
    reading.press("111")
    keep_file(own_round, reading.download(tmp_path / "a.csv"))
    reading.page.get_by_role("button", name="Another reader").click()
    reading.begin('Bo "=1+1"')
    assert reading.progress() == "Point 1 of 12"
    reading.press("2")
    keep_file(own_round, reading.download(tmp_path / "b.csv"))
    table = read_points(own_round)
    assert table["reader"].tolist() == ["Ann", "Ann", "Ann", 'Bo "=1+1"']
    first = table[table["reader"] != "Ann"].iloc[0]
    assert (first["x_mm"], first["y_mm"]) == (table["x_mm"].iloc[0], table["y_mm"].iloc[0])
    reading.page.get_by_role("button", name="Another reader").click()
    reading.begin("ann")
    assert reading.progress() == "Point 4 of 12"


def test_zoom_keeps_the_cross_on_its_place(context: Any, points_page: PageSummary) -> None:
    reading = Reading(context, points_page.path)
    cross = reading.page.locator("#cross").bounding_box()
    sizes = []
    for _ in range(4):
        sizes.append(reading.page.locator("#picture").bounding_box()["width"])
        reading.press("z")
    assert sizes[1] == pytest.approx(2 * sizes[0], rel=0.01)
    assert sizes[2] == pytest.approx(4 * sizes[0], rel=0.01)
    assert sizes[3] == pytest.approx(sizes[0], rel=0.01)
    assert reading.page.locator("#cross").bounding_box() == cross


def test_a_browser_that_keeps_nothing_is_said(browser: Any, points_page: PageSummary) -> None:
    context = browser.new_context()
    context.add_init_script(
        "Object.defineProperty(window, 'localStorage', {get() { throw new Error('no'); }})"
    )
    reading = Reading(context, points_page.path)
    reading.press("12")
    assert reading.progress() == "Point 3 of 12"
    assert reading.page.get_by_text("does not keep the work").is_visible()
    context.close()


def test_casts_are_clicked_undone_and_read_back(
    context: Any, casts_page: PageSummary, own_round: Path, tmp_path: Path
) -> None:
    reading = Reading(context, casts_page.path)
    box = reading.page.locator("#view").bounding_box()

    def click(across: float, down: float) -> None:
        reading.page.mouse.click(box["x"] + across * box["width"], box["y"] + down * box["height"])

    click(0.5, 0.5)
    click(0.75, 0.25)
    click(0.9, 0.9)
    assert "3 casts marked" in reading.progress()
    assert reading.page.locator("#marks circle").count() == 6
    reading.press("u")
    assert "2 casts marked" in reading.progress()
    reading.page.keyboard.press("Enter")
    assert reading.progress().startswith("Picture 2 of")
    keep_file(own_round, reading.download(tmp_path / "a.csv"))
    table = read_points(own_round)
    assert sorted(table["kind"]) == ["cast", "cast", "tile"]
    tile = table[table["kind"] == "tile"].iloc[0]
    first, second = table[table["kind"] == "cast"].to_dict("records")
    assert tile["side_mm"] == 250
    assert first["x_mm"] == pytest.approx(tile["x_mm"], abs=1.5)
    assert second["x_mm"] == pytest.approx(tile["x_mm"] + 62.5, abs=1.5)
    assert second["y_mm"] == pytest.approx(tile["y_mm"] - 62.5, abs=1.5)
    assert reading.console == []


@pytest.mark.parametrize("mode", ["points_page", "casts_page"])
def test_it_asks_for_nothing_and_fits_every_screen(
    context: Any, mode: str, request: pytest.FixtureRequest
) -> None:
    path = request.getfixturevalue(mode).path
    reading = Reading(context, path)
    for width in (320, 390, 768, 1440):
        reading.page.set_viewport_size({"width": width, "height": 844})
        assert reading.page.evaluate("document.documentElement.scrollWidth") <= width
    others = [url for url in reading.requests if not url.startswith(("data:", "blob:"))]
    assert others == [path.as_uri()]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("mode", ["points_page", "casts_page"])
def test_axe_finds_nothing(
    browser: Any, mode: str, scheme: str, request: pytest.FixtureRequest
) -> None:
    """axe-core, rules of WCAG 2.0 to 2.2, levels A and AA (w3.org/TR/WCAG22)."""
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(color_scheme=scheme, viewport={"width": 390, "height": 844})
    reading = Reading(context, request.getfixturevalue(mode).path, "")
    options = {"runOnly": {"type": "tag", "values": TAGS}}
    found = []
    for step in ("start", "reading", "done"):
        if step == "reading":
            reading.begin("A")
        if step == "done":
            for _ in range(int(reading.page.locator("#bar").get_attribute("max"))):
                reading.page.keyboard.press("Enter" if mode == "casts_page" else "1")
            assert reading.page.get_by_role("heading", name="All read").is_visible()
        violations = Axe().run(reading.page, options=options).response["violations"]
        found += [(step, v["id"], v["nodes"][0]["html"][:160]) for v in violations]
    context.close()
    assert found == []
