"""The check-up says of each thing whether it is well, and finds what was broken on purpose."""

from __future__ import annotations

import os
import sqlite3
from importlib import metadata
from pathlib import Path
from types import SimpleNamespace

import pytest

from lawnscore.filing.journal import Journal
from lawnscore.scoring import batch
from lawnscore.scoring.batch import score_round
from lawnscore.upkeep import doctor
from lawnscore.upkeep.doctor import Finding, examine
from tests.filing.test_filing import NOW
from tests.scoring.rounds import VISIT, Counting, new_round, put_photo


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    put_photo(made)
    score_round(made, scorer=Counting(), today="2026-05-02")
    return made


def bad(base: Path, **options: bool) -> dict[str, Finding]:
    return {one.what: one for one in examine(base, **options) if not one.well}


def test_a_sound_round_and_installation_are_well(base: Path) -> None:
    assert bad(base, photos=True) == {}
    assert {one.what for one in examine()} == {"program", "packages", "photos", "fonts"}


def test_a_round_that_is_not_there_is_said(tmp_path: Path) -> None:
    assert "no such round" in bad(tmp_path / "nowhere")["round"].found


def test_what_is_wrong_with_a_round_is_found(base: Path) -> None:
    (base / "round.toml").write_text('[scoring]\ncard = "gone.txt"\n')
    put_photo(base, "loose.jpg", visit="photos/oak-lane")
    (base / "lawns.csv").write_text("lawn,zone,area_m2\noak-lane,front,many\n")
    (base / "reports" / ".lawnscore-1-00.part").write_text("half")
    (base / "reports" / "photo_scores.csv").chmod(0o644)
    (base / ".lawnscore" / "ledger-damaged-1.sqlite3").write_bytes(b"")
    Journal(base, now=NOW).copying(base / "x.jpg", "photos/oak-lane/all/a.jpg", "ab")
    found = bad(base)
    assert set(found) == {
        "card", "places", "register", "half-written files", "privacy", "ledger", "filing",
    }  # fmt: skip
    assert all(one.mend for one in found.values())


def test_a_ledger_that_changed_on_the_disk_is_found(base: Path) -> None:
    path = base / ".lawnscore" / "ledger.sqlite3"
    with sqlite3.connect(path) as db:
        db.execute("UPDATE scores SET row = '{}'")
    db.close()
    assert "1 changed" in bad(base)["ledger"].found
    path.write_bytes(b"nonsense" * 1000)
    assert "cannot be read" in bad(base)["ledger"].found


def test_a_photo_that_changed_without_being_written_is_found(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = base / VISIT / "a.jpg"
    os.utime(photo, (1, 1))
    real = batch.time.time_ns
    monkeypatch.setattr(batch.time, "time_ns", lambda: real() + 10_000_000_000)
    score_round(base, scorer=Counting(), today="2026-05-02")
    assert bad(base, photos=True) == {}
    monkeypatch.setattr("lawnscore.scoring.ledger._stamp", lambda _path: stamp)
    with sqlite3.connect(base / ".lawnscore" / "ledger.sqlite3") as db:
        stamp = db.execute("SELECT size, mtime_ns, ctime_ns, inode FROM files").fetchone()
    db.close()
    photo.write_bytes(photo.read_bytes()[:-1] + b"x")
    assert "a.jpg" in bad(base, photos=True)["originals"].found


def test_a_disk_that_is_nearly_full_is_found(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor.shutil, "disk_usage", lambda _: SimpleNamespace(free=400_000_000))
    assert bad(base)["space"].found == "0.4 GB free"


def test_a_round_that_cannot_be_written_is_found(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_path: Path, _data: bytes) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "write_bytes", refuse)
    assert "Permission denied" in bad(base)["rights"].found


def test_packages_that_are_old_or_not_there_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = ["numpy>=1.26", "scipy>=1.11", "gone>=2", 'pyarrow>=99; extra == "tables"']
    there = {"numpy": "1.20.0", "scipy": "1.14"}

    def version(name: str) -> str:
        if name not in there:
            raise metadata.PackageNotFoundError(name)
        return there[name]

    monkeypatch.setattr(metadata, "requires", lambda _: wanted)
    monkeypatch.setattr(metadata, "version", version)
    found = [(one.found, one.mend) for one in examine() if one.what == "packages"]
    assert found == [
        ("numpy 1.20.0", "Install numpy>=1.26."),
        ("gone is not installed", "Install gone>=2."),
    ]
    there |= {"numpy": "1.26.0", "gone": "2.1"}
    (well,) = [one for one in examine() if one.what == "packages"]
    assert (well.found, well.well) == ("all 3 are there", True)
