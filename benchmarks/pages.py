"""A study's tables on a page: put between the marks that stand for them, all else left alone."""

from __future__ import annotations

from pathlib import Path


def put_between(page: Path, name: str, text: str) -> None:
    """Put a text between `<!-- NAME -->` and `<!-- end of NAME -->`; a new page is these alone.

    Raises
    ------
    SystemExit
        When the page is there and has no such marks: nothing of it is written over.
    """
    begin, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
    whole = page.read_text(encoding="utf-8") if page.is_file() else f"{begin}\n{end}\n"
    if begin not in whole or end not in whole:
        raise SystemExit(f"{page}: put the lines {begin} and {end} where the tables are to stand")
    before, rest = whole.split(begin, 1)
    after = rest.split(end, 1)[1]
    page.write_text(f"{before}{begin}\n\n{text.strip()}\n\n{end}{after}", encoding="utf-8")
