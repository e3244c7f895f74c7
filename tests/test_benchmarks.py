"""The page of the studies names every one of them, and each says what it is for."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "benchmarks"
PAGE = (ROOT / "README.md").read_text(encoding="utf-8")
STUDIES = sorted(p for p in ROOT.rglob("*.py") if p.stem != "__init__")


def test_the_page_names_every_study_and_none_that_is_not_there() -> None:
    named = set(re.findall(r"`([\w/]+\.py)`", PAGE))
    theirs = {str(path.relative_to(ROOT)) for path in STUDIES}
    whole = {f"{name}/" for name in re.findall(r"`(\w+)/`", PAGE)}
    missing = {s for s in theirs - named if f"{Path(s).parent}/" not in whole}
    assert missing == set()
    assert {n for n in named - theirs if not n.startswith("photo/")} == set()


@pytest.mark.parametrize("path", STUDIES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_study_that_can_be_run_says_how(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    said = ast.get_docstring(ast.parse(source))
    assert said
    if "argparse" in source and path.parent.name in ("speed", "studies"):
        assert 'add_argument("--quick"' in source
        module = ".".join(path.relative_to(ROOT.parent).with_suffix("").parts)
        assert f"python -m {module}" in said or "--help" in said
