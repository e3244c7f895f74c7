"""The commands that write are killed, starved and crowded, and nothing is lost; a small share.

`benchmarks/robustness/kills.py` does it at every step and at hundreds of random moments.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from benchmarks.robustness import kills, kills_round
from benchmarks.robustness.kills_round import CASES, Case

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that are forked"),
    pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning"),
]
EACH = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


@EACH
def test_a_kill_at_any_step_loses_nothing(case: Case) -> None:
    fewest = 4 if case.name == "points" else 8  # of which there are no more
    assert kills.at_each_step(case, most=8).n >= fewest


@EACH
@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EROFS], ids=errno.errorcode.get)
def test_a_disk_that_cannot_be_written_loses_nothing(case: Case, error: int) -> None:
    assert kills.at_each_step(case, most=3, error=error).n == 3


@EACH
def test_two_at_once_lose_nothing(case: Case) -> None:
    kills.two_at_once(case, n=2)


def test_the_harness_sees_a_loss(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def careless(base: Path) -> None:
        kills_round.score(base)
        table = base / "reports" / "photo_scores.csv"
        data = table.read_bytes()
        table.unlink()
        with table.open("wb") as file:
            file.write(data[:100])
            file.flush()
            os.mkdir(base / "reports" / "step")  # noqa: PTH102 - a step at which it is killed
            os.rmdir(base / "reports" / "step")  # noqa: PTH106
            file.write(data[100:])

    case = Case("score", kills_round.prepare_score, careless, kills_round.tables_of)
    with pytest.raises(kills.Lost, match="half a table"):
        kills.at_each_step(case, most=sys.maxsize)
