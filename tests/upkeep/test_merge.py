"""Two people work on one round: nobody's photos, rows or scores are lost."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.journal import undo_filing
from lawnscore.register.add import add_lawn, add_work
from lawnscore.register.folder import open_round
from lawnscore.register.register import read_register
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.check import check_round
from lawnscore.scoring.conflict_copies import conflict_copies
from lawnscore.scoring.ledger import Ledger
from lawnscore.scoring.tables import read_table
from lawnscore.upkeep.merge import merge_rounds
from tests.scoring.rounds import VISIT, Counting, new_round, put_photo

TODAY = "2026-06-02"
LATER = "photos/oak-lane/front/2026-06-01-check"


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A round, and a copy of it on another laptop; both have grown since. Not to be changed."""
    folder = tmp_path_factory.mktemp("grown")
    mine = new_round(folder / "mine")
    put_photo(mine, "first.jpg", seed=1)
    add_work(mine, date="2026-05-01", lawn="oak-lane", zone="front", task="mow", notes="two\nlines")
    score_round(mine, scorer=Counting(), today=TODAY)
    theirs = Path(shutil.copytree(mine, folder / "theirs", copy_function=shutil.copy))
    put_photo(mine, "IMG_1.jpg", seed=2, visit=LATER)
    add_work(mine, date="2026-06-01", lawn="oak-lane", zone="front", task="feed", rate=30.5,
             rate_unit="g/m2")  # fmt: skip
    put_photo(theirs, "IMG_1.jpg", seed=3, visit=LATER)
    put_photo(theirs, "IMG_2.jpg", seed=4, visit=LATER)
    add_lawn(theirs, "elm-row", area_m2=60.5, customer="elm")
    add_work(theirs, date="2026-06-01", lawn="elm-row", task="scarify", depth_mm=3.5)
    (theirs / "customers.csv").write_text("customer,email\nelm,elm@example.org\n")
    for base in (mine, theirs):
        score_round(base, scorer=Counting(), today=TODAY)
    return folder


@pytest.fixture
def two(grown: Path, tmp_path: Path) -> tuple[Path, Path]:
    """Copies of both for one test."""
    for name in ("mine", "theirs"):
        shutil.copytree(grown / name, tmp_path / name)
    return tmp_path / "mine", tmp_path / "theirs"


def contents(base: Path) -> dict[str, bytes]:
    return {
        p.relative_to(base).as_posix(): p.read_bytes()
        for p in base.rglob("*")
        if p.is_file() and ".lawnscore" not in p.parts
    }


