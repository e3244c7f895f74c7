"""The pages in a real browser: they work, ask for nothing, and can be used by everyone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser

CUSTOMERS = ("Orchard House", "Two Parts", "First", "Refused", "Never")
WIDTHS = (360, 768, 1440)


class Visit:
    """A page that is open, and what it did that it should not have done."""

    def __init__(self, page: Any, path: Path) -> None:
        self.page = page
        self.console: list[str] = []
        self.requests: list[str] = []
        page.on("console", lambda message: self.console.append(message.text))
        page.on("pageerror", lambda error: self.console.append(str(error)))
        page.on("request", lambda request: self.requests.append(request.url))
        page.goto(path.as_uri())


@pytest.fixture(scope="session")
def pages(written: Path) -> Path:
    return written / "reports"


@pytest.fixture
def context(browser: Any) -> Iterator[Any]:
    opened = browser.new_context(has_touch=True, viewport={"width": 1024, "height": 900})
    yield opened
    opened.close()


def customer(context: Any, pages: Path, lawn: str = "Orchard House") -> Visit:
    return Visit(context.new_page(), pages / "customers" / f"{lawn}.html")


def place(page: Any) -> float:
    """Where the divider stands, in percent, measured from what is drawn."""
    return page.evaluate(
        """() => {
          const frame = document.querySelector('.divider .frame').getBoundingClientRect();
          const line = document.querySelector('.divider .line').getBoundingClientRect();
          return 100 * (line.left + line.width / 2 - frame.left) / frame.width;
        }"""
    )


def settled(page: Any, wanted: float) -> None:
    page.wait_for_function(
        """(wanted) => {
          const frame = document.querySelector('.divider .frame').getBoundingClientRect();
          const line = document.querySelector('.divider .line').getBoundingClientRect();
          const at = 100 * (line.left + line.width / 2 - frame.left) / frame.width;
          return Math.abs(at - wanted) < 1;
        }""",
        arg=wanted,
        timeout=3000,
    )


def test_the_divider_follows_the_mouse(context: Any, pages: Path) -> None:
    page = customer(context, pages).page
    box = page.locator(".divider .frame").first.bounding_box()
    y = box["y"] + box["height"] / 2
    assert place(page) == pytest.approx(50, abs=1)
    page.mouse.move(box["x"] + box["width"] / 2, y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.2 * box["width"], y, steps=4)
    settled(page, 20)
    page.mouse.up()
    page.mouse.move(box["x"] + 0.9 * box["width"], y)
    assert place(page) == pytest.approx(20, abs=1)  # let go means let go
    clip = page.evaluate(
        "getComputedStyle(document.querySelector('.divider .earlier img')).clipPath"
    )
    assert clip.startswith("inset(0")


def test_the_divider_covers_nothing_of_the_picture_but_its_own_line(
    context: Any, pages: Path
) -> None:
    page = customer(context, pages).page
    line = page.locator(".divider .line").first.bounding_box()
    frame, picture, tag = (
        page.locator(f".divider {name}").first.bounding_box()
        for name in (".frame", ".later img", ".later .tag")
    )
    assert line["width"] <= 4
    assert (line["y"], line["height"]) == pytest.approx((picture["y"], picture["height"]), abs=1)
    assert tag["y"] + tag["height"] <= picture["y"] + 1  # names and pegs stand above and below
    assert frame["y"] + frame["height"] >= picture["y"] + picture["height"] + 16


def test_the_divider_follows_a_finger(context: Any, pages: Path) -> None:
    page = customer(context, pages).page
    box = page.locator(".divider .frame").first.bounding_box()
    client = context.new_cdp_session(page)
    y = box["y"] + box["height"] / 2
    for kind, share in (("touchStart", 0.5), ("touchMove", 0.65), ("touchMove", 0.8)):
        points = [{"x": box["x"] + share * box["width"], "y": y}]
        client.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    client.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    settled(page, 80)


def test_the_divider_obeys_the_keys_and_tells_where_it_is(context: Any, pages: Path) -> None:
    page = customer(context, pages).page
    page.locator(".divider input").first.focus()
    page.keyboard.press("ArrowLeft")
    settled(page, 49)
    page.keyboard.press("End")
    settled(page, 100)
    page.keyboard.press("Home")
    settled(page, 0)
    told = page.locator(".divider input").first.get_attribute("aria-valuetext")
    assert told == "0% of the picture shows the earlier visit"
    outline = page.evaluate(
        "getComputedStyle(document.querySelector('.divider .frame')).outlineStyle"
    )
    assert outline == "solid"


def test_without_script_and_on_paper_both_pictures_stand_side_by_side(
    browser: Any, pages: Path
) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((pages / "customers" / "Orchard House.html").as_uri())
    boxes = [
        page.locator(f".divider .{name}").first.bounding_box() for name in ("earlier", "later")
    ]
    context.close()
    assert boxes[0]["y"] == pytest.approx(boxes[1]["y"], abs=1)
    assert boxes[1]["x"] - boxes[0]["x"] >= boxes[0]["width"]  # before stands left


@pytest.mark.parametrize("lawn", CUSTOMERS)
def test_a_customers_page_asks_for_nothing_and_fits_every_screen(
    context: Any, pages: Path, lawn: str
) -> None:
    visit = customer(context, pages, lawn)
    for width in WIDTHS:
        visit.page.set_viewport_size({"width": width, "height": 800})
        wide = visit.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width
    assert visit.console == []
    others = [url for url in visit.requests if not url.startswith("data:")]
    assert others == [(pages / "customers" / f"{lawn}.html").as_uri()]
    loaded = visit.page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth)")
    assert loaded


def test_a_customers_page_fits_a_printed_page(browser: Any, pages: Path, tmp_path: Path) -> None:
    """Nothing sticks out of the paper, and text stays text."""
    from pypdf import PdfReader

    page = browser.new_page(viewport={"width": 680, "height": 960})  # 180 mm at 96 px an inch
    page.goto((pages / "customers" / "Orchard House.html").as_uri())
    page.emulate_media(media="print")
    assert page.evaluate("document.documentElement.scrollWidth") <= 680
    page.pdf(path=tmp_path / "print.pdf", prefer_css_page_size=True)
    page.close()
    printed = PdfReader(tmp_path / "print.pdf")
    assert len(printed.pages) <= 4
    assert "Green cover was 68% on 6 October 2025" in " ".join(
        printed.pages[0].extract_text().split()
    )


def test_reduced_motion_is_respected(browser: Any, pages: Path) -> None:
    still = browser.new_context(reduced_motion="reduce")
    page = customer(still, pages).page
    duration = page.evaluate(
        "getComputedStyle(document.querySelector('.divider .line')).transitionDuration"
    )
    still.close()
    assert duration == "0s"


def test_dark_and_light_differ_and_paper_is_white(browser: Any, pages: Path) -> None:
    grounds = []
    for scheme in ("light", "dark"):
        context = browser.new_context(color_scheme=scheme)
        page = customer(context, pages).page
        grounds.append(page.evaluate("getComputedStyle(document.body).backgroundColor"))
        page.emulate_media(media="print")
        printed = page.evaluate("getComputedStyle(document.body).backgroundColor")
        context.close()
        assert printed == "rgb(255, 255, 255)"
    assert grounds[0] != grounds[1]


AXE_PAGES = [
    *((f"customers/{lawn}.html", "light") for lawn in CUSTOMERS),
    ("customers/Orchard House.html", "dark"),
    ("index.html", "light"),
    ("index.html", "dark"),
    ("lawns/No Renovation.html", "light"),
    ("attention.html", "dark"),
]


@pytest.mark.parametrize(("name", "scheme"), AXE_PAGES)
def test_axe_finds_nothing(browser: Any, pages: Path, name: str, scheme: str) -> None:
    """axe-core, rules of WCAG 2.0 to 2.2, levels A and AA (w3.org/TR/WCAG22)."""
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(color_scheme=scheme, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto((pages / name).as_uri())
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    results = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
    context.close()
    found = [
        (v["id"], v["impact"], v["nodes"][0]["html"][:160]) for v in results.response["violations"]
    ]
    assert found == []


def rows(page: Any) -> list[str]:
    return page.evaluate(
        """() => [...document.querySelectorAll('.round tbody tr')].filter(r => !r.hidden)
          .map(r => r.cells[0].querySelector('a').textContent)"""
    )


def test_the_round_sorts_by_name_and_by_number_with_unknown_last(context: Any, pages: Path) -> None:
    page = Visit(context.new_page(), pages / "index.html").page
    marked = page.evaluate(
        "[...document.querySelectorAll('.round tbody tr')]"
        ".map(r => (r.dataset.flags || '').includes('flagged'))"
    )
    flagged = sum(marked)
    assert all(marked[:flagged])  # those with a flag come first
    assert not any(marked[flagged:])
    assert rows(page)[0] == "Orchard House"
    by_name = page.get_by_role("button", name="Lawn", exact=True)
    by_name.click()
    names = rows(page)
    assert names == sorted(names, key=str.casefold)
    by_name.click()
    assert rows(page) == names[::-1]
    page.get_by_role("button", name="Condition", exact=True).click()
    header = page.locator("th", has_text="Condition").nth(0)
    assert header.get_attribute("aria-sort") == "ascending"
    keys = page.evaluate(
        "[...document.querySelectorAll('.round tbody tr')].map(r => r.cells[3].dataset.sort)"
    )
    known = [float(key) for key in keys if key]
    assert known == sorted(known)
    assert keys[len(known) :] == [""] * (len(keys) - len(known))
    assert len(known) < len(keys)


def test_on_a_phone_the_round_shows_lawn_flag_and_next_step_first(
    context: Any, pages: Path
) -> None:
    page = Visit(context.new_page(), pages / "index.html").page
    page.set_viewport_size({"width": 390, "height": 844})
    cells = page.evaluate(
        """() => [...document.querySelectorAll('.round tbody tr')].map(row => {
          const box = cell => cell.getBoundingClientRect();
          const first = [row.cells[0], row.querySelector('.flags'), row.querySelector('.next')];
          const rest = [...row.cells].filter(cell => !first.includes(cell));
          return {
            tops: first.filter(cell => box(cell).height).map(cell => box(cell).top),
            ends: Math.max(...first.map(cell => box(cell).bottom)),
            rest: Math.min(...rest.filter(cell => box(cell).height).map(cell => box(cell).top)),
            wide: first.filter(cell => box(cell).height)
              .every(cell => box(cell).width > 0.9 * box(row).width),
          };
        })"""
    )
    assert cells
    for row in cells:
        assert row["tops"] == sorted(row["tops"])
        assert len(set(row["tops"])) == len(row["tops"])  # each on a line of its own
        assert row["ends"] <= row["rest"]
        assert row["wide"]


def test_the_round_filters_by_word_and_by_flag(context: Any, pages: Path) -> None:
    visit = Visit(context.new_page(), pages / "index.html")
    page = visit.page
    page.get_by_label("Find a lawn").fill("sohne")  # accents need not be typed
    assert len(rows(page)) == 1
    assert page.get_by_role("status").inner_text() == "1 of 10 lawns shown"
    page.get_by_label("Find a lawn").fill("nowhere")
    assert rows(page) == []
    assert page.get_by_text("No lawn matches.").is_visible()
    page.get_by_label("Find a lawn").fill("")
    page.get_by_label("Show").select_option("flagged")
    flagged = page.locator("tbody tr[data-flags*=flagged]").count()
    assert 0 < len(rows(page)) == flagged < 10
    page.get_by_label("Show").select_option("refused")
    assert rows(page) == ["Refused", "Refused Last"]
    assert visit.console == []


def test_a_lawn_is_a_click_away_and_its_pictures_load(context: Any, pages: Path) -> None:
    visit = Visit(context.new_page(), pages / "index.html")
    visit.page.get_by_role("link", name="Orchard House", exact=True).click()
    visit.page.wait_for_url("**/lawns/Orchard%20House.html")
    for picture in visit.page.locator(".photos img").all()[:3]:
        picture.scroll_into_view_if_needed()
        visit.page.wait_for_function(
            "i => i.complete && i.naturalWidth > 0", arg=picture.element_handle()
        )
    assert visit.console == []
    assert all(url.startswith("file:") for url in visit.requests)
    for width in WIDTHS:
        visit.page.set_viewport_size({"width": width, "height": 800})
        assert visit.page.evaluate("document.documentElement.scrollWidth") <= width


def test_two_thousand_lawns_sort_and_filter_at_once(context: Any, tmp_path: Path) -> None:
    from dataclasses import replace

    from lawnscore.contract.settings import ReportSettings, Settings
    from lawnscore.report.glance import glance_page, glance_row
    from lawnscore.report.language import words_for
    from lawnscore.report.load import arrange
    from tests.report.invented import RoundMaker

    maker = RoundMaker()
    maker.lawn("L", n_visits=12)
    rounds = arrange(tmp_path, Settings(), maker.frames())
    words = words_for(ReportSettings())
    row = glance_row(rounds.lawns[0], words)
    many = [replace(row, name=f"Lawn {k * 7919 % 2000}", find=f"Lawn {k}") for k in range(2000)]
    path = tmp_path / "index.html"
    path.write_text(glance_page(rounds, many, words), encoding="utf-8")
    page = Visit(context.new_page(), path).page
    took = page.evaluate(
        """() => {
          const times = [];
          const start = () => times.push(performance.now());
          start();
          document.querySelector('.round thead button').click();
          document.body.offsetHeight; start();
          const search = document.getElementById('search');
          search.value = 'Lawn 19'; search.dispatchEvent(new Event('input'));
          document.body.offsetHeight; start();
          return [times[1] - times[0], times[2] - times[1]];
        }"""
    )
    assert rows(page)[0].startswith("Lawn")
    assert max(took) < 3000  # ms with layout, on a slow and busy machine
