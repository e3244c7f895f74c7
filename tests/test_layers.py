"""A module imports only from its own room and from rooms before it."""

from __future__ import annotations

import ast
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


def imported_rooms(source: str) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
        elif isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
    return {n.split(".")[1] for n in names if n.startswith("lawnscore.")}


@pytest.mark.parametrize("room", ROOMS)
def test_room_imports_only_from_rooms_before_it(room: str) -> None:
    allowed = set(ROOMS[: ROOMS.index(room) + 1])
    files = sorted((PACKAGE / room).rglob("*.py"))
    assert files
    for file in files:
        extra = imported_rooms(file.read_text(encoding="utf-8")) - allowed
        assert not extra, f"{file.name} imports from {sorted(extra)}"


def test_the_check_sees_a_breach() -> None:
    assert imported_rooms("from lawnscore.report import charts") == {"report"}
