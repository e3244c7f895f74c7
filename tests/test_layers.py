"""A module imports only from its own room and from rooms before it, and no files form a circle."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOMS = (
    "contract",
    "paper",
    "card",
    "photo",
    "history",
    "register",
    "filing",
    "scoring",
    "points",
    "care",
    "report",
    "upkeep",
    "demo",
    "commands",
)
PACKAGE = Path(__file__).resolve().parent.parent / "lawnscore"
FILES = sorted(PACKAGE.rglob("*.py"))


def imported(source: str) -> Iterator[str]:
    """Yield every module that is imported, at the top, within a function or for types alone."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def imported_rooms(source: str) -> set[str]:
    names = {name for name in imported(source) if name.startswith("lawnscore.")}
    return {name.split(".")[1] for name in names} & set(ROOMS)


def circle(sources: Mapping[str, str]) -> list[str]:
    """Return modules that import one another in a circle, first and last the same; or nothing."""
    imports = {name: {n for n in imported(text) if n in sources} for name, text in sources.items()}
    try:
        TopologicalSorter(imports).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


@pytest.mark.parametrize("room", ROOMS)
def test_room_imports_only_from_rooms_before_it(room: str) -> None:
    allowed = set(ROOMS[: ROOMS.index(room) + 1])
    files = sorted((PACKAGE / room).rglob("*.py"))
    assert files
    for file in files:
        extra = imported_rooms(file.read_text(encoding="utf-8")) - allowed
        assert not extra, f"{file.name} imports from {sorted(extra)}"


def test_no_files_import_one_another_in_a_circle() -> None:
    """Neither by an import within a function, nor by one that is made for types alone."""
    sources = {
        ".".join(file.relative_to(PACKAGE.parent).with_suffix("").parts): file.read_text("utf-8")
        for file in FILES
        if file.stem != "__init__"
    }
    assert circle(sources) == []


def test_the_check_sees_a_breach() -> None:
    assert imported_rooms("from lawnscore.report import charts") == {"report"}
    assert imported_rooms("from lawnscore.photo import read") == {"photo"}


@pytest.mark.parametrize(
    "hidden",
    [
        "def f():\n    from lawnscore.a import x",
        "from lawnscore import a",
        "if TYPE_CHECKING:\n    import lawnscore.a",
    ],
)
def test_the_check_sees_a_hidden_circle(hidden: str) -> None:
    assert circle({"lawnscore.a": "from lawnscore.b import y", "lawnscore.b": hidden})
