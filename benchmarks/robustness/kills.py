"""Kill, starve and crowd the commands that write to a round, and see that nothing is lost.

For `score`, `file`, `report` and `points`, on a small round made anew each time:

* killed (SIGKILL) before each file opened for writing, folder made, rename, link, removal and
  commit of the ledger, one after the other, and at random moments of a real run in processes;
* a worker process killed at random moments;
* no space left, and a read-only disk, from each of those steps on;
* two runs at once.

After each: originals byte for byte the same, the ledger opens, no file is half written, nothing is
called filed that is not, what went wrong was one line, and the next run ends with what an
undisturbed run ends with. Prints a table; ends with status 1 at the first thing that is lost.

    python -m benchmarks.robustness.kills                every step, 200 random moments a command
    python -m benchmarks.robustness.kills --only report   one command
    python -m benchmarks.robustness.kills --quick         a few of each
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import errno
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.robustness.kills_round import (
    CASES,
    TODAY,
    Case,
    by_content,
    file_dump,
    photos_of,
    points,
)
from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.journal import undo_filing
from lawnscore.report import write_reports
from lawnscore.scoring.batch import score_round

ROOT = Path(__file__).resolve().parents[2]
_KILLED, _TOLD, _FAULT = -signal.SIGKILL, 2, 3
_COMMITS = ("COMMIT", "BEGIN EXCLUSIVE")
_SIMPLE_EVENTS = ("os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir")


class Lost(Exception):
    """Something was lost: what, and after what."""


# ------------------------------------------------------------------ the layer that strikes


class Layer:
    """Counts the steps by which a process changes a disk, and strikes at one of them.

    Parameters
    ----------
    folder
        Only what lies here, or beside it, counts.
    at
        Which step, from 1; 0 only counts.
    error
        Raise this number of an `OSError` at that step and all later ones; 0 kills.
    """

    def __init__(self, folder: Path, at: int, error: int = 0) -> None:
        self.folder = str(folder.parent)
        self.at = at
        self.error = error
        self.n = 0

    def install(self) -> None:
        """Strike in this process from now on; it cannot be undone."""
        sys.addaudithook(self.hook)
        real = sqlite3.connect

        def connect(*args: Any, **options: Any) -> sqlite3.Connection:
            db = real(*args, **options)
            db.set_trace_callback(self._statement)
            return db

        sqlite3.connect = connect  # type: ignore[assignment] # of this process, which ends soon

    def hook(self, event: str, args: tuple[Any, ...]) -> None:
        """Count what is audited (PEP 578) when it changes the disk in the folder."""
        if event == "open":
            counts = self._writes(args)
        else:
            counts = event in _SIMPLE_EVENTS and str(args[0]).startswith(self.folder)
        if counts:
            self._step(str(args[0]))

    def _writes(self, args: tuple[Any, ...]) -> bool:
        path, _mode, flags = args
        return str(path).startswith(self.folder) and bool(flags & (os.O_WRONLY | os.O_RDWR))

    def _statement(self, statement: str) -> None:
        if statement.startswith(_COMMITS) and not self.error:
            self._step("ledger")

    def _step(self, path: str) -> None:
        self.n += 1
        if self.at and self.n == self.at and not self.error:
            os.kill(os.getpid(), signal.SIGKILL)
        if self.at and self.n >= self.at and self.error:
            raise OSError(self.error, os.strerror(self.error), path)


def run_struck(case: Case, base: Path, *, at: int, error: int = 0) -> tuple[int, int]:
    """Do a case in a process of its own that is struck; return its status and its steps."""
    here, there = os.pipe()
    pid = os.fork()
    if pid == 0:
        os._exit(_in_child(case, base, Layer(base, at, error), there))
    os.close(there)
    with os.fdopen(here, "rb") as pipe:
        said = pipe.read()
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    return status, int(said) if said else 0


def _in_child(case: Case, base: Path, layer: Layer, there: int) -> int:
    layer.install()
    try:
        case.act(base)
        status = 0
    except LawnscoreError as error:
        status = _TOLD if len(error.line().splitlines()) == 1 else _FAULT
    except OSError:
        status = _TOLD  # the command line makes one line of it
    except BaseException:
        import traceback

        traceback.print_exc()
        status = _FAULT
    layer.at = 0
    os.write(there, str(layer.n).encode())
    return status


# ------------------------------------------------------------------ what must hold


def check(case: Case, base: Path, before: dict[str, bytes], wanted: dict[str, bytes]) -> None:
    """Raise :class:`Lost` unless nothing was lost, and the next run ends as an undisturbed one."""
    _check_originals(base, before)
    _check_ledger(base)
    _check_whole(base)
    if case.name == "file":
        _check_filed(base, wanted)
    if case.name == "points":
        _check_readings(base)
    case.act(base)
    _check_originals(base, before)
    found = case.outcome(base)
    if found != wanted:
        odd = sorted(set(found) ^ set(wanted)) or [n for n in found if found[n] != wanted[n]]
        raise Lost(f"the next run of {case.name} ends otherwise: {odd[:5]}")
    parts = [p for p in base.rglob("*") if p.name.endswith(".part")]
    if parts:
        raise Lost(f"left behind: {parts}")


def originals(base: Path) -> dict[str, bytes]:
    """Return the photos of the round and of the dump beside it."""
    phone = base.parent / f"{base.name}-phone"
    paths = [*(base / "photos").rglob("*.jpg"), *phone.rglob("*.jpg")]
    return {os.path.relpath(p, base): p.read_bytes() for p in paths}


def _check_originals(base: Path, before: dict[str, bytes]) -> None:
    now = originals(base)
    lost = [name for name, data in before.items() if now.get(name) != data]
    if lost:
        raise Lost(f"originals changed or gone: {lost}")


def _check_ledger(base: Path) -> None:
    path = base / ".lawnscore" / "ledger.sqlite3"
    if path.exists():
        db = sqlite3.connect(path)
        try:
            if db.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
                raise Lost("the ledger is damaged")
        finally:
            db.close()


def _check_readings(base: Path) -> None:
    """What was kept of a first reader is there whole, before the second is read again."""
    data = (base / "points.csv").read_bytes()
    if data.count(b",first,first,") != 12 or not data.endswith(b"\n"):
        raise Lost("readings kept before are gone, or half a row was written")


_ENDS = {".html": b"</html>", ".pdf": b"%%EOF", ".ics": b"END:VCALENDAR"}


def _check_whole(base: Path) -> None:
    """Every file under its own name is whole."""
    for path in (base / "reports").rglob("*"):
        if not path.is_file() or path.name.endswith(".part"):
            continue
        data = path.read_bytes()
        if path.suffix in _ENDS and not data.rstrip().endswith(_ENDS[path.suffix]):
            raise Lost(f"half a file: {path}")
        if path.suffix == ".json":
            json.loads(data)
        if path.suffix == ".csv":
            rows = list(csv.reader(data.decode().splitlines()))
            if not data.endswith(b"\n") or len({len(row) for row in rows}) != 1:
                raise Lost(f"half a table: {path}")


def _check_filed(base: Path, wanted: dict[str, bytes]) -> None:
    """What is called filed lies there whole; what was begun can be undone."""
    visible = {n: d for n, d in photos_of(base).items() if not Path(n).name.startswith(".")}
    for name, data in visible.items():
        if wanted.get(name) != data:
            raise Lost(f"half a photo is called filed: {name}")
    other = base.parent / "undo" / base.name
    shutil.copytree(base, other)
    shutil.copytree(base.parent / f"{base.name}-phone", other.parent / f"{base.name}-phone")
    with contextlib.suppress(LawnscoreError):  # until there is nothing more to undo
        for _ in range(5):
            undo_filing(other)
    left = [n for n in photos_of(other) if "check" in n and not Path(n).name.startswith(".")]
    shutil.rmtree(other.parent)
    if left:
        raise Lost(f"not undone: {left}")


# ------------------------------------------------------------------ the trials


@dataclass(frozen=True)
class Trial:
    """One kind of trouble, how often it was made, and how long it took."""

    case: str
    trouble: str
    n: int
    seconds: float


def prepared(case: Case, folder: Path) -> tuple[Path, dict[str, bytes], dict[str, bytes], int]:
    """Prepare a case; return its round, originals, the outcome undisturbed, and its steps."""
    base = folder / "round"
    case.prepare(base)
    before = originals(base)
    with tempfile.TemporaryDirectory() as other:
        copy = _copied(base, Path(other))
        status, n_steps = run_struck(case, copy, at=0)
        if status != 0:
            raise Lost(f"{case.name} undisturbed ends with status {status}")
        wanted = case.outcome(copy)
    return base, before, wanted, n_steps


def _copied(base: Path, folder: Path) -> Path:
    phone = base.parent / f"{base.name}-phone"
    if phone.exists():
        shutil.copytree(phone, folder / phone.name)
    return Path(shutil.copytree(base, folder / base.name))


def at_each_step(case: Case, *, most: int, error: int = 0) -> Trial:
    """Strike a case at its steps, at most so many of them, evenly spread."""
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as made:
        base, before, wanted, n_steps = prepared(case, Path(made))
        chosen = np.unique(np.linspace(1, n_steps, min(most, n_steps)).astype(int))
        for at in chosen[::-1]:
            with tempfile.TemporaryDirectory() as folder:
                copy = _copied(base, Path(folder))
                status, _ = run_struck(case, copy, at=int(at), error=error)
                # An error of the disk may be met (a file that may be missing) or told.
                if status != _KILLED if not error else status not in (0, _TOLD):
                    raise Lost(f"{case.name}, step {at}: status {status}")
                check(case, copy, before, wanted)
    words = f"errno {errno.errorcode[error]}" if error else "killed at a step"
    return Trial(case.name, words, len(chosen), time.monotonic() - started)


def two_at_once(case: Case, *, n: int) -> Trial:
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as made:
        base, before, wanted, _ = prepared(case, Path(made))
        for _ in range(n):
            with tempfile.TemporaryDirectory() as folder:
                copy = _copied(base, Path(folder))
                pids = [_forked(case, copy) for _ in range(2)]
                ends = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]
                if 0 not in ends or not set(ends) <= {0, _TOLD}:
                    raise Lost(f"two runs of {case.name} end with {ends}")
                check(case, copy, before, wanted)
    return Trial(case.name, "two at once", n, time.monotonic() - started)


def _forked(case: Case, base: Path) -> int:
    pid = os.fork()
    if pid == 0:
        os._exit(_in_child(case, base, Layer(base, 0), os.open(os.devnull, os.O_WRONLY)))
    return pid


# ------------------------------------------------------------------ real runs in processes

_REAL = """
import sys
sys.path.insert(0, {root!r})
from benchmarks.robustness import kills
from pathlib import Path
if __name__ == "__main__":
    kills.real_{name}(Path(sys.argv[1]))
