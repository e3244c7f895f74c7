"""The table of speed: what it calls met, what it calls missed, and that its parts run."""

from __future__ import annotations

import pytest

from benchmarks.speed import __main__ as table
from benchmarks.speed.figures import PARTS, Figure


@pytest.mark.parametrize(
    ("measured", "target", "least", "verdict"),
    [
        (0.3, 0.3, False, "met"),
        (0.31, 0.3, False, "MISSED"),
        (1.85, 1.85, True, "met"),
        (1.84, 1.85, True, "MISSED"),
        (5.0, None, False, ""),
    ],
)
def test_a_figure_is_met_or_missed(
    measured: float, target: float | None, least: bool, verdict: str
) -> None:
    assert Figure("x", measured, "s", target, least).verdict == verdict


def test_a_line_says_what_target_and_verdict() -> None:
    words = table.line(Figure("two processes, of one", 1.7, "times", 1.85, least=True)).split()
    assert words[-5:] == ["1.70", "times", ">=", "1.85", "MISSED"]


def test_a_part_is_measured_in_a_process_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    assert table.main(["--quick", "--only", "start", "--only", "history"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].startswith("`lawnscore --help`")
    assert lines[1].split()[-1] in ("met", "MISSED")
    assert [line.split()[2:4] for line in lines[2:]] == [["300", "visit"]] * 2 + [
        ["3,000", "visit"]
    ] * 2


def test_a_part_that_fails_is_said_and_the_others_go_on(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    found = {"start": "no Python", "batch": [Figure("a batch", 1.1, "times", 1.15)]}
    monkeypatch.setattr(table, "measured", lambda part, quick: found[part])
    assert table.main(["--only", "start", "--only", "batch"]) == 1
    out = capsys.readouterr().out
    assert "start: not measured (no Python)" in out
    assert out.splitlines()[-1].endswith("met")


def test_every_part_of_the_issue_has_its_name() -> None:
    assert list(PARTS) == [
        "start", "photo", "plain", "large", "batch", "unchanged", "history", "million", "reports",
        "demo",
    ]  # fmt: skip
