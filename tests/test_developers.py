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
OF_THE_CHECKOUT = [*DOCUMENTS, *sorted(ROOT.glob("[a-z]*/README.md"))]
NOT_OF_ROUNDS = [ROOT / "DEVELOPERS.md", ROOT / "docs/ACCURACY.md", ROOT / "benchmarks/README.md"]
"""Pages whose every path lies in the checkout; the others name files of a round, too."""


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


def is_there(name: str, page: Path) -> bool:
    """Return whether a path that a page names lies in the checkout; a bare name may lie deeper."""
    for base in (ROOT, ROOT / "lawnscore", ROOT / "benchmarks", page.parent):
        if (base / name).exists():
            return True
    rooms = ("lawnscore", "benchmarks", "tests")
    return "/" not in name and any(any((ROOT / room).rglob(name)) for room in rooms)


@pytest.mark.parametrize("page", OF_THE_CHECKOUT, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_path_that_a_page_names_exists(page: Path) -> None:
    named = set(re.findall(r"`([\w.\-/]+)`", page.read_text(encoding="utf-8")))
    own = {name for name in named if name.endswith(".py")}
    if page in NOT_OF_ROUNDS:
        own |= {name for name in named if "/" in name and "DIR" not in name}
    assert {name for name in own if not is_there(name, page)} == set()


def commands(text: str) -> list[tuple[Path, list[str]]]:
    """Return the script and options of every `python ...` command of a page or docstring."""
    found = []
    for module, script, rest in re.findall(
        r"python3? (?:-m (benchmarks[\w.]+)|([\w/]+\.py))((?: +[\w\-./]+)*)", text
    ):
        path = Path(*module.split(".")) if module else Path(script)
        if module:  # a package is run by its __main__
            path = path / "__main__.py" if (ROOT / path).is_dir() else path.with_suffix(".py")
        found.append((path, re.findall(r"(?<= )--[\w-]+", rest)))
    return found


@pytest.mark.parametrize(
    "path",
    [*OF_THE_CHECKOUT, *sorted((ROOT / "benchmarks").rglob("*.py"))],
    ids=lambda p: str(p.relative_to(ROOT)),
)
def test_every_command_that_is_named_can_be_run_so(path: Path) -> None:
    for script, options in commands(path.read_text(encoding="utf-8")):
        assert (ROOT / script).is_file(), script
        source = (ROOT / script).read_text(encoding="utf-8")
        assert [o for o in options if o != "--help" and f'"{o}"' not in source] == [], script


def test_the_checks_see_what_is_not_there() -> None:
    assert not is_there("history/no_such.json", ROOT / "DEVELOPERS.md")
    assert is_there("history/change_errors.json", ROOT / "DEVELOPERS.md")
    assert commands("python -m benchmarks.speed.score --no-such  what for") == [
        (Path("benchmarks/speed/score.py"), ["--no-such"])
    ]
