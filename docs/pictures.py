"""Make the pictures of the README from a demo round.

    lawnscore demo demo-round
    python docs/pictures.py demo-round

writes `docs/report.jpg` (the first screen of a customer's report, photographed by Chromium) and
`docs/overlay.jpg` (a photo beside what was seen in it). Needs the packages of `[test]`.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image
from typer.testing import CliRunner

DOCS = Path(__file__).resolve().parent
LAWN = "alder-bank"
PHOTO = "photos/alder-bank/front/2025-09-23-check/A--20250923_110600.jpg"
MOST_BYTES = 300_000
"""Of a picture: a page of documents should open at once."""


def main() -> None:
    """Read the command line and make both pictures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("round", type=Path, help="folder of a demo round with its reports")
    parser.add_argument("--chromium", default="/usr/bin/chromium", help="the browser to use")
    options = parser.parse_args()
    made = (
        _report(options.round, DOCS / "report.jpg", chromium=options.chromium),
        _overlay(options.round, DOCS / "overlay.jpg"),
    )
    for path in made:
        size = path.stat().st_size
        print(f"{path.name}: {size / 1000:.0f} kB")
        if size > MOST_BYTES:
            raise SystemExit(f"{path} has more than {MOST_BYTES / 1000:.0f} kB")


def _report(folder: Path, out: Path, *, chromium: str) -> Path:
    """Photograph the first screen of a report."""
    from playwright.sync_api import sync_playwright

    page_file = folder.resolve() / "reports" / "customers" / f"{LAWN}.html"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1180, "height": 820}, color_scheme="light")
        page.goto(page_file.as_uri())
        page.screenshot(path=out, type="jpeg", quality=82)
        browser.close()
    return out


def _overlay(folder: Path, out: Path) -> Path:
    """Draw what `lawnscore inspect` draws, in a size for a page."""
    from lawnscore.commands.main import build_app

    with TemporaryDirectory() as spare:  # `inspect` writes over no picture that it did not make
        drawn_file = Path(spare) / out.name
        given = ["inspect", str(folder / PHOTO), "--card", str(folder / "card.txt")]
        run = CliRunner().invoke(build_app(), [*given, "--picture", str(drawn_file)])
        if run.exit_code:
            raise SystemExit(run.output + run.stderr)
        with Image.open(drawn_file) as drawn:
            size = (1400, round(1400 * drawn.height / drawn.width))
            small = drawn.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    small.save(out, quality=80, optimize=True)
    return out


if __name__ == "__main__":
    main()
