"""What some tests need beside the program; in continuous integration it must be there."""

from __future__ import annotations

import os
from importlib import import_module
from typing import Any

import pytest


def needed(module: str, extra: str) -> Any:
    """Return a module, or skip the tests of this file with words; never skip where ``CI`` is set.

    Parameters
    ----------
    module
        What is imported.
    extra
        What to install for it.
    """
    try:
        return import_module(module)
    except ImportError:
        missing(f"{module} is not installed: pip install '{extra}'")


def missing(words: str) -> None:
    """Skip with words, or fail with them where ``CI`` is set."""
    if os.environ.get("CI"):
        pytest.fail(words)
    pytest.skip(words, allow_module_level=True)
