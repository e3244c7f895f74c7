"""Scoring a round: every file one row, nothing scored twice, nothing lost."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.photo import read
from lawnscore.register.folder import open_round
from lawnscore.scoring import batch, method, processes
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.ledger import FOLDER, Ledger
from lawnscore.scoring.method import method_of
from lawnscore.scoring.summary import summary_lines
from lawnscore.scoring.tables import read_table
from tests.scoring.rounds import VISIT, Counting, new_round, put_photo, score_by_content

TODAY = "2026-05-02"


def score(base: Path, scorer: object = None, **options: object) -> batch.ScoreSummary:
    return score_round(base, scorer=scorer or Counting(), today=TODAY, **options)


def files_of(base: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in (base / "reports").iterdir()}


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    for number in range(3):
        put_photo(made, f"p{number}.jpg", seed=number)
    return made


def test_every_photo_has_a_row_and_every_table_is_written(base: Path) -> None:
    summary = score(base)
    assert (summary.n_photos, summary.n_scored, summary.n_new) == (3, 3, 3)
    assert summary.went_well
    photos = read_table(base, "photo_scores")
    assert photos["photo"].tolist() == [f"{VISIT}/p{n}.jpg" for n in range(3)]
    assert set(photos["lawn"]) == {"oak-lane"}
    assert set(photos["stage"]) == {"before"}
    visits = read_table(base, "visit_scores")
    assert visits[["photos", "refused"]].to_numpy().tolist() == [[3, 0]]
    assert set(files_of(base)) == {
        *(f"{n}.csv" for n in ("photo_scores", "visit_scores", "changes", "recovery", "attention")),
        "datapackage.json",
    }


# ------------------------------------------------------------------ incremental


def test_a_second_run_opens_no_photo(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    score(base)
    before = files_of(base)

    def no_decoding(*_args: object, **_options: object) -> object:
        raise AssertionError("a photo was decoded")

    monkeypatch.setattr(read, "_read", no_decoding)
    again = Counting()
    summary = score(base, again)
    assert again.calls == []
    assert (summary.n_new, summary.n_known) == (0, 3)
    assert files_of(base) == before


def test_an_unchanged_file_is_not_even_hashed(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for file in (base / VISIT).iterdir():
        os.utime(file, (1, 1))
    real_time = time.time_ns
    monkeypatch.setattr(batch.time, "time_ns", lambda: real_time() + 10_000_000_000)
    score(base)
    opened: list[str] = []
    real_open = Path.open

    def watched(self: Path, *args: object, **options: object) -> object:
        opened.append(self.name)
        return real_open(self, *args, **options)

    monkeypatch.setattr(Path, "open", watched)
    score(base)
    assert not [name for name in opened if name.endswith(".jpg")]


def test_a_new_photo_alone_is_scored(base: Path) -> None:
    score(base)
    put_photo(base, "p9.jpg", seed=9)
    again = Counting()
    assert score(base, again).n_photos == 4
    assert again.calls == ["p9.jpg"]


def test_a_changed_photo_is_scored_anew(base: Path) -> None:
    score(base)
    before = read_table(base, "photo_scores")
    put_photo(base, "p1.jpg", seed=7)
    again = Counting()
    score(base, again)
    after = read_table(base, "photo_scores")
    assert again.calls == ["p1.jpg"]
    assert (before["sha256"] != after["sha256"]).tolist() == [False, True, False]
    assert (before["green_cover_pct"] != after["green_cover_pct"]).tolist() == [False, True, False]


def test_a_moved_photo_keeps_its_score_and_gets_its_new_place(base: Path) -> None:
    score(base)
    new = base / "photos/oak-lane/back/2026-06-01-check"
    new.mkdir(parents=True)
    shutil.move(base / VISIT / "p1.jpg", new / "gate--other.jpg")
    again = Counting()
    score(base, again, add=True)
    assert again.calls == []
    row = read_table(base, "photo_scores").set_index("zone").loc["back"]
    assert (row["spot"], row["date"], row["stage"]) == ("gate", "2026-06-01", "check")
    assert row["photo"] == "photos/oak-lane/back/2026-06-01-check/gate--other.jpg"


def test_a_removed_photo_loses_its_row(base: Path) -> None:
    score(base)
    (base / VISIT / "p0.jpg").unlink()
    score(base)
    assert len(read_table(base, "photo_scores")) == 2
    shutil.rmtree(base / "photos")
    summary = score(base)
    assert summary.n_photos == 0
    assert len(read_table(base, "photo_scores")) == 0
    assert "There are no photos" in summary_lines(summary)[0]


def test_the_same_content_twice_gives_two_rows_and_is_scored_once(base: Path) -> None:
    shutil.copy(base / VISIT / "p0.jpg", base / VISIT / "copy.jpg")
    scorer = Counting()
    assert score(base, scorer).n_photos == 4
    assert len(scorer.calls) == 3
    photos = read_table(base, "photo_scores").set_index("photo")
    twins = photos.loc[[f"{VISIT}/copy.jpg", f"{VISIT}/p0.jpg"], "green_cover_pct"]
    assert twins.nunique() == 1


def test_settings_that_change_numbers_score_anew_and_back_costs_nothing(base: Path) -> None:
    score(base)
    (base / "round.toml").write_text("[scoring]\nbare_patch_min_cm2 = 50\n")
    again = Counting()
    score(base, again)
    assert len(again.calls) == 3
    (base / "round.toml").write_text("[history]\nrecovery_default_days = 30\n")
    back = Counting()
    score(base, back)
    assert back.calls == []


def test_a_new_version_scores_anew(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    score(base)
    monkeypatch.setattr(method, "__version__", "99.0.0")
    again = Counting()
    score(base, again)
    assert len(again.calls) == 3


def test_changed_code_scores_anew_though_the_version_is_the_same(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    score(base)
    monkeypatch.setattr(method, "code_id", lambda: "other")
    again = Counting()
    score(base, again)
    assert len(again.calls) == 3
    assert set(read_table(base, "photo_scores")["version"]) == {batch.__version__}


def test_the_card_of_the_round_is_loaded_once_and_is_part_of_the_key(base: Path) -> None:
    score(base)
    (base / "round.toml").write_text('[scoring]\ncard = "turf-a4"\n')
    scorer = Counting()
    score(base, scorer)
    assert {card.design.name for card in scorer.cards} == {"turf-a4"}
    assert len({id(card) for card in scorer.cards}) == 1


def test_a_card_that_is_not_there_is_said_before_any_photo_is_scored(base: Path) -> None:
    (base / "round.toml").write_text('[scoring]\ncard = "cards/mine.txt"\n')
    scorer = Counting()
    with pytest.raises(LawnscoreError, match="mine"):
        score(base, scorer)
    assert scorer.calls == []


# ------------------------------------------------------------------ interrupted


def test_an_interrupted_run_goes_on_where_it_stopped(base: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        score(base, Counting(stop_at=3))
    rest = Counting()
    summary = score(base, rest)
    assert rest.calls == ["p2.jpg"]
    assert (summary.n_new, summary.n_known, summary.n_photos) == (1, 2, 3)


def test_a_killed_run_goes_on_where_it_stopped(base: Path, tmp_path: Path) -> None:
    code = f"""
