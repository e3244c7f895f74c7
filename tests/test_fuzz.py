"""Changed files bring out documented errors alone: a fixed budget from the kept corpus.

`benchmarks/robustness/fuzz.py` goes on for as long as it is let.
"""

from __future__ import annotations

import signal
import time
from pathlib import Path

import pytest

from benchmarks.robustness import fuzz

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGALRM"), reason="needs an alarm clock")
SLOW = {"photo": 60, "csv": 40, "backup": 100, "cgats": 100}
"""Inputs a reader; each of these takes 10 to 50 ms. The others take 300."""


@pytest.mark.parametrize("reader", fuzz.READERS, ids=lambda reader: reader.name)
def test_only_documented_errors_come_out(reader: fuzz.Reader) -> None:
    n_inputs = SLOW.get(reader.name, 300)
    count, lines, _ = fuzz.fuzz(reader, seconds=60, n=n_inputs, seed=7)
    assert count == n_inputs
    assert lines > 10


def test_the_corpus_is_small_and_read(tmp_path: Path) -> None:
    files = [path for path in fuzz.CORPUS.rglob("*") if path.is_file()]
    assert {path.parent.name for path in files} <= {reader.name for reader in fuzz.READERS}
    assert sum(path.stat().st_size for path in files) < 300_000


def test_a_find_is_found(tmp_path: Path) -> None:
    def careless(data: bytes, _folder: Path) -> object:
        return {b"x": 1}[data[:1]]

    bad = fuzz.Reader("careless", careless, (ValueError,), lambda: [b"xyz"])
    with pytest.raises(fuzz.Find, match="KeyError") as found:
        fuzz.fuzz(bad, seconds=10, n=100_000)
    assert found.value.args[1][:1] != b"x"


def test_only_the_memory_of_the_input_itself_counts() -> None:
    def reading(n_bytes: int) -> None:
        reader = fuzz.Reader("some", lambda *_: len(b"x" * n_bytes), (), lambda: [b""])
        fuzz.feed(reader, b"", Path())

    too_much = fuzz.BYTES_MAX + 50_000_000
    with pytest.raises(fuzz.Find, match="memory"):
        reading(too_much)
    reading(1000)


def test_an_input_that_takes_too_long_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fuzz, "SECONDS_MAX", 1)
    slow = fuzz.Reader("slow", lambda *_: time.sleep(60), (), lambda: [b""])
    with pytest.raises(fuzz.Find, match="more than 1 s"):
        fuzz.feed(slow, b"", Path())
