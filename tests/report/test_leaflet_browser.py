"""Survey and answer in a real browser: they fit every width and are accessible."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lawnscore.report.letters import write_complaint, write_survey
from tests.report.invented import LAST_DAY, RoundMaker, keep_turf_pictures, write_round

pytestmark = pytest.mark.browser

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def leaflets(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    maker = RoundMaker()
    maker.lawn("Two", zones=("front", "shaded side"), n_visits=7)
    frames = maker.frames()
    path = tmp_path_factory.mktemp("leaflets") / "round"
    folder = write_round(path, frames, business="Invented Lawn Care", language="de")
    keep_turf_pictures(folder, frames, most=80)
    rates = "\n[rates]\nvisit_h = 1\nscarify_h_100_m2 = 0.5\nhour_price = 50\n"
    (folder / "round.toml").write_text((folder / "round.toml").read_text() + rates)
    (folder / "complaints.csv").write_text("date,lawn,said\n2025-08-20,Two,Half bare\n")
    letters = (write_survey(folder, "Two"), write_complaint(folder, "Two", today=LAST_DAY))
    return [letter.written[0] for letter in letters]


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_every_width_and_axe_finds_nothing(
    browser: Any, leaflets: list[Path], which: int, scheme: str
) -> None:
    """axe-core, rules of WCAG 2.0 to 2.2, levels A and AA (w3.org/TR/WCAG22)."""
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(color_scheme=scheme)
    page, said, asked = context.new_page(), [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(leaflets[which].as_uri())
    for width in (1440, 768, 360):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    results = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
    context.close()
    assert [(v["id"], v["nodes"][0]["html"][:160]) for v in results.response["violations"]] == []
    assert said == []
    assert all(url.startswith(("file:", "data:")) for url in asked)