"""


def real_score(base: Path) -> object:
    return score_round(base, scorer=by_content, workers=2, today=TODAY)


def real_file(base: Path) -> object:
    return file_dump(base)


def real_report(base: Path) -> object:
    return write_reports(base, pdf=True)


def real_points(base: Path) -> object:
    return points(base)


def at_random(case: Case, *, n: int, seed: int, worker: bool = False) -> Trial:
    """Kill a real run, or one of its worker processes, at random moments."""
    rng = np.random.default_rng(seed)
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as made:
        base, before, wanted, _ = prepared(case, Path(made))
        script = Path(made) / "run.py"
        text = _REAL.format(root=str(ROOT), name=case.name)
        script.write_text(text)
        whole_s = min(
            _real_run(script, _copied(base, Path(f))) for f in _folders(Path(made), min(3, n))
        )
        for folder in _folders(Path(made), n, start=3):
            copy = _copied(base, folder)
            _real_run(script, copy, kill_after_s=rng.uniform(0.3, whole_s), worker=worker)
            check(case, copy, before, wanted)
            shutil.rmtree(folder)
    words = "worker killed at random" if worker else "killed at random"
    return Trial(case.name, words, n, time.monotonic() - started)


def _folders(base: Path, n: int, *, start: int = 0) -> Iterator[Path]:
    for number in range(start, start + n):
        folder = base / f"run-{number}"
        folder.mkdir()
        yield folder


def _real_run(
    script: Path, base: Path, *, kill_after_s: float | None = None, worker: bool = False
) -> float:
    started = time.monotonic()
    command = [sys.executable, str(script), str(base)]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as run:
        if kill_after_s is None:
            if run.wait() != 0:
                raise Lost(f"a run ends with status {run.returncode}")
        else:
            time.sleep(kill_after_s)
            for pid in _children(run.pid) if worker else [run.pid]:
                os.kill(pid, signal.SIGKILL)
            if worker and run.wait() != 0:
                raise Lost(f"a run whose workers were killed ends with status {run.returncode}")
    return time.monotonic() - started


def _children(pid: int) -> list[int]:
    """Return the worker processes of a process (not what keeps count of its resources)."""
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except OSError:
        return []
    found = [int(word) for word in text.split()]
    return [p for p in found if b"spawn_main" in Path(f"/proc/{p}/cmdline").read_bytes()][:1]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a few of each")
    parser.add_argument("--moments", type=int, default=200, help="random moments a command")
    parser.add_argument("--seed", type=int, default=1)
    names = [case.name for case in CASES]
    parser.add_argument("--only", choices=names, action="append", help="this command alone")
    given = parser.parse_args()
    most = 4 if given.quick else 10_000
    moments = 1 if given.quick else given.moments
    print(f"{'command':8} {'trouble':26} {'times':>5} {'seconds':>8}")
    for case in [case for case in CASES if not given.only or case.name in given.only]:
        for trial in _trials(case, most, moments, given.seed):
            print(f"{trial.case:8} {trial.trouble:26} {trial.n:5} {trial.seconds:8.1f}", flush=True)
    print("Nothing was lost.")


def _trials(case: Case, most: int, moments: int, seed: int) -> Iterator[Trial]:
    yield at_each_step(case, most=most)
    for error in (errno.ENOSPC, errno.EROFS):
        yield at_each_step(case, most=most, error=error)
    yield two_at_once(case, n=min(most, 20))
    yield at_random(case, n=moments, seed=seed)
    if case.name == "score":
        yield at_random(case, n=max(1, moments // 4), seed=seed + 1, worker=True)


if __name__ == "__main__":
    main()
