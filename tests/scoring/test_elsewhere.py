"""A round on another computer, older photos on another disk: nothing is lost or scored twice."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pandas as pd
import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.places import round_hashes
from lawnscore.register.folder import open_round
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.check import check_round
from lawnscore.scoring.tables import read_table
from lawnscore.upkeep.backup import back_up
from lawnscore.upkeep.forget import forget_lawn
from tests.scoring.rounds import Counting, new_round, put_photo

TODAY = "2026-05-02"
OLD = "photos/oak-lane/front/2025-05-01-before"


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    put_photo(made, "old.jpg", seed=1, visit=OLD)
    put_photo(made, "new.jpg", seed=2)
    score_round(made, scorer=Counting(), today=TODAY)
    return made


def photos(base: Path) -> pd.DataFrame:
    return read_table(base, "photo_scores")


def moved(base: Path) -> Path:
    """Move last year's photos to another disk, as a person would."""
    disk = base.parent / "slow disk" / "photos"
    (disk / "oak-lane" / "front").mkdir(parents=True)
    shutil.move(base / OLD, disk / "oak-lane" / "front")
    text = (base / "round.toml").read_text()
    (base / "round.toml").write_text(f'{text}\n[photos]\nelsewhere = "{disk.as_posix()}"\n')
    return disk


def scored(base: Path) -> tuple[list[str], tuple[str, ...]]:
    scorer = Counting()
    summary = score_round(base, scorer=scorer, today=TODAY)
    return scorer.calls, summary.problems


def test_a_copied_round_is_not_scored_again(base: Path, tmp_path: Path) -> None:
    """Other path, other times, other inodes, as on a new laptop or from a synchronised folder."""
    copy = Path(shutil.copytree(base, tmp_path / "laptop" / "my round", copy_function=shutil.copy))
    for path in copy.rglob("*.jpg"):
        os.utime(path, (1_000_000_000, 1_000_000_000))
    before = (base / "reports" / "photo_scores.csv").read_bytes()
    assert scored(copy) == ([], ())
    assert (copy / "reports" / "photo_scores.csv").read_bytes() == before
    for path in copy.rglob("*.csv"):
        assert str(base) not in path.read_text()


def test_a_ledger_of_before_costs_only_what_it_lacks(base: Path) -> None:
    ledger = base / ".lawnscore" / "ledger.sqlite3"
    older = ledger.read_bytes()
    put_photo(base, "more.jpg", seed=3)
    assert scored(base)[0] == ["more.jpg"]
    for beside in ledger.parent.glob("ledger.sqlite3-*"):
        beside.unlink()
    ledger.write_bytes(older)  # as a program that synchronises would bring it back
    assert scored(base)[0] == ["more.jpg"]
    assert len(photos(base)) == 3


def test_a_ledger_with_the_journal_of_another_is_never_believed_wrongly(base: Path) -> None:
    other = new_round(base.parent / "other")
    put_photo(other, "b.jpg", seed=9)
    score_round(other, scorer=Counting(), today=TODAY)
    before = photos(base)
    for tail in ("-wal", "-shm"):
        source = other / ".lawnscore" / f"ledger.sqlite3{tail}"
        data = source.read_bytes() if source.exists() else b"\x37\x7f\x06\x82" + bytes(60)
        (base / ".lawnscore" / f"ledger.sqlite3{tail}").write_bytes(data)
    scored(base)
    pd.testing.assert_frame_equal(photos(base), before)


def test_moved_photos_keep_path_row_and_score(base: Path) -> None:
    before = photos(base)
    disk = moved(base)
    assert scored(base) == ([], ())
    pd.testing.assert_frame_equal(photos(base), before)
    opened = open_round(base)
    assert opened.photos[0].relative == f"{OLD}/old.jpg"
    assert opened.photos[0].path == disk / "oak-lane/front/2025-05-01-before/old.jpg"


def test_a_missing_disk_is_said_and_drops_no_row(base: Path) -> None:
    before, visits = photos(base), read_table(base, "visit_scores")
    disk = moved(base)
    disk.rename(disk.with_name("unplugged"))
    calls, problems = scored(base)
    assert calls == []
    assert "1 photo keeps its row" in problems[0]
    assert str(disk) in problems[0]
    pd.testing.assert_frame_equal(photos(base), before)
    pd.testing.assert_frame_equal(read_table(base, "visit_scores"), visits)
    disk.mkdir()  # the empty folder on which a disk is put
    put_photo(base, "more.jpg", seed=3)
    assert scored(base)[0] == ["more.jpg"]
    assert len(photos(base)) == 3
    assert scored(base)[0] == []
    (line,) = [p.line() for p in check_round(base, today=TODAY).problems if "elsewhere" in p.what]
    assert "not there or empty" in line
    disk.rmdir()
    disk.with_name("unplugged").rename(disk)
    assert scored(base) == ([], ())
    assert len(photos(base)) == 3


def test_without_ledger_and_disk_the_table_keeps_its_rows(base: Path) -> None:
    before = photos(base)
    disk = moved(base)
    disk.rename(disk.with_name("unplugged"))
    shutil.rmtree(base / ".lawnscore")
    assert scored(base)[0] == ["new.jpg"]
    pd.testing.assert_frame_equal(photos(base), before)


def test_rows_of_the_last_table_are_not_corrected_twice(base: Path) -> None:
    disk = moved(base)
    disk.rename(disk.with_name("unplugged"))
    shutil.rmtree(base / ".lawnscore")

    def half(_opened: object, table: pd.DataFrame) -> pd.DataFrame:
        return table.assign(green_cover_pct=table["green_cover_pct"] / 2)

    before = photos(base).set_index("photo")["green_cover_pct"]
    score_round(base, scorer=Counting(), today=TODAY, corrector=half)
    after = photos(base).set_index("photo")["green_cover_pct"]
    assert after[f"{OLD}/old.jpg"] == before[f"{OLD}/old.jpg"]
    assert after.drop(f"{OLD}/old.jpg").iloc[0] == pytest.approx(before.iloc[1] / 2, abs=0.01)


def test_photos_that_are_gone_from_the_round_itself_are_gone(base: Path) -> None:
    moved(base)
    shutil.rmtree(base / "photos")
    scored(base)
    assert list(photos(base)["photo"]) == [f"{OLD}/old.jpg"]


def test_a_photo_in_both_places_is_one_photo(base: Path) -> None:
    disk = moved(base)
    shutil.copytree(disk / "oak-lane", base / "photos" / "oak-lane", dirs_exist_ok=True)
    assert scored(base) == ([], ())
    assert len(photos(base)) == 2


def test_filing_knows_what_was_moved(base: Path) -> None:
    disk = moved(base)
    (old,) = disk.rglob("*.jpg")
    found = round_hashes(base, [old.stat().st_size])
    assert f"{OLD}/old.jpg" in found.values()


def test_a_customer_is_forgotten_on_the_other_disk_too(base: Path) -> None:
    disk = moved(base)
    disk.rename(disk.with_name("unplugged"))
    with pytest.raises(LawnscoreError, match="folder of older photos is not there"):
        forget_lawn(base, "oak-lane", photos=True)
    assert len(photos(base)) == 2
    disk.with_name("unplugged").rename(disk)
    forget_lawn(base, "oak-lane", photos=True)
    assert not list(disk.rglob("*.jpg"))


def test_a_backup_says_what_it_does_not_hold(base: Path, tmp_path: Path) -> None:
    disk = moved(base)
    assert back_up(base, tmp_path / "b.zip").elsewhere == disk
