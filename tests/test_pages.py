"""Where studies put their tables: between the marks of a page, all else left alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.pages import put_between


def test_only_what_lies_between_the_marks_is_replaced(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("a\n<!-- x -->\nold\n<!-- end of x -->\nb\n<!-- y -->\nkept\n", "utf-8")
    put_between(page, "x", "new\n")
    put_between(page, "x", "newer")
    assert page.read_text("utf-8") == (
        "a\n<!-- x -->\n\nnewer\n\n<!-- end of x -->\nb\n<!-- y -->\nkept\n"
    )


def test_a_page_without_marks_is_not_written_over(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("all there is", "utf-8")
    with pytest.raises(SystemExit, match="end of x"):
        put_between(page, "x", "new")
    assert page.read_text("utf-8") == "all there is"


def test_a_new_page_is_the_tables_alone(tmp_path: Path) -> None:
    put_between(tmp_path / "page.md", "x", "new")
    assert (tmp_path / "page.md").read_text("utf-8") == ("<!-- x -->\n\nnew\n\n<!-- end of x -->\n")
