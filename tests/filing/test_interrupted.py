"""A filing that is cut off: nothing is called filed that is not, and nothing is forgotten."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing import copying
from lawnscore.filing.copying import file_photos
from lawnscore.filing.journal import undo_filing
from lawnscore.filing.slip_code import SlipCode
from lawnscore.filing.sorting import plan_filing
from tests.filing.test_filing import MILL, NOW, Dump

PLACE = "photos/mill-lane-3/front/2026-03-05-before"


class Cut(BaseException):
    """Stands in for the end of the process: no handler of an `Exception` sees it."""


@pytest.fixture
def dump(tmp_path: Path) -> Dump:
    (tmp_path / "phone").mkdir()
    taken = Dump(tmp_path / "phone")
    taken.visit(MILL, "before", n=2)
    return taken


@pytest.fixture
def base(tmp_path: Path) -> Path:
    folder = tmp_path / "round"
    folder.mkdir()
    (folder / "lawns.csv").write_text("lawn,zone\nmill-lane-3,front\n")
    return folder


def filed(base: Path) -> list[str]:
    return sorted(p.name for p in (base / PLACE).iterdir() if not p.name.startswith("."))


def test_a_copy_without_its_name_is_not_called_filed(base: Path, dump: Dump, monkeypatch) -> None:
    def cut(*_args: object, **_options: object) -> None:
        raise Cut

    plan = plan_filing(base, dump.folder, now=NOW)
    with monkeypatch.context() as patched:
        patched.setattr(os, "link", cut)
        patched.setattr(Path, "unlink", cut)  # a killed process tidies nothing up
        with pytest.raises(Cut):
            file_photos(plan, now=NOW)
    assert filed(base) == []
    again = plan_filing(base, dump.folder, now=NOW)
    assert [item.action for item in again.items].count("file") == 2
    file_photos(again, now=NOW)
    assert len(filed(base)) == 2
    assert [p.name for p in (base / PLACE).iterdir() if p.name.startswith(".")] == []


@pytest.mark.parametrize("place", [".trash", ".hidden"])
def test_a_copy_in_a_hidden_folder_is_not_in_the_round(base: Path, dump: Dump, place: str) -> None:
    hidden = base / "photos" / place
    hidden.mkdir(parents=True)
    for photo in dump.folder.iterdir():
        (hidden / photo.name).write_bytes(photo.read_bytes())
    plan = plan_filing(base, dump.folder, now=NOW)
    assert [item.action for item in plan.items].count("file") == 2


def test_a_kill_between_name_and_journal_is_undone_all_the_same(
    base: Path, dump: Dump, monkeypatch
) -> None:
    real = os.link

    def cut(source: object, target: object) -> None:
        real(source, target)
        raise Cut

    monkeypatch.setattr(os, "link", cut)
    with pytest.raises(Cut):
        file_photos(plan_filing(base, dump.folder, now=NOW), now=NOW)
    assert len(filed(base)) == 1
    undone = undo_filing(base)
    assert len(undone.removed) == 1
    assert undone.kept == ()
    assert not (base / "photos" / "mill-lane-3").exists()


def test_what_was_never_copied_is_not_told_as_kept(base: Path, dump: Dump, monkeypatch) -> None:
    def cut(*_args: object) -> None:
        raise Cut

    monkeypatch.setattr(os, "link", cut)
    with pytest.raises(Cut):
        file_photos(plan_filing(base, dump.folder, now=NOW), now=NOW)
    assert undo_filing(base).kept == ()


def test_file_and_folder_are_flushed_before_the_journal_says_filed(
    base: Path, dump: Dump, monkeypatch
) -> None:
    order: list[str] = []
    real_fsync = os.fsync

    def fsync(handle: int) -> None:
        name = str(Path(f"/proc/self/fd/{handle}").readlink())
        order.append(name)
        real_fsync(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    plan = plan_filing(base, dump.folder, now=NOW)
    order.clear()
    file_photos(plan, now=NOW)
    journal = [n for n, name in enumerate(order) if name.endswith(".jsonl")]
    folder = [n for n, name in enumerate(order) if name == str(base / PLACE)]
    parts = [n for n, name in enumerate(order) if name.endswith(".part")]
    assert len(parts) == 2
    assert len(folder) >= 2
    assert max(parts) < max(folder) < max(journal)


def test_the_journal_holds_no_absolute_path(base: Path, dump: Dump) -> None:
    file_photos(plan_filing(base, dump.folder, now=NOW), now=NOW)
    for path in (base / ".lawnscore" / "filing").iterdir():
        for line in path.read_text().splitlines():
            entry = json.loads(line)
            assert not any(str(value).startswith("/") for value in entry.values())
    assert len(undo_filing(base).removed) == 2


def test_filed_photos_and_what_is_kept_of_them_are_the_users_own(base: Path, dump: Dump) -> None:
    for photo in dump.folder.iterdir():
        photo.chmod(0o644)
    file_photos(plan_filing(base, dump.folder, now=NOW), now=NOW)
    made = [*(base / "photos").rglob("*"), *(base / ".lawnscore").rglob("*")]
    assert [p for p in made if p.stat().st_mode & 0o077] == []


def test_a_name_of_254_bytes_is_filed(base: Path, tmp_path: Path) -> None:
    (tmp_path / "long").mkdir()
    dump = Dump(tmp_path / "long")
    dump.photo(SlipCode(*MILL, "before"))
    name = "IMG_0002" + "x" * 242 + ".jpg"
    assert len(name) == 254
    dump.photo(name=name)
    file_photos(plan_filing(base, dump.folder, now=NOW), now=NOW)
    assert filed(base) == [name]


def test_a_name_that_is_not_utf_8_is_filed_and_told(base: Path, dump: Dump) -> None:
    odd = os.fsdecode(b"IMG_0009 \xff.jpg")
    (dump.folder / "IMG_0002.jpg").rename(dump.folder / odd)
    done = file_photos(plan_filing(base, dump.folder, now=NOW), now=NOW)
    assert len(done.items) == 2
    assert len(filed(base)) == 2
    assert len(undo_filing(base).removed) == 2


def test_a_photo_that_cannot_be_read_is_left_and_the_others_filed(
    base: Path, dump: Dump, monkeypatch
) -> None:
    real = Path.open

    def refuse(self: Path, *args: object, **options: object) -> object:
        if self.name == "IMG_0003.jpg":
            raise PermissionError(13, "Permission denied")
        return real(self, *args, **options)

    monkeypatch.setattr(Path, "open", refuse)
    plan = plan_filing(base, dump.folder, now=NOW)
    left = {item.relative: item.reason for item in plan.having("left")}
    assert "Permission denied" in left["IMG_0003.jpg"]
    assert len(plan.having("file")) == 1


def test_two_filings_at_once_are_told_so(base: Path, dump: Dump, monkeypatch) -> None:
    plan = plan_filing(base, dump.folder, now=NOW)
    real = copying._copy
    seen: list[str] = []

    def meanwhile(*args: object) -> None:
        with pytest.raises(LawnscoreError, match="another run"):
            file_photos(plan, now=NOW)
        seen.append("told")
        real(*args)

    monkeypatch.setattr(copying, "_copy", meanwhile)
    file_photos(plan, now=NOW)
    assert seen == ["told", "told"]


def test_what_another_run_filed_since_the_plan_is_not_filed_twice(base: Path, dump: Dump) -> None:
    plan = plan_filing(base, dump.folder, now=NOW)
    file_photos(plan, now=NOW)
    assert len(file_photos(plan, now=NOW).items) == 2
    assert len(filed(base)) == 2
    assert len(undo_filing(base).removed) == 2
    with pytest.raises(LawnscoreError, match="nothing was filed"):
        undo_filing(base)


def test_a_long_name_with_a_spot_or_a_number_before_it_still_fits(
    base: Path, tmp_path: Path
) -> None:
    (tmp_path / "long").mkdir()
    dump = Dump(tmp_path / "long")
    dump.photo(SlipCode(*MILL, "before", "gate"))
    dump.photo(name="IMG_0002" + "ü" * 121 + ".jpg")
    file_photos(plan_filing(base, dump.folder, now=NOW), now=NOW)
    (name,) = filed(base)
    assert name.startswith("gate--IMG_0002")
    assert name.endswith("ü.jpg")
    assert len(name.encode()) <= 255
