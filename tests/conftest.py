"""What tests of several rooms share: one browser, as two cannot run in one process; one thread."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    # The tests run in as many processes as there are cores: threads of theirs would wait for one
    # another, twenty times as long as they compute. Read where NumPy is loaded, so set here.
    os.environ.setdefault(_name, "1")

CHROMIUM = Path("/usr/bin/chromium")

SHARED = {"written": "reports", "small_demo": "demo"}
"""Fixtures that are dear to make, and the group of the tests that share one."""

FIRST = ("demo", "test_kills.py", "reports")
"""Groups that take longest; begun first, so that none is left alone at the end."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Where tests run in several processes, keep in one what shares a fixture, or else a file."""
    groups = {item.nodeid: _group(item) for item in items}
    for item in items:
        item.add_marker(pytest.mark.xdist_group(groups[item.nodeid]))
    order = {name: place for place, name in enumerate(FIRST)}
    items.sort(key=lambda item: order.get(groups[item.nodeid], len(order)))


def _group(item: pytest.Item) -> str:
    names = getattr(item, "fixturenames", ())
    shared = [group for fixture, group in SHARED.items() if fixture in names]
    return shared[0] if shared else item.path.name


@pytest.fixture(scope="session")
def small_demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """The small demo round as its command makes it, and what that said; not to be changed."""
    from typer.testing import CliRunner

    from lawnscore.commands.main import build_app

    folder = tmp_path_factory.mktemp("demo") / "round"
    words = ["demo", str(folder), "--small", "--workers", "1", "--json"]
    return folder, CliRunner().invoke(build_app(), words)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    assert CHROMIUM.exists(), "install Debian's chromium"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=str(CHROMIUM),
            args=["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"],
        )
        yield started
        started.close()
