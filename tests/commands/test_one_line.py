"""What people meet on a bad day is one line and a status, never a traceback or a wait."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lawnscore.commands.main import run
from tests.report.invented import RoundMaker, write_round
from tests.scoring.rounds import VISIT, new_round, put_photo

ROOT = Path(__file__).parents[2]


def scored_round(folder: Path) -> Path:
    """Return a round as scoring leaves it, with one lawn and no photos."""
    maker = RoundMaker()
    maker.lawn("A", n_visits=2, renovate=False)
    return write_round(folder, maker.frames())


def lawnscore(*words: object, expect: int = 2, seconds: float = 20.0) -> str:
    """Run a command as a process; return its standard error, which holds no traceback."""
    code = "from lawnscore.commands.main import run\nif __name__ == '__main__': run()"
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=seconds,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    assert done.returncode == expect, done.stderr
    return done.stderr


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    put_photo(made)
    return made


def test_a_card_file_of_zeros_is_refused_at_once(base: Path) -> None:
    (base / "card.txt").write_bytes(b"\0" * 3_000_000)
    (base / "round.toml").write_text('[scoring]\ncard = "card.txt"\n')
    started = time.monotonic()
    assert "card.txt" in lawnscore("score", base)
    assert time.monotonic() - started < 15
    (base / "card.txt").write_bytes(b"\0" * 3000)
    assert "not a text file" in lawnscore("score", base)


@pytest.mark.parametrize("bracket", ["[", "{"])
def test_text_nested_too_deep_is_one_line(base: Path, bracket: str) -> None:
    deep = {"[": "[" * 20_000 + "]" * 20_000, "{": '{"a":' * 20_000 + "1" + "}" * 20_000}[bracket]
    (base / "card.json").write_text(deep)
    (base / "round.toml").write_text('[scoring]\ncard = "card.json"\n')
    assert "nested too deep" in lawnscore("score", base)
    (base / "round.toml").write_text(f"x = {'[' * 20_000 + ']' * 20_000}\n")
    assert "nested too deep" in lawnscore("score", base)


def test_dates_beyond_reason_are_one_line(base: Path) -> None:
    said = lawnscore("next", base, "--today", "9999-12-31")
    assert "`9999-12-31` is not in the years" in said
    (base / "phone").mkdir()
    offset = ("--clock-offset", "+99999999999999d")
    assert "more than 40 years" in lawnscore("file", base, base.parent, *offset)
    put_photo(base, visit="photos/oak-lane/front/9999-12-31-check")
    (base / "work.csv").write_text("date,lawn,zone,task\n9999-12-31,oak-lane,front,scarify\n")
    lawnscore("score", base, expect=1)


@pytest.mark.parametrize(("cell", "status"), [("x" * 131_073, 0), ('"' + "y" * 200_000, 1)])
def test_a_cell_of_any_length_is_read_or_told(base: Path, cell: str, status: int) -> None:
    text = f"lawn,zone,area_m2,notes\noak-lane,front,120,{cell}\nelm-row,all,80,\n"
    (base / "lawns.csv").write_text(text)
    lawnscore("check", base, expect=status)


def test_a_pipe_as_logo_is_not_waited_for(tmp_path: Path) -> None:
    base = scored_round(tmp_path)
    os.mkfifo(base / "logo.png")
    (base / "round.toml").write_text('[report]\nlogo = "logo.png"\n')
    assert "not a picture" in lawnscore("report", base, "--pictures", "none")


def test_reports_that_is_a_file_is_one_line(base: Path) -> None:
    (base / "reports").write_text("mine")
    for words in (("score", base), ("report", base), ("history", base)):
        lawnscore(*words)
    assert (base / "reports").read_text() == "mine"


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EIO])
@pytest.mark.parametrize(
    "words", [("score", "BASE"), ("report", "BASE"), ("next", "BASE", "--ics", "OUT")]
)
def test_a_disk_that_cannot_be_written_is_one_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    number: int,
    words: tuple[str, ...],
) -> None:
    base = scored_round(tmp_path / "round")
    named = {"BASE": str(base), "OUT": str(tmp_path / "v.ics")}
    monkeypatch.setattr("sys.argv", ["lawnscore", *(named.get(word, word) for word in words)])
    real = os.open

    def full(path: object, flags: int, *args: object, **options: object) -> int:
        if flags & (os.O_CREAT | os.O_TRUNC) and str(path).startswith(str(tmp_path)):
            raise OSError(number, os.strerror(number), str(path))
        return real(path, flags, *args, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert os.strerror(number) in said
    assert len(said.strip().splitlines()) == 1


def test_an_error_of_the_disk_anywhere_is_one_line(
    base: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_args: object, **_options: object) -> None:
        raise OSError(errno.EIO, "Input/output error", str(base / VISIT))

    monkeypatch.setattr("lawnscore.scoring.batch.open_round", broken)
    monkeypatch.setattr("sys.argv", ["lawnscore", "score", str(base)])
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 2
    assert "Input/output error" in capsys.readouterr().err


def test_a_command_begins_by_keeping_what_it_writes_to_its_owner(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """For whatever a library writes on its own; our own files have their mode besides."""
    monkeypatch.setattr("sys.argv", ["lawnscore", "--version"])
    before = os.umask(0)
    try:
        with pytest.raises(SystemExit):
            run()
        assert os.umask(0) == 0o077
    finally:
        os.umask(before)
