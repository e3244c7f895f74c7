"""The page of the studies names every one of them, and each says what it is for."""

from __future__ import annotations

import ast
import importlib.util
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
        module = module.removesuffix(".__main__")
        assert f"python -m {module}" in said or "--help" in said


@pytest.mark.parametrize("study", STUDIES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_import_of_a_study_is_there(study: Path) -> None:
    """Those within functions too: a study of 20 minutes must not end at its last table."""
    names = set()
    for node in ast.walk(ast.parse(study.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module)
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    optional = {"torch", "onnx"}
    gone = [n for n in names if n.partition(".")[0] not in optional and not _found(n)]
    assert gone == []


def _found(name: str) -> bool:
    try:
        return importlib.util.find_spec(name) is not None
    except ModuleNotFoundError:
        return False