import sys, time
sys.path.insert(0, {str(Path(__file__).parents[2])!r})
from lawnscore.scoring.batch import score_round
from tests.scoring.rounds import score_by_content
def slow(path, card, *, settings):
    if path.name == "p2.jpg":
        print("two done", flush=True)
        time.sleep(60)
    return score_by_content(path, card, settings=settings)
score_round({str(base)!r}, scorer=slow)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "two done\n"
        run.send_signal(signal.SIGKILL)
    assert not (base / "reports").exists()
    rest = Counting()
    score(base, rest)
    assert rest.calls == ["p2.jpg"]
    assert len(read_table(base, "photo_scores")) == 3


def test_a_damaged_ledger_costs_time_only(base: Path) -> None:
    score(base)
    before = files_of(base)
    (base / FOLDER / "ledger.sqlite3").write_bytes(b"nonsense" * 1000)
    summary = score(base)
    assert summary.n_new == 3
    assert "damaged" in summary.problems[0]
    assert files_of(base) == before


def test_a_second_run_at_the_same_time_is_told_so(base: Path) -> None:
    def meanwhile(path: Path, card: object, *, settings: object) -> object:
        with pytest.raises(LawnscoreError, match="another run"):
            score(base)
        return score_by_content(path, card, settings=settings)  # type: ignore[arg-type]

    assert score(base, meanwhile).n_scored == 3


