"""The targets of speed and what is measured beside each, part by part; for `__main__`.

Every part runs in a process of its own, so that the memory of one is not the peak of another.
What an idle machine must show on the clock is marked so; all else is processor time and memory,
or a ratio of two measured in turn, and means the same on a busy machine, within what cores that
share a processor take from one another.
"""

from __future__ import annotations

import compileall
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Figure:
    """One line of the table.

    Parameters
    ----------
    what, unit
        What was measured, in what; the unit says whether it is of the clock.
    measured
        The figure.
    target
        What it should not pass; ``None`` for what is only told.
    least
        The target is a least, not a most.
    """

    what: str
    measured: float
    unit: str
    target: float | None = None
    least: bool = False

    @property
    def verdict(self) -> str:
        """Whether the target is met; empty without one."""
        if self.target is None:
            return ""
        met = self.measured >= self.target if self.least else self.measured <= self.target
        return "met" if met else "MISSED"


def start(quick: bool) -> list[Figure]:
    from benchmarks.speed import start as study

    code = study.CASES["lawnscore --help"]
    study.cpu_s(code)  # compiled once
    n = 3 if quick else 11
    took = statistics.median(study.cpu_s(code) for _ in range(n))
    return [Figure("`lawnscore --help`", took, "s CPU", study.TARGET_S)]


def _photo(size: str, pairs: int) -> list[Figure]:
    from benchmarks.speed import score as study

    width, height = study.SIZES[size]
    name = f"a photo of {width * height / 1e6:.0f} megapixels"
    with study.one_core(), tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "photo.jpg"
        study.render_apart(path, size=size)
        _, _, ratio, _, status = study.measure_pairs(path, pairs)
        memory = study.memory_mb(path)
    if status != "scored":
        raise SystemExit(f"the photo was {status}: nothing was measured")
    return [
        Figure(f"{name}, of its full decode", ratio, "times", study.TARGET_RATIO[size]),
        Figure(f"{name}, memory", memory, "MB", study.TARGET_MB[size]),
    ]


def photo(quick: bool) -> list[Figure]:
    return _photo("quick" if quick else "usual", 3 if quick else 15)


def plain(quick: bool) -> list[Figure]:
    """The program against the same measures written plainly with scikit-image."""
    from benchmarks.speed import plain as study
    from benchmarks.speed.score import one_core, render_apart

    with one_core(), tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "photo.jpg"
        render_apart(path, size="quick" if quick else "usual")
        found = study.compare(path, 1 if quick else 3)
    return [
        Figure("plainly with scikit-image, of the program", found.times, "times",
               None if quick else study.TARGET, least=True),
        Figure("shares of the two differ by", found.apart, "points", study.WITHIN_POINTS),
    ]  # fmt: skip


def large(quick: bool) -> list[Figure]:
    return [] if quick else _photo("large", 7)


def batch(quick: bool) -> list[Figure]:
    """A batch beside its photos alone; and one process beside two, on the clock."""
    from benchmarks.speed import batch as study
    from benchmarks.speed.score import render_apart

    compileall.compile_dir(ROOT / "lawnscore", quiet=2)  # as installing does
    n_photos, pairs = (12, 1) if quick else (160, 3)
    with tempfile.TemporaryDirectory() as scratch:
        picture = Path(scratch) / "picture.jpg"
        render_apart(picture, size="quick")
        base = study.make_round(Path(scratch) / "round", picture.read_bytes(), n_photos)
        times = np.array([study.measure(base, 2) for _ in range(pairs)])
        clock = []
        code = f"if __name__ == '__main__':\n{study.indented(study.BATCH)}"
        for workers in (1, 2):
            for made in (".lawnscore", "reports"):
                shutil.rmtree(base / made, ignore_errors=True)
            began = time.perf_counter()
            study.run(code, base, workers)
            clock.append(time.perf_counter() - began)
    ratio = float(np.median(times[:, 0] / times[:, 1]))
    return [
        Figure(f"a batch of {n_photos} photos, of them alone", ratio, "times", study.TARGET_RATIO),
        Figure("a photo of 3 megapixels in it", 1e3 * float(np.median(times[:, 0])) / n_photos,
               "ms CPU"),
        Figure("two processes, of one", clock[0] / clock[1], "times, clock", 1.85, least=True),
    ]  # fmt: skip


def unchanged(quick: bool) -> list[Figure]:
    from benchmarks.speed import unchanged as study

    compileall.compile_dir(ROOT / "lawnscore", quiet=2)
    sizes = study.QUICK_SIZES if quick else study.SIZES
    costs = [study.cost(n, 1 if quick else study.RUNS)[1] for n in sizes]
    return [
        Figure(f"an unchanged round of {n:,} photos", took, "s CPU",
               study.TARGET_S if n == study.SIZES[-1] else None)
        for n, took in zip(sizes, costs, strict=True)
    ]  # fmt: skip


def _history(lawns: int, target_s: float | None, target_mb: float | None) -> list[Figure]:
    from benchmarks.speed import history as study

    last = list(study.steps(lawns, 5, 5))[-1]
    name = f"history of {last.rows:,} visit rows"
    return [
        Figure(name, last.cpu_s, "s CPU", target_s),
        Figure(f"{name}, memory", last.peak_mb, "MB", target_mb),
    ]


def history(quick: bool) -> list[Figure]:
    """Ever larger ones in one process: each has the peak of those before it."""
    sizes = (5, 50) if quick else (50, 500, 5000)
    found = [_history(n, 30.0 if n == 5000 else None, 1500.0 if n == 5000 else None) for n in sizes]
    return [figure for one in found for figure in one]


def million(quick: bool) -> list[Figure]:
    return [] if quick else _history(16_667, None, None)


def reports(quick: bool) -> list[Figure]:
    """Reports of ever more lawns; again with nothing changed, and with one lawn changed."""
    from benchmarks.speed import reports as study

    sizes = study.QUICK_SIZES if quick else study.SIZES
    visits = 4 if quick else study.N_VISITS
    options = SimpleNamespace(seed=7, pdf=False)
    found = []
    for lawns in (1, *sizes):  # libraries are loaded once
        with tempfile.TemporaryDirectory() as folder:
            (_, wall, cpu), again, one = study.time_reports(
                Path(folder) / "round", lawns, visits, options
            )
        found.append(Figure(f"reports of {lawns} lawns", cpu, "s CPU"))
    return [
        *found[1:],
        Figure(f"reports of {lawns} lawns", wall, "s, clock",
               None if quick else study.TARGET_S),
        Figure("again, nothing changed, of all", again[2] / cpu, "times"),
        Figure("again, one lawn changed, of all", one[2] / cpu, "times"),
    ]  # fmt: skip


def demo(quick: bool) -> list[Figure]:
    from benchmarks.speed import demo as study

    if quick:
        return []
    with tempfile.TemporaryDirectory() as folder:
        wall, cpu = study.whole_round(Path(folder) / "round")
    return [
        Figure("the demo round", wall, "s, clock", study.TARGET_S),
        Figure("the demo round", cpu, "s CPU"),
    ]


PARTS: dict[str, Callable[[bool], list[Figure]]] = {
    part.__name__: part
    for part in (start, photo, plain, large, batch, unchanged, history, million, reports, demo)
}
"""What measures each part of the table; called with whether a small run is wanted."""
