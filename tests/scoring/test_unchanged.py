"""An unchanged round is not counted again; anything that could change a table is noticed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from lawnscore.scoring import batch
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.summary import ScoreSummary, summary_lines
from lawnscore.scoring.unchanged import STATE
from tests.scoring.rounds import VISIT, Counting, new_round, put_photo

TODAY = "2026-05-02"


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    for number in range(2):
        put_photo(made, f"p{number}.jpg", seed=number)
    (made / VISIT / "text.jpg").write_text("no photo")
    score_round(made, scorer=Counting(), today=TODAY)
    return made


def again(
    base: Path, monkeypatch: pytest.MonkeyPatch, **options: object
) -> tuple[ScoreSummary, int]:
    """Score once more; return what was found, and how often the history was worked out."""
    n = []
    real = batch._history
    monkeypatch.setattr(batch, "_history", lambda *args: (n.append(1), real(*args))[1])
    summary = score_round(base, scorer=Counting(), **{"today": TODAY, **options})
    return summary, len(n)


def test_an_unchanged_round_says_the_same_without_working_it_out(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("lawns.csv", "round.toml"):
        (base / name).write_bytes((base / name).read_bytes())
    monkeypatch.setattr(batch, "keep_summary", lambda *_: None)
    (base / STATE).rename(base / "away.json")
    first, n = again(base, monkeypatch)
    assert n == 1
    (base / "away.json").rename(base / STATE)
    second, n = again(base, monkeypatch)
    assert n == 0
    assert summary_lines(second) == summary_lines(first)
    assert second.as_dict() == first.as_dict()


def other_table(base: Path) -> None:
    path = base / "reports" / "visit_scores.csv"
    path.write_text(path.read_text().replace("before", "after"))


def no_table(base: Path) -> None:
    (base / "reports" / "changes.csv").unlink()


def work(base: Path) -> None:
    (base / "work.csv").write_text("date,lawn,zone,task\n2026-05-01,oak-lane,front,scarify\n")


def moved(base: Path) -> None:
    new = base / VISIT.replace("before", "after")
    new.mkdir()
    (base / VISIT / "p0.jpg").rename(new / "p0.jpg")


def removed(base: Path) -> None:
    (base / VISIT / "p0.jpg").unlink()


def settings(base: Path) -> None:
    (base / "round.toml").write_text("[history]\nvisit_gap_days = 3\n")


def nonsense(base: Path) -> None:
    (base / STATE).write_text('{"inputs": 3}')


@pytest.mark.parametrize(
    "change",
    [other_table, no_table, work, moved, removed, settings, nonsense],
    ids=lambda c: c.__name__,
)
def test_a_change_is_noticed(
    base: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], None]
) -> None:
    change(base)
    assert again(base, monkeypatch)[1] == 1


def test_another_day_and_another_wish_are_noticed(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert again(base, monkeypatch, today="2026-05-03")[1] == 1
    assert again(base, monkeypatch, parquet=True)[1] == 1
    (base / "reports" / "changes.parquet").unlink()
    assert again(base, monkeypatch, parquet=True)[1] == 1