def test_nobodys_work_is_lost(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    other = contents(theirs)
    done = merge_rounds(mine, theirs)
    assert done.photos == (f"{LATER}/IMG_1-2.jpg", f"{LATER}/IMG_2.jpg")
    assert done.rows == {"lawns.csv": 1, "work.csv": 1, "customers.csv": 1}
    assert done.scores == 2
    (said,) = done.differs
    assert "IMG_1.jpg" in said
    assert "another photo of this name; taken as" in said
    assert contents(theirs) == other
    register = read_register(mine)
    assert not register.problems
    assert list(register.work["task"]) == ["mow", "feed", "scarify"]
    assert register.work["depth_mm"].iloc[2] == 3.5
    assert list(register.lawns["area_m2"]) == [120, 60.5]
    assert list(register.customers["email"]) == ["elm@example.org"]
    assert len(open_round(mine).photos) == 4
    rescored = Counting()
    score_round(mine, scorer=rescored, today=TODAY)
    assert rescored.calls == []  # each was scored on the other laptop
    assert len(read_table(mine, "photo_scores")) == 4


def test_both_ways_bring_both_level_and_once_more_does_nothing(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    merge_rounds(mine, theirs)
    merge_rounds(theirs, mine)
    for one, other in (two, two[::-1]):
        again = merge_rounds(one, other)
        assert (again.photos, again.rows, again.scores, again.differs) == ((), {}, 0, ())
    work = [sorted(map(str, read_register(base).work.to_dict("records"))) for base in two]
    assert work[0] == work[1]
    hashes = [{p.path.read_bytes() for p in open_round(base).photos} for base in two]
    assert hashes[0] == hashes[1]


def test_photos_on_a_disk_that_is_not_there_are_not_copied_once_more(
    two: tuple[Path, Path],
) -> None:
    mine, theirs = two
    shutil.rmtree(mine / VISIT)  # moved to a disk that is not connected
    (mine / "round.toml").write_text('[photos]\nelsewhere = "/nowhere/photos"\n')
    assert not [name for name in merge_rounds(mine, theirs).photos if "first.jpg" in name]


def test_a_plan_changes_nothing(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    before = contents(mine)
    planned = merge_rounds(mine, theirs, plan=True)
    assert contents(mine) == before
    assert planned.photos == merge_rounds(mine, theirs).photos


def test_where_both_say_something_else_this_rounds_is_kept_and_named(
    two: tuple[Path, Path],
) -> None:
    mine, theirs = two
    for base, rate, area in ((mine, "30.5", "120"), (theirs, "45", "150")):
        text = (base / "lawns.csv").read_text().replace("front,120", f"front,{area}")
        (base / "lawns.csv").write_text(text)
        (base / "round.toml").write_text(f"# {area}\n")
        (base / "work.csv").write_text(
            f"date,lawn,zone,task,rate,rate_unit\n2026-06-01,oak-lane,front,feed,{rate},g/m2\n"
        )
    lines = " ".join(merge_rounds(mine, theirs).differs)
    assert "lawns.csv: oak-lane, front: area_m2 120 here, 150 there. This round's is kept" in lines
    assert "work.csv: 2026-06-01, oak-lane, front, feed: rate 30.5 here, 45 there" in lines
    assert "round.toml: the two differ" in lines
    register = read_register(mine)
    assert list(register.work["rate"]) == [30.5]
    assert register.lawns["area_m2"].iloc[0] == 120


def test_work_that_was_done_twice_stays_done_twice(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    add_work(mine, date="2026-05-01", lawn="oak-lane", zone="front", task="mow", again=True,
             notes="two\nlines")  # fmt: skip
    assert "work.csv" in merge_rounds(theirs, mine).rows
    done = merge_rounds(theirs, mine)
    assert "it stands there once more" in " ".join(done.differs)


def test_photos_that_were_taken_over_can_be_taken_back(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    merge_rounds(mine, theirs)
    assert len(undo_filing(mine).removed) == 2
    assert len(open_round(mine).photos) == 2


def test_what_went_out_on_either_side_does_not_go_out_again(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    head = "date,customer,lawn,visit,file,sha256\n"
    (mine / "reports" / "sent.csv").write_text(f"{head}2026-06-01,a,a,2026-05-01,x.eml,00\n")
    (theirs / "reports" / "sent.csv").write_text(f"{head}2026-06-02,b,b,2026-05-01,y.eml,11\n")
    assert merge_rounds(mine, theirs).rows["reports/sent.csv"] == 1
    assert (mine / "reports" / "sent.csv").read_text().count("\n") == 3


def test_scores_of_a_damaged_ledger_are_not_believed(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    path = theirs / ".lawnscore" / "ledger.sqlite3"
    data = path.read_bytes()
    assert b'"scored"' in data
    path.write_bytes(data.replace(b'"scored"', b'"Scored"'))  # a sound file of unsound rows
    with Ledger(mine) as ledger:
        assert ledger.take_from(path) == 0
        path.write_bytes(data)
        assert ledger.take_from(path) == 2
        path.write_bytes(b"no ledger")
        assert ledger.take_from(path) == 0
        assert ledger.audit()[1] == 0


def test_rows_that_cannot_be_read_stop_or_are_named(two: tuple[Path, Path]) -> None:
    mine, theirs = two
    with (theirs / "work.csv").open("a") as file:
        file.write("yesterday,oak-lane,front,mow\n")
    assert "Nothing of it was taken" in " ".join(merge_rounds(mine, theirs).differs)
    (mine / "work.csv").write_text("date,lawn,zone,task\nyesterday,oak-lane,front,mow\n")
    with pytest.raises(LawnscoreError, match=r"work\.csv, row 2"):
        merge_rounds(mine, theirs)


@pytest.mark.parametrize(
    "name",
    [
        "work (Ann's conflicted copy 2026-06-01).csv",
        "work.sync-conflict-20260601-101500-ABCDEF.csv",
        "work (1).csv",
        "work - Kopie.csv",
        "work_conf(2026-06-01-10-15-00) copy.csv",
    ],
)
def test_a_conflict_copy_is_named_and_its_rows_can_be_taken(
    two: tuple[Path, Path], name: str
) -> None:
    mine, theirs = two
    shutil.copy(theirs / "work.csv", mine / name)
    lines = [p.line() for p in check_round(mine, today=TODAY).problems if p.file == name]
    assert len(lines) == 1
    assert "looks like another copy of work.csv" in lines[0]
    assert f"lawnscore merge mine '{name}'" in lines[0]
    assert merge_rounds(mine, mine / name).rows == {"work.csv": 1}
    assert len(read_register(mine).work) == 3


def test_conflict_copies_of_photos_settings_and_ledger_are_named(two: tuple[Path, Path]) -> None:
    mine, _ = two
    for name in ("round (konflikt).toml", f"{VISIT}/first (conflict).jpg",
                 ".lawnscore/ledger (conflict).sqlite3"):  # fmt: skip
        (mine / name).write_bytes(b"x")
    for name in ("workshop copy.csv", "work-2025.csv", "notes (1).csv"):
        (mine / name).write_text("x\n")
    named = {p.file for p in conflict_copies(mine, open_round(mine).photos)}
    assert named == {
        "round (konflikt).toml", f"{VISIT}/first (conflict).jpg",
        ".lawnscore/ledger (conflict).sqlite3",
    }  # fmt: skip


def test_what_is_no_other_copy(two: tuple[Path, Path], tmp_path: Path) -> None:
    mine, _ = two
    with pytest.raises(LawnscoreError, match="the same round"):
        merge_rounds(mine, mine)
    with pytest.raises(LawnscoreError, match="no such round"):
        merge_rounds(mine, tmp_path / "nowhere")
    (tmp_path / "diary.csv").write_text("x\n")
    with pytest.raises(LawnscoreError, match="says no hand-kept file"):
        merge_rounds(mine, tmp_path / "diary.csv")


def test_the_command_says_what_was_taken_and_what_differs(two: tuple[Path, Path]) -> None:
    mine, theirs = map(str, two)
    runner = CliRunner()
    planned = runner.invoke(build_app(), ["merge", mine, theirs, "--plan", "--json"])
    assert planned.exit_code == 1
    assert json.loads(planned.stdout)["rows"]["work.csv"] == 1
    done = runner.invoke(build_app(), ["merge", mine, theirs])
    assert done.exit_code == 1
    assert "rows of work.csv" in done.stdout
    assert "another photo of this name" in done.stdout
    assert runner.invoke(build_app(), ["merge", mine, theirs]).exit_code == 0
