"""The audit asks about what lawnscore runs on; "not looked up" is not "nothing found"."""

from __future__ import annotations

import json
from importlib import metadata, util
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import ModuleType

import pytest

FILE = Path(__file__).parents[1] / ".ci" / "audit"


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    loader = SourceFileLoader("audit", str(FILE))
    spec = util.spec_from_loader("audit", loader)
    assert spec is not None
    module = util.module_from_spec(spec)
    loader.exec_module(module)
    return module


class Invented:
    """A package that is said to be installed."""

    def __init__(self, version: str, *requires: str) -> None:
        self.version, self.requires = version, list(requires)


PACKAGES = {
    "lawnscore": Invented(
        "0.1",
        "numpy>=1",
        "Fancy.Name[fast]>=2",
        'arrow; extra == "tables"',
        'pytest; extra == "test"',
    ),
    "numpy": Invented("1.26", 'old; python_version < "3"'),
    "fancy-name": Invented("2.1", 'speed; extra == "fast"', 'docs; extra == "docs"', "lawnscore"),
    "speed": Invented("3.0"),
    "arrow": Invented("16.0", "not-installed"),
}


def installed(name: str) -> Invented:
    if name not in PACKAGES:
        raise metadata.PackageNotFoundError(name)
    return PACKAGES[name]


def test_what_is_asked_about_is_what_the_program_runs_on(
    audit: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(metadata, "distribution", installed)
    assert audit.dependencies() == {
        "arrow": "16.0",
        "fancy-name": "2.1",
        "numpy": "1.26",
        "speed": "3.0",
    }


def said(*packages: dict[str, object]) -> str:
    return json.dumps({"dependencies": list(packages), "fixes": []})


SKIPPED = {"name": "numpy", "skip_reason": "not found"}
SOUND = {"name": "arrow", "version": "16.0", "vulns": []}


def weak(*fixes: str) -> dict[str, object]:
    return {
        "name": "speed",
        "version": "3.0",
        "vulns": [{"id": "X-1", "fix_versions": list(fixes)}],
    }


@pytest.mark.parametrize(
    ("text", "words", "status"),
    [
        ("", "LEFT OUT", 0),
        ("[]", "LEFT OUT", 0),
        (said(), "LEFT OUT", 0),
        (said(SKIPPED, SKIPPED), "LEFT OUT, the index here tells nothing", 0),
        (said(SKIPPED, SOUND), "1 of 4 packages looked up", 0),
        (said(SOUND, weak()), "speed 3.0: X-1, not mended yet", 0),
        (said(SOUND, weak("3.1", "4.0")), "speed 3.0: X-1, mended in 3.1, 4.0", 1),
    ],
)
def test_a_weakness_that_can_be_mended_fails_and_silence_is_no_finding(
    audit: ModuleType, text: str, words: str, status: int
) -> None:
    lines, code = audit.verdict(text, 4)
    assert words in "\n".join(lines)
    assert code == status


def test_every_extra_for_users_is_audited(audit: ModuleType) -> None:
    import tomllib

    project = tomllib.loads((FILE.parents[1] / "pyproject.toml").read_text())["project"]
    assert set(audit.EXTRAS) == set(project["optional-dependencies"]) - {"test", "dev"}
