"""Worker processes: one that dies costs at most the photo it held, and none outlives the run."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo.score import PhotoScore
from lawnscore.scoring import processes
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.tables import read_table
from tests.scoring.rounds import VISIT, new_round, put_photo, score_by_content

TODAY = "2026-05-02"
ROOT = Path(__file__).parents[2]


def dies_on_p1(path: Path, card: object, *, settings: ScoringSettings) -> PhotoScore:
    """Score by content, and take the whole process down at one photo; each time is noted."""
    if path.name == "p1.jpg":
        with path.with_name("deaths.txt").open("a") as noted:
            noted.write("x")
        os.kill(os.getpid(), signal.SIGKILL)
    return score_by_content(path, card, settings=settings)


def dies_once(path: Path, card: object, *, settings: ScoringSettings) -> PhotoScore:
    """Take the process down at a photo, the first time only."""
    mark = path.with_name("died.txt")
    if path.name == "p1.jpg" and not mark.exists():
        mark.write_text("")
        os._exit(3)
    return score_by_content(path, card, settings=settings)


def hangs_on_p1(path: Path, card: object, *, settings: ScoringSettings) -> PhotoScore:
    """Never come back from one photo."""
    if path.name == "p1.jpg":
        time.sleep(600)
    return score_by_content(path, card, settings=settings)


def bad_card(path: Path, card: object, *, settings: ScoringSettings) -> PhotoScore:
    raise LawnscoreError("the card is unfit", "Use another.", path.name)


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    for number in range(4):
        put_photo(made, f"p{number}.jpg", seed=number)
    return made


@pytest.mark.parametrize("workers", [1, 2])
def test_a_photo_that_kills_its_process_is_refused_and_the_others_scored(
    base: Path, workers: int
) -> None:
    summary = score_round(base, scorer=dies_on_p1, workers=workers, today=TODAY)
    assert (summary.n_scored, len(summary.refused)) == (3, 1)
    (one,) = summary.refused
    assert (Path(one.photo).name, one.reason) == ("p1.jpg", "failed")
    assert "Killed" in one.line()
    assert "2 times" in one.line()
    assert (base / VISIT / "deaths.txt").read_text() == "xx"
    assert len(read_table(base, "photo_scores")) == 4


def test_a_process_killed_from_outside_costs_nothing(base: Path) -> None:
    summary = score_round(base, scorer=dies_once, workers=2, today=TODAY)
    assert (summary.n_scored, summary.n_new) == (4, 4)
    undisturbed = shutil.copytree(base, base.with_name("other"))
    shutil.rmtree(undisturbed / ".lawnscore")
    before = read_table(base, "photo_scores")
    score_round(undisturbed, scorer=score_by_content, today=TODAY)
    assert read_table(undisturbed, "photo_scores").equals(before)


def test_a_photo_that_never_ends_is_refused(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "SECONDS_MAX", 4.0)
    monkeypatch.setattr(processes, "TRIES", 1)
    summary = score_round(base, scorer=hangs_on_p1, workers=2, today=TODAY)
    assert (summary.n_scored, summary.refused[0].reason) == (3, "failed")
    assert "longer than 4 s" in summary.refused[0].line()


def test_an_error_for_the_user_comes_through_whole(base: Path) -> None:
    with pytest.raises(LawnscoreError) as error:
        score_round(base, scorer=bad_card, workers=2, today=TODAY)
    assert (error.value.what, error.value.mend) == ("the card is unfit", "Use another.")


def children_of(pid: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except (OSError, ValueError):
                continue
            if parent == pid:
                found.append(int(entry.name))
    return found


def is_alive(pid: int) -> bool:
    try:
        return (Path("/proc") / str(pid) / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at /proc")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_no_process_outlives_the_one_that_started_it(base: Path, how: signal.Signals) -> None:
    for number in range(4):
        (base / VISIT / f"p{number}.jpg").rename(base / VISIT / f"p1-{number}.jpg")
    (base / VISIT / "p1-0.jpg").rename(base / VISIT / "p1.jpg")
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
        "from lawnscore.scoring.batch import score_round\n"
        "from tests.scoring.test_processes import hangs_on_p1\n"
        "if __name__ == '__main__':\n"
        f"    score_round({str(base)!r}, scorer=hangs_on_p1, workers=2,\n"
        "        progress=lambda *_: print('one', flush=True))\n"
    )
    script = base.parent / "run.py"
    script.write_text(code)
    command = [sys.executable, str(script)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "one\n"
        workers = [pid for pid in children_of(run.pid) if is_alive(pid)]
        assert len(workers) >= 2
        run.send_signal(how)
        run.wait()
    deadline = time.monotonic() + 10
    while any(map(is_alive, workers)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert [pid for pid in workers if is_alive(pid)] == []


class DiesOnArrival:
    """A scorer that ends every process that unpacks it."""

    def __reduce__(self) -> tuple[object, ...]:
        return (os._exit, (7,))


def test_processes_that_cannot_start_end_the_run_in_one_line(base: Path) -> None:
    with pytest.raises(LawnscoreError, match="no process can be started: it ended by itself"):
        score_round(base, scorer=DiesOnArrival(), workers=2, today=TODAY)