def test_a_photo_that_changes_while_it_waits_is_kept_under_what_was_read(base: Path) -> None:
    shutil.copy(base / VISIT / "p0.jpg", base / VISIT / "twin.jpg")

    def changing(path: Path, card: object, *, settings: object) -> object:
        if path.name == "p0.jpg":
            put_photo(base, "p0.jpg", seed=50)
        return score_by_content(path, card, settings=settings)  # type: ignore[arg-type]

    score(base, changing)
    photos = read_table(base, "photo_scores").set_index("photo")
    values = photos.loc[[f"{VISIT}/p0.jpg", f"{VISIT}/twin.jpg"], "green_cover_pct"]
    assert values.nunique() == 2
    assert score(base).n_new == 0


# ------------------------------------------------------------------ bad photos


def test_bad_photos_are_refused_and_the_others_scored(base: Path, tmp_path: Path) -> None:
    folder = base / VISIT
    (folder / "empty.jpg").write_bytes(b"")
    (folder / "text.jpg").write_text("Dear customer")
    (folder / "folder.jpg").mkdir()
    (folder / "broken.jpg").symlink_to(folder / "nowhere.jpg")
    elsewhere = tmp_path / "elsewhere.jpg"
    shutil.copy(folder / "p0.jpg", elsewhere)
    (folder / "outside.jpg").symlink_to(elsewhere)
    summary = score(base)
    assert (summary.n_scored, len(summary.refused), summary.n_photos) == (3, 5, 8)
    assert not summary.went_well
    lines = {Path(one.photo).name: one.line() for one in summary.refused}
    assert "0 bytes" in lines["empty.jpg"]
    assert "text file" in lines["text.jpg"]
    assert "folder" in lines["folder.jpg"]
    assert "not there" in lines["broken.jpg"]
    assert "outside the round" in lines["outside.jpg"]
    assert all("Copy the original" in line and "\n" not in line for line in lines.values())
    rows = read_table(base, "photo_scores").set_index("status")
    assert rows.loc["refused", "green_cover_pct"].isna().all()
    assert rows.loc["refused", "reason"].tolist() == ["unreadable"] * 5


def test_a_refusal_is_remembered_but_not_one_that_may_pass(base: Path) -> None:
    (base / VISIT / "text.jpg").write_text("Dear customer")
    (base / VISIT / "broken.jpg").symlink_to(base / "p9.jpg")
    score(base)
    shutil.copy(base / VISIT / "p0.jpg", base / "p9.jpg")
    again = Counting()
    summary = score(base, again)
    assert again.calls == []  # p9 has the content of p0, the text is known to be no photo
    assert [Path(one.photo).name for one in summary.refused] == ["text.jpg"]


def test_a_fault_of_the_program_costs_one_photo_and_is_not_remembered(base: Path) -> None:
    summary = score(base, Counting(fail_on="p1.jpg"))
    assert summary.n_scored == 2
    (one,) = summary.refused
    assert one.reason == "failed"
    assert "RuntimeError" in one.line()
    assert "\n" not in one.line()
    assert "a fault\nof two lines" in (base / FOLDER / "faults.txt").read_text()
    mended = Counting()
    assert score(base, mended).n_scored == 3
    assert mended.calls == ["p1.jpg"]


def test_misplaced_photos_and_problems_of_the_register_are_told(base: Path) -> None:
    put_photo(base, "loose.jpg", visit="photos/oak-lane")
    (base / VISIT / "film.mov").write_bytes(b"\0\0\0\x14ftypqt  ")
    (base / "work.csv").write_text("date,lawn,zone,task\n2026-05-01,oak-lane,front,scarfy\n")
    summary = score(base)
    text = "\n".join(summary_lines(summary))
    assert not summary.went_well
    assert "loose.jpg: the path does not say zone, date and stage" in text
    assert "scarfy" in text
    assert "film.mov" in text
    assert json.dumps(summary.as_dict())


# ------------------------------------------------------------------ progress, processes


def test_progress_is_told_for_each_photo(base: Path) -> None:
    told: list[tuple[int, int, str]] = []
    score(base, progress=lambda *args: told.append(args))
    assert told == [(n + 1, 3, f"{VISIT}/p{n}.jpg") for n in range(3)]
    told.clear()
    score(base, progress=lambda *args: told.append(args))
    assert told == []


