"""What tests of several rooms share: one browser, since two cannot run in one process."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")


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
