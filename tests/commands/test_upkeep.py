"""`forget`, `backup`, `restore`, `doctor`, the log of a round, `-v` and `-q`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.register import round_log
from lawnscore.register.round_log import note
from lawnscore.scoring.batch import score_round
from tests.scoring.rounds import VISIT, Counting, new_round, put_photo


def run(*words: object, typed: str | None = None) -> Result:
    return CliRunner().invoke(build_app(), [str(word) for word in words], input=typed)


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    put_photo(made)
    return made


def entries(base: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (base / ".lawnscore/log.jsonl").read_text().splitlines()]


def test_there_and_back(base: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.zip"
    assert "read back and compared" in run("backup", base, out).stdout
    assert run("restore", out, tmp_path / "back").exit_code == 0
    assert (tmp_path / "back" / VISIT / "a.jpg").read_bytes() == (
        base / VISIT / "a.jpg"
    ).read_bytes()
    assert json.loads(run("backup", base, out, "--json").stdout)["left_out"] == []


def test_nobody_is_forgotten_unasked(base: Path) -> None:
    refused = run("forget", base, "oak-lane")
    assert isinstance(refused.exception, LawnscoreError)
    assert "oak-lane" in (base / "lawns.csv").read_text()
    done = run("forget", base, "oak-lane", "--yes", "--json")
    assert json.loads(done.stdout)["photos_left"] == 1
    assert "oak-lane" not in (base / "lawns.csv").read_text()


def test_the_check_up_ends_with_its_status(base: Path) -> None:
    assert run("doctor", base).exit_code == 0
    put_photo(base, visit="photos/oak-lane")
    mended = run("doctor", base, "--json")
    assert mended.exit_code == 1
    assert [one["what"] for one in json.loads(mended.stdout) if not one["well"]] == ["places"]


def test_the_log_says_what_was_done_without_names(base: Path) -> None:
    run("score", base)
    run("score", base / "nowhere")
    (score,) = entries(base)
    assert (score["what"], score["photos"], score["refused"], score["ended"]) == (
        "score",
        1,
        1,
        "well",
    )
    assert {"when", "version", "method", "settings", "seconds"} <= score.keys()
    run("report", base, "--pictures", "none")
    assert [entry["what"] for entry in entries(base)] == ["score", "report"]
    assert "oak" not in (base / ".lawnscore/log.jsonl").read_text()


def test_the_log_says_how_a_run_ended(base: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        score_round(base, scorer=Counting(stop_at=1))
    assert entries(base)[-1]["ended"] == "KeyboardInterrupt"


def test_a_log_that_cannot_be_written_ends_no_run(base: Path) -> None:
    (base / ".lawnscore" / "log.jsonl").mkdir(parents=True)
    assert score_round(base, scorer=Counting()).n_scored == 1


def test_a_full_log_gives_way(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (base / ".lawnscore").mkdir()
    monkeypatch.setattr(round_log, "FILE_BYTES_MAX", 300)
    for number in range(40):
        note(base, "tried", number=number)
    logs = sorted(p.name for p in (base / ".lawnscore").glob("log*"))
    assert logs == ["log.jsonl", "log.jsonl.1", "log.jsonl.2", "log.jsonl.3"]
    assert entries(base)[-1]["number"] == 39
    assert all(p.stat().st_size < 500 for p in (base / ".lawnscore").glob("log*"))


def test_loud_and_quiet(base: Path) -> None:
    plain = run("score", base)
    assert "1 of 1" in plain.stderr
    loud = run("-v", "score", base)
    assert "score: ended well" in loud.stderr
    (base / VISIT / "b.jpg").write_bytes((base / VISIT / "a.jpg").read_bytes() + b"x")
    quiet = run("-q", "score", base)
    assert quiet.stderr == ""
    assert "2 photos" in quiet.stdout