@pytest.mark.parametrize(
    ("workers", "n_photos", "cores", "expected"),
    [(None, 3, 4, 1), (None, 500, 4, 4), (None, 500, 1, 1), (1, 500, 4, 1), (8, 3, 4, 3)],
)
def test_processes_are_taken_when_they_pay(
    workers: int | None,
    n_photos: int,
    cores: int,
    expected: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(processes, "_n_cores", lambda: cores)
    assert processes.n_processes(workers, n_photos) == expected


def test_two_processes_give_the_same_tables_as_one(base: Path) -> None:
    score_round(base, today=TODAY, workers=1)
    one = files_of(base)
    shutil.rmtree(base / FOLDER)
    summary = score_round(base, today=TODAY, workers=2)
    assert summary.n_new == 3
    assert files_of(base) == one


def test_scores_keep_what_the_ageing_of_a_card_needs(base: Path) -> None:
    score(base)
    with Ledger(base) as ledger:
        kept = list(ledger.extras(method_of(open_round(base), None)))
    assert len(kept) == 3
    assert all(set(extra) == {"patch_residual_lab", "measured_polygon_px"} for _, _, extra in kept)


# ------------------------------------------------------------------ what is kept, and for whom


def test_a_digit_changed_in_the_ledger_does_not_change_the_tables(base: Path) -> None:
    score(base)
    before = files_of(base)
    path = base / FOLDER / "ledger.sqlite3"
    with sqlite3.connect(path) as db:
        db.execute("UPDATE scores SET row = replace(row, '0.5', '0.6')")
    db.close()
    summary = score(base)
    assert summary.n_new == 3
    assert "changed on the disk" in summary.problems[0]
    assert files_of(base) == before


def test_a_name_that_is_not_utf_8_has_its_row(base: Path) -> None:
    (base / VISIT / "p1.jpg").rename(base / VISIT / os.fsdecode(b"p1 \xff.jpg"))
    summary = score(base)
    assert summary.n_scored == 3
    assert read_table(base, "photo_scores")["photo"].str.contains(r"p1 \udcff", regex=False).any()
    assert score(base).n_new == 0
    (base / VISIT / os.fsdecode(b"text \xff.jpg")).write_text("no photo")
    real = score_round(base, today=TODAY)
    assert r"text \udcff.jpg" in {Path(one.photo).name for one in real.refused}


def test_all_photos_refused_and_a_renovation_give_tables_and_reasons(base: Path) -> None:
    for photo in (base / VISIT).iterdir():
        photo.write_text("no photo")
    (base / "work.csv").write_text("date,lawn,zone,task\n2026-05-01,oak-lane,front,scarify\n")
    summary = score(base)
    assert (summary.n_scored, len(summary.refused)) == (0, 3)
    assert len(read_table(base, "photo_scores")) == 3


def test_scores_of_removed_photos_are_forgotten(base: Path) -> None:
    score(base)
    (base / VISIT / "p1.jpg").unlink()
    score(base)
    with Ledger(base) as ledger:
        assert len(list(ledger.extras(method_of(open_round(base), None)))) == 2


def test_nothing_is_forgotten_while_all_photos_are_away(base: Path) -> None:
    score(base)
    (base / "photos").rename(base / "away")
    score(base)
    (base / "away").rename(base / "photos")
    assert score(base).n_new == 0


def test_what_is_written_is_for_its_owner_alone(base: Path) -> None:
    score(base, Counting(fail_on="p1.jpg"))
    made = [p for name in ("reports", FOLDER) for p in (base / name, *(base / name).rglob("*"))]
    assert len(made) > 8
    assert [p for p in made if p.stat().st_mode & 0o077] == []


def test_a_folder_shared_with_a_group_keeps_its_rule(base: Path) -> None:
    (base / "reports").mkdir()
    (base / "reports").chmod(0o770)
    score(base)
    assert (base / "reports" / "photo_scores.csv").stat().st_mode & 0o777 == 0o660


@pytest.mark.parametrize("name", ["reports", ".lawnscore"])
def test_a_file_where_a_folder_belongs_is_one_line(base: Path, name: str) -> None:
    (base / name).write_text("mine")
    with pytest.raises(LawnscoreError) as error:
        score(base)
    assert name in str(error.value)
    assert (base / name).read_text() == "mine"


def test_half_written_files_of_a_killed_run_are_tidied_away(base: Path) -> None:
    (base / "reports").mkdir()
    left = base / "reports" / ".lawnscore-1-00.part"
    left.write_text("half")
    score(base)
    assert not left.exists()
