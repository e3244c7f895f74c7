"""DEVELOPERS.md names every module, and names none that is not there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MODULES = sorted(p for p in (ROOT / "lawnscore").rglob("*.py") if p.stem != "__init__")
DOCUMENTS = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")]
DOCUMENTS += sorted((ROOT / "docs").glob("*.md"))


def rooms(row: str) -> list[str]:
    """Return the modules that a row of the layout names, as room/module."""
    room = re.search(r"`(\w+)/`", row)
    names = re.findall(r"`(\w+)`", row.partition("/`")[2])
    return [f"{room.group(1)}/{name}" for name in names] if room else []


def test_every_module_is_named() -> None:
    missing = [m for m in MODULES if not re.search(rf"[`/]{m.stem}(\.py)?`", TEXT)]
    assert missing == []


def test_every_module_named_in_the_layout_is_there() -> None:
    layout = [name for row in TEXT.splitlines() if row.startswith("| ") for name in rooms(row)]
    assert len(layout) > 60
    gone = [name for name in layout if not (ROOT / "lawnscore" / f"{name}.py").is_file()]
    assert gone == []


@pytest.mark.parametrize("path", [*DOCUMENTS, *MODULES], ids=lambda p: str(p.relative_to(ROOT)))
def test_every_study_and_file_that_is_named_exists(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    named = re.findall(r"\b((?:benchmarks|tests|lawnscore)/[\w/]+\.(?:py|md|toml))\b", text)
    assert [name for name in named if not (ROOT / name).exists()] == []
