"""Would the tests notice? Faults of one line are put in one at a time, and tests run against each.

The faults stand in `mutants.toml`: a file, its exact text, what it is changed to, and the tests
that should notice. Each is put into a copy of the tree, never into the tree itself. A text that is
not there exactly once is an error, so the list cannot go stale in silence. A fault that no test
notices may be kept with the reason why not (`unseen`); at least 95 % are to be noticed.

Importing NumPy, pandas, SciPy and OpenCV takes longer than most of the tests, so they are imported
once and each fault is tried in a fork of this process.

    python -m benchmarks.mutants [--quick] [--only photo/]
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import platform
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
LIST = ROOT / "benchmarks" / "mutants.toml"
PACKAGE = "lawnscore"
LEAST_NOTICED = 0.95
QUICK = 5
"""Faults of a quick run."""

_COPIED = (PACKAGE, "tests", "benchmarks", "pyproject.toml")
_LEFT_OUT = frozenset({".git", ".venv", ".ruff_cache", ".mypy_cache", ".pytest_cache"})
_IMPORTED_ONCE = ("cv2", "pandas", "PIL.Image", "scipy.optimize", "scipy.spatial", "scipy.stats",
                  "typer.testing", "pytest")  # fmt: skip
_LONGEST_S = 600.0
_WAIT_S = 0.05
_SAID = "said.txt"
_FAILED, _PASSED = 1, 0
"""What pytest returns when tests failed, and when all passed."""


class StaleError(Exception):
    """A fault that cannot be put in: its text is gone or stands twice, or its tests are gone."""


@dataclass(frozen=True)
class Mutant:
    """One fault.

    Parameters
    ----------
    file
        File of the package, relative to it.
    old, new
        Text that stands in it once, and the fault.
    tests
        Test files, or single tests as pytest names them, that should notice.
    unseen
        Why no test notices it; empty for all that should be noticed.
    slow
        Takes more than some seconds to be noticed: left out of the sample that tests run.
    """

    file: str
    old: str
    new: str
    tests: tuple[str, ...]
    unseen: str = ""
    slow: bool = False

    @property
    def name(self) -> str:
        """Return what it is called in tables: file and the fault, on one line."""
        old, new = (" ".join(text.split()) for text in (self.old, self.new))
        return f"{self.file}: {new or f'without {old}'}"


@dataclass(frozen=True)
class Outcome:
    """What became of a fault: whether a test noticed it, and the seconds that took."""

    mutant: Mutant
    noticed: bool
    seconds: float

    @property
    def as_told(self) -> bool:
        """Return whether it went as the list says."""
        return self.noticed is not bool(self.mutant.unseen)


def read_mutants(path: Path = LIST) -> list[Mutant]:
    """Return the kept list."""
    rows = tomllib.loads(path.read_text(encoding="utf-8"))["fault"]
    return [Mutant(**{**row, "tests": tuple(row["tests"])}) for row in rows]


def changed_source(mutant: Mutant, root: Path = ROOT) -> str:
    """Return the source of a file with its fault.

    Raises
    ------
    StaleError
        When the old text does not stand in it exactly once, the fault is none or no Python, or a
        test is not there.
    """
    path = root / PACKAGE / mutant.file
    source = path.read_text(encoding="utf-8") if path.is_file() else ""
    found = source.count(mutant.old)
    if found != 1:
        raise StaleError(f"{mutant.file}: stands {found} times, not once: {mutant.old!r}")
    changed = source.replace(mutant.old, mutant.new)
    if changed == source:
        raise StaleError(f"{mutant.file}: changes nothing: {mutant.old!r}")
    if path.suffix == ".py":
        try:
            compile(changed, mutant.file, "exec")
        except SyntaxError as error:
            raise StaleError(f"{mutant.name}: no Python any more ({error})") from None
    for test in mutant.tests:
        file, _, function = test.partition("::")
        text = (root / file).read_text(encoding="utf-8") if (root / file).is_file() else ""
        if not text or f"def {function.partition('[')[0]}" not in text:
            raise StaleError(f"{mutant.file}: there is no test {test}")
    return changed


@contextmanager
def copy_with(mutant: Mutant, root: Path = ROOT) -> Iterator[Path]:
    """Give a copy of the tree in which the fault stands; what tests only read is linked."""
    changed = changed_source(mutant, root)
    with tempfile.TemporaryDirectory(prefix="fault-") as folder:
        copy = Path(folder)
        for entry in root.iterdir():
            if entry.name in _LEFT_OUT:
                continue
            if entry.name not in _COPIED:
                (copy / entry.name).symlink_to(entry)
            elif entry.is_dir():
                shutil.copytree(entry, copy / entry.name)
            else:
                shutil.copy2(entry, copy / entry.name)
        path = copy / PACKAGE / mutant.file
        path.write_text(changed, encoding="utf-8")
        for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
            stale.unlink()
        yield copy


def outcome(mutant: Mutant, root: Path = ROOT) -> Outcome:
    """Put a fault into a copy of the tree and return whether its tests notice it there.

    Raises
    ------
    StaleError
        When it cannot be put in, or the tests could not be run at all.
    """
    began = time.perf_counter()
    with copy_with(mutant, root) as copy:
        code = _tests_in_fork(copy, mutant.tests)
        said = (copy / _SAID).read_text(encoding="utf-8", errors="replace")
    if code not in (_FAILED, _PASSED, None):
        raise StaleError(f"{mutant.name}: the tests did not run\n{said}")
    return Outcome(mutant, code != _PASSED, time.perf_counter() - began)


def _tests_in_fork(copy: Path, tests: Sequence[str]) -> int | None:
    """Return what pytest returned in a copy of the tree; ``None`` when it never ends."""
    child = os.fork()
    if not child:
        code = 70  # what sysexits.h calls an internal software error
        with contextlib.suppress(BaseException):
            code = _tests_here(copy, tests)
        os._exit(code)
    until = time.monotonic() + _LONGEST_S
    while time.monotonic() < until:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(_WAIT_S)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def _tests_here(copy: Path, tests: Sequence[str]) -> int:
    """Run tests of a copy of the tree in this process, which is a fork for it alone."""
    import pytest

    os.chdir(copy)
    with (copy / _SAID).open("wb") as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
    sys.dont_write_bytecode = True
    os.environ |= {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    # A virtual environment may lie within the checkout: only the checkout's own places go.
    own = (ROOT, ROOT / "tests")
    sys.path[:] = [str(copy), *(p for p in sys.path if p and Path(p) not in own)]
    for name in [n for n in sys.modules if n.split(".")[0] in (PACKAGE, "tests", "benchmarks")]:
        del sys.modules[name]
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *tests]))


def sample(mutants: Sequence[Mutant], n: int, seed: int) -> list[Mutant]:
    """Return some of the faults that are quickly noticed, others for every seed."""
    quick = [mutant for mutant in mutants if not (mutant.slow or mutant.unseen)]
    chosen = np.random.default_rng(seed).permutation(len(quick))[:n]
    return [quick[k] for k in chosen]


def line(one: Outcome) -> str:
    """Return what became of a fault on one line."""
    word = "noticed" if one.noticed else "UNSEEN"
    told = "" if one.as_told else "   <- not as the list says"
    return f"{word:8s} {one.seconds:6.1f} s  {one.mutant.name}{told}"


def summary(found: Sequence[Outcome]) -> list[str]:
    """Return how many were noticed, and those that were not with the reason."""
    noticed = sum(one.noticed for one in found)
    out = ["", f"{noticed} of {len(found)} faults noticed ({100 * noticed / len(found):.1f} %)."]
    for one in found:
        if not one.noticed:
            out.append(f"  unseen: {one.mutant.name}: {one.mutant.unseen or 'no reason is kept'}")
    return out


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the faults; return 1 when one did not go as told or too few were noticed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} faults, others every day")
    parser.add_argument("--only", default="", help="only faults whose name holds this text")
    parser.add_argument("--check", action="store_true", help="only say whether the list is stale")
    chosen = parser.parse_args(arguments)
    mutants = [mutant for mutant in read_mutants() if chosen.only in mutant.name]
    for mutant in mutants:
        changed_source(mutant)
    if chosen.quick:
        mutants = sample(mutants, QUICK, int(time.time() // 86_400))
    print(f"{len(mutants)} faults; Python {platform.python_version()}, {platform.system()}")
    if chosen.check or not mutants:
        return 0
    for name in _IMPORTED_ONCE:
        importlib.import_module(name)
    found = []
    for mutant in mutants:
        found.append(outcome(mutant))
        print(line(found[-1]), flush=True)
    print("\n".join(summary(found)))
    enough = sum(one.noticed for one in found) >= LEAST_NOTICED * len(found)
    return 0 if enough and all(one.as_told for one in found) else 1


if __name__ == "__main__":
    sys.exit(main())
