"""What has been scored already: kept by content, committed at once, rebuilt when damaged."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from threading import Event, Thread

import numpy as np
import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.register import lock
from lawnscore.scoring.ledger import FILE_NAME, FOLDER, SCHEMA_VERSION, Ledger, Method, locked

METHOD = Method("0.1.0", "1234abcd", "auto")
LATER_NS = 10_000_000_000


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"one")
    return path


def test_a_score_is_kept_by_content_and_method(tmp_path: Path) -> None:
    row = {"green_cover_pct": 61.25, "straw_cover_pct": float("nan"), "n": np.int64(3)}
    with Ledger(tmp_path) as ledger:
        ledger.keep_score("ab", METHOD, row, {"polygon": np.eye(2)})
    with Ledger(tmp_path) as ledger:
        assert ledger.score("ab", METHOD) == {
            "green_cover_pct": 61.25,
            "straw_cover_pct": None,
            "n": 3,
        }
        assert ledger.score("cd", METHOD) is None
        for other in (
            Method("0.2.0", "1234abcd", "auto"),
            Method("0.1.0", "1234abce", "auto"),
            Method("0.1.0", "1234abcd", "measured"),
        ):
            assert ledger.score("ab", other) is None
        assert next(iter(ledger.extras(METHOD)))[2] == {"polygon": [[1.0, 0.0], [0.0, 1.0]]}


def test_numbers_come_back_exactly(tmp_path: Path) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.keep_score("ab", METHOD, {"x": 0.1 + 0.2})
        assert ledger.score("ab", METHOD) == {"x": 0.1 + 0.2}


def test_an_unchanged_file_need_not_be_hashed_again(tmp_path: Path, photo: Path) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.keep_hash("a.jpg", photo, "ab", hashed_ns=time.time_ns() + LATER_NS)
        assert ledger.known_hash("a.jpg", photo) == "ab"
        assert ledger.known_hash("b.jpg", photo) is None


def test_a_file_just_written_is_hashed_again(tmp_path: Path, photo: Path) -> None:
    # It may change once more within the clock tick of the file system.
    with Ledger(tmp_path) as ledger:
        ledger.keep_hash("a.jpg", photo, "ab", hashed_ns=time.time_ns())
        assert ledger.known_hash("a.jpg", photo) is None


def test_a_change_is_seen_even_when_size_and_time_are_the_same(tmp_path: Path, photo: Path) -> None:
    status = photo.stat()
    with Ledger(tmp_path) as ledger:
        ledger.keep_hash("a.jpg", photo, "ab", hashed_ns=time.time_ns() + LATER_NS)
        time.sleep(0.02)
        photo.write_bytes(b"two")
        os.utime(photo, ns=(status.st_atime_ns, status.st_mtime_ns))
        assert photo.stat().st_mtime_ns == status.st_mtime_ns
        assert ledger.known_hash("a.jpg", photo) is None


def test_files_that_are_gone_are_forgotten(tmp_path: Path, photo: Path) -> None:
    with Ledger(tmp_path) as ledger:
        for name in ("a.jpg", "b.jpg"):
            ledger.keep_hash(name, photo, "ab", hashed_ns=time.time_ns() + LATER_NS)
        ledger.forget_files_except({"a.jpg"})
        assert ledger.known_hash("a.jpg", photo) == "ab"
        assert ledger.known_hash("b.jpg", photo) is None


@pytest.mark.parametrize("content", [b"no ledger at all, but text" * 100, b"SQLite format 3\0"])
def test_a_damaged_ledger_is_set_aside(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FOLDER).mkdir()
    (tmp_path / FOLDER / FILE_NAME).write_bytes(content)
    with Ledger(tmp_path) as ledger:
        assert "damaged" in ledger.problem
        assert "\n" not in ledger.problem
        ledger.keep_score("ab", METHOD, {})
    kept = tmp_path / FOLDER / "ledger-damaged-1.sqlite3"
    assert kept.read_bytes() == content
    with Ledger(tmp_path) as ledger:
        assert ledger.problem == ""
        assert ledger.score("ab", METHOD) == {}


def test_a_ledger_damaged_within_is_noticed(tmp_path: Path) -> None:
    with Ledger(tmp_path) as ledger:
        for number in range(2000):
            ledger.keep_score(f"{number:064d}", METHOD, {"x": number})
    path = tmp_path / FOLDER / FILE_NAME
    data = bytearray(path.read_bytes())
    data[8192:12288] = bytes(range(256)) * 16
    path.write_bytes(data)
    with Ledger(tmp_path) as ledger:
        assert "damaged" in ledger.problem


def test_a_ledger_of_another_version_is_set_aside(tmp_path: Path) -> None:
    with Ledger(tmp_path) as ledger:
        path = ledger.path
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    db.close()
    with Ledger(tmp_path) as ledger:
        assert "another program version" in ledger.problem


def test_a_ledger_with_other_columns_is_set_aside(tmp_path: Path) -> None:
    (tmp_path / FOLDER).mkdir()
    db = sqlite3.connect(tmp_path / FOLDER / FILE_NAME)
    db.execute("CREATE TABLE files (name TEXT)")
    db.commit()
    db.close()
    with Ledger(tmp_path) as ledger:
        assert "other columns" in ledger.problem


def test_only_one_run_at_a_time(tmp_path: Path) -> None:
    code = (
        "import sys, time\n"
        "from lawnscore.scoring.ledger import locked\n"
        f"with locked({str(tmp_path)!r}):\n"
        "    print('held', flush=True)\n"
        "    time.sleep(30)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with (
            pytest.raises(LawnscoreError, match="another run is at work on this round"),
            locked(tmp_path),
        ):
            pass
        other.kill()  # the lock goes with the process, even so
        other.wait()
    with locked(tmp_path):
        pass


def test_a_second_run_waits_a_moment_for_the_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lock, "_PATIENCE_S", 30 * lock._PATIENCE_S)  # of a busy machine
    held, done = Event(), []

    def first() -> None:
        with locked(tmp_path):
            held.set()
            time.sleep(0.3)
            done.append("first")

    other = Thread(target=first)
    other.start()
    assert held.wait(30)
    with locked(tmp_path):
        done.append("second")
    other.join()
    assert done == ["first", "second"]


def test_a_damaged_lock_is_made_anew(tmp_path: Path) -> None:
    (tmp_path / FOLDER).mkdir()
    (tmp_path / FOLDER / "lock.sqlite3").write_bytes(b"nonsense" * 200)
    with locked(tmp_path):
        pass


def test_a_place_that_cannot_be_written_is_said_in_one_line(tmp_path: Path) -> None:
    (tmp_path / FOLDER).write_text("a file where the folder should be")
    with pytest.raises(LawnscoreError, match="cannot be made"):
        Ledger(tmp_path)
    with pytest.raises(LawnscoreError, match="cannot be made"), locked(tmp_path):
        pass


@pytest.mark.parametrize("bad", ["{broken", "[]", "{}", '{"x": 72}', ""])
def test_a_row_that_changed_on_the_disk_is_not_believed(tmp_path: Path, bad: str) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.keep_score("ab", METHOD, {"x": 71})
        path = ledger.path
    with sqlite3.connect(path) as db:
        db.execute("UPDATE scores SET row = ?", (bad,))
    db.close()
    with Ledger(tmp_path) as ledger:
        assert ledger.score("ab", METHOD) is None
        assert list(ledger.extras(METHOD)) == []
        assert "1 row" in ledger.problem
        assert "scored anew" in ledger.problem
        ledger.keep_score("ab", METHOD, {"x": 71})
        assert ledger.score("ab", METHOD) == {"x": 71}


def test_a_hash_that_changed_on_the_disk_is_not_believed(tmp_path: Path, photo: Path) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.keep_hash("a.jpg", photo, "ab", hashed_ns=time.time_ns() + LATER_NS)
        path = ledger.path
    with sqlite3.connect(path) as db:
        db.execute("UPDATE files SET sha256 = 'cd'")
    db.close()
    with Ledger(tmp_path) as ledger:
        assert ledger.known_hash("a.jpg", photo) is None


def test_no_score_says_where_a_photo_lies_or_when_it_was_scored(tmp_path: Path) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.keep_score("ab", METHOD, {"photo": "/home/somebody/a.jpg", "x": 1})
        path = ledger.path
    assert b"somebody" not in path.read_bytes()


def test_what_is_forgotten_is_gone_from_the_file(tmp_path: Path) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.keep_score("ab", METHOD, {"x": "a-word-to-look-for"})
        ledger.keep_score("cd", METHOD, {"x": 2})
        ledger.forget_scores_except({"cd"})
        assert ledger.score("ab", METHOD) is None
        assert ledger.score("cd", METHOD) == {"x": 2}
        folder = ledger.path.parent
    kept = b"".join(p.read_bytes() for p in folder.iterdir())
    assert b"a-word-to-look-for" not in kept


def test_ledger_and_lock_are_for_their_owner_alone(tmp_path: Path) -> None:
    with locked(tmp_path), Ledger(tmp_path) as ledger:
        ledger.keep_score("ab", METHOD, {})
        made = [tmp_path / FOLDER, *(tmp_path / FOLDER).iterdir()]
        assert [p for p in made if p.stat().st_mode & 0o077] == []
