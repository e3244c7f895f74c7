from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from lawnscore import __version__
from lawnscore.photo import method


@pytest.fixture(autouse=True)
def _forget() -> Iterator[None]:
    method.method_version.cache_clear()
    yield
    method.method_version.cache_clear()


def test_a_version_names_program_and_method() -> None:
    said = method.method_version()
    assert said.startswith(f"{__version__}+")
    assert len(said.partition("+")[2]) == 10


def test_other_code_another_version(monkeypatch: pytest.MonkeyPatch) -> None:
    before = method.method_version()
    method.method_version.cache_clear()
    monkeypatch.setattr(method, "EDITION", method.EDITION + 1)
    assert method.method_version() != before


def test_other_weights_another_version(monkeypatch: pytest.MonkeyPatch) -> None:
    before = method.method_version()
    method.method_version.cache_clear()
    monkeypatch.setattr(method, "_WEIGHTS", ("class_net.onnx",))
    assert method.method_version() != before


def test_another_card_another_version(monkeypatch: pytest.MonkeyPatch) -> None:
    before = method.method_version()
    method.method_version.cache_clear()
    plain = method.card_design
    monkeypatch.setattr(
        method, "card_design", lambda n: replace(plain(n), patches=plain(n).patches[1:])
    )
    assert method.method_version() != before
