"""A backup holds every file of a round, and comes back only when every file is as it was."""

from __future__ import annotations

import json
import os
import shutil
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lawnscore.contract.errors import LawnscoreError
from lawnscore.scoring.batch import score_round
from lawnscore.upkeep.backup import LIST, back_up, restore
from tests.scoring.rounds import VISIT, Counting, new_round, put_photo


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = new_round(tmp_path_factory.mktemp("backup") / "round")
    (made / "customers.csv").write_text("customer,email\noak-lane,oak@example.org\n")
    (made / "reports" / "outbox").mkdir(parents=True)
    (made / "reports" / "outbox" / "2026-05-01-oak-lane.eml").write_bytes(b"From: me\r\n\r\n")
    (made / "reports" / "sent.csv").write_text("date,customer,lawn,visit,file,sha256\n")
    put_photo(made, "a.jpg")
    put_photo(made, os.fsdecode(b"odd \xff.jpg"), seed=2)
    put_photo(made, "ü 🌱.jpg", seed=3)
    (made / "notes.txt").write_text("")
    (made / VISIT / "away.jpg").symlink_to("/nowhere")
    score_round(made, scorer=Counting(), today="2026-05-02")
    return made


@pytest.fixture(scope="module")
def archive(base: Path) -> Path:
    return back_up(base, base.parent / "out.zip").path


def contents(base: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(base)): p.read_bytes()
        for p in base.rglob("*")
        if p.is_file() and not p.is_symlink() and ".sqlite3" not in p.name and p.name != "log.jsonl"
    }


def test_a_round_comes_back_as_it_was(base: Path, archive: Path, tmp_path: Path) -> None:
    back = tmp_path / "back"
    done = restore(archive, back)
    assert contents(back) == contents(base)
    assert done.n_files > 12
    photo = back / VISIT / "a.jpg"
    assert photo.stat().st_mtime_ns == (base / VISIT / "a.jpg").stat().st_mtime_ns
    assert photo.stat().st_mode & 0o077 == 0
    again = Counting()
    score_round(back, scorer=again, today="2026-05-02")
    assert again.calls == []  # the ledger came along
    assert [p.name for p in tmp_path.iterdir()] == ["back"]


def test_links_are_left_out_and_said(base: Path) -> None:
    done = back_up(base, base.parent / "other.zip")
    assert done.left_out == (f"{VISIT}/away.jpg",)
    assert done.path.stat().st_mode & 0o077 == 0


def test_a_backup_is_a_plain_zip(base: Path, archive: Path) -> None:
    with zipfile.ZipFile(archive) as opened:
        assert opened.testzip() is None
        assert opened.read(f"{VISIT}/a.jpg") == (base / VISIT / "a.jpg").read_bytes()


def test_an_older_backup_is_written_anew_and_anything_else_is_not(
    base: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out.zip"
    back_up(base, out)
    back_up(base, out)
    with zipfile.ZipFile(tmp_path / "mine.zip", "w") as mine:
        mine.writestr("a", "b")
    for name in ("mine.zip", "mine.tar"):
        with pytest.raises(LawnscoreError):
            back_up(base, tmp_path / name)


def test_a_place_that_is_taken_is_left_alone(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("x")
    with pytest.raises(LawnscoreError, match="there already"):
        restore(archive, tmp_path)
    with pytest.raises(LawnscoreError, match="no such backup"):
        restore(tmp_path / "no.zip", tmp_path / "new")


def rewritten(archive: Path, out: Path, change: dict[str, object]) -> Path:
    """Return a copy of a backup in which the first file's entry in the list is changed."""
    with zipfile.ZipFile(archive) as old, zipfile.ZipFile(out, "w") as new:
        for info in old.infolist():
            data = old.read(info)
            if info.filename == LIST:
                about = json.loads(data)
                about["files"][0] |= change
                data = json.dumps(about).encode()
            new.writestr(info, data)
    return out


@pytest.mark.parametrize(
    "change",
    [
        {"path": "../outside.txt"},
        {"path": "/tmp/outside.txt"},
        {"path": "C:\\outside.txt"},
        {"path": "a/../../b"},
        {"path": ""},
        {"sha256": "00"},
        {"size": -1},
        {"size": 3},
        {"size": 10**18},
        {"entry": "not there"},
        {"entry": 7},
        {"modified_ns": "x"},
    ],
    ids=str,
)
def test_a_list_that_was_tampered_with_restores_nothing(
    archive: Path, tmp_path: Path, change: dict[str, object]
) -> None:
    bad = rewritten(archive, tmp_path / "bad.zip", change)
    with pytest.raises(LawnscoreError):
        restore(bad, tmp_path / "deep" / "new")
    left = [p for p in tmp_path.rglob("*") if p.is_file()]
    assert left == [bad]


@given(st.integers(0, 10**9), st.integers(1, 255))
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_changed_byte_goes_unseen(archive: Path, tmp_path: Path, place: int, by: int) -> None:
    data = bytearray(archive.read_bytes())
    data[place % len(data)] ^= by
    bad = tmp_path / "bad.zip"
    bad.write_bytes(data)
    new = tmp_path / "new"
    try:
        restore(bad, new)
    except LawnscoreError as error:
        assert len(error.line().splitlines()) == 1
        assert not new.exists()
    else:  # a byte that means nothing, such as a date of an entry: all files are as they were
        other = tmp_path / "good"
        restore(archive, other)
        assert contents(new) == contents(other)
        shutil.rmtree(new)
        shutil.rmtree(other)


def test_a_cut_off_backup_restores_nothing(archive: Path, tmp_path: Path) -> None:
    data = archive.read_bytes()
    for n in (0, 10, len(data) // 2, len(data) - 5):
        (tmp_path / "cut.zip").write_bytes(data[:n])
        with pytest.raises(LawnscoreError, match="not a sound backup"):
            restore(tmp_path / "cut.zip", tmp_path / "new")
