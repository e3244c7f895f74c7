"""Run cases over processes and keep their results: one line of JSON a photo, a file a study."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import sys
import tempfile
import time
import traceback
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from benchmarks.accuracy.draws import Case

Result = dict[str, Any]
REPORT_S = 15.0
"""Seconds between lines that say how far a run is."""


@lru_cache(maxsize=1)
def program_id() -> str:
    """Eight digits that change with the code and data that make, score and judge a photo."""
    import lawnscore

    package = Path(lawnscore.__file__).parent
    here = Path(__file__).parent
    rooms = ("contract", "card", "photo", "demo")
    paths = [p for room in rooms for p in (package / room).rglob("*") if p.suffix != ".pyc"]
    paths += [here / "truth.py", here / "render.py"]
    digest = hashlib.sha256()
    for path in sorted(p for p in paths if p.is_file()):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:8]


@dataclass(frozen=True)
class Store:
    """Results in a folder; `any_program` takes those of an older program too."""

    folder: Path
    any_program: bool = False

    def read(self, cases: Iterable[Case]) -> dict[str, Result]:
        """Results of those cases that have one, by key; the last line of a case counts."""
        keys = {case.key: case.study for case in cases}
        found = {}
        for study in dict.fromkeys(keys.values()):
            for result in self._lines(study):
                mine = self.any_program or result["program"] == program_id()
                if mine and keys.get(result["key"]) == study:
                    found[result["key"]] = result
        return found

    def _lines(self, study: str) -> Iterator[Result]:
        path = self.folder / f"{study}.jsonl"
        if not path.is_file():
            return
        with path.open(encoding="utf-8") as file:
            for line in file:
                try:
                    yield json.loads(line)
                except json.JSONDecodeError:  # the last line of a run that was cut off
                    continue

    def add(self, results: list[Result]) -> None:
        """Append results and flush them."""
        self.folder.mkdir(parents=True, exist_ok=True)
        for result in results:
            path = self.folder / f"{result['study']}.jsonl"
            with path.open("a+b") as file:
                if file.tell():  # a run cut off within a line leaves it without its end
                    file.seek(-1, 2)
                    if file.read(1) != b"\n":
                        file.write(b"\n")
                file.write(json.dumps(result | {"program": program_id()}).encode() + b"\n")


@dataclass(frozen=True)
class Limits:
    """Processes, and seconds after which no new photo is begun."""

    jobs: int
    seconds: float


def run(cases: list[Case], store: Store, limits: Limits, *, photos: Path | None) -> int:
    """Render, score and store; return how many photos went wrong or were not begun.

    Photos of one lawn go to one process, which grows the lawn once; the many-photo lawns go
    first, so that none of them is what the others wait for at the end. With `photos` the
    rendered photos are kept there, and taken from there by a later run.
    """
    lawns: dict[tuple[object, int], list[Case]] = {}
    for case in cases:
        lawns.setdefault((case.spec, case.lawn_seed), []).append(case)
    groups = sorted(lawns.values(), key=_work, reverse=True)
    until = time.time() + limits.seconds
    done, began, said = 0, time.perf_counter(), time.perf_counter()
    for results in _results(groups, limits.jobs, until, photos):
        store.add(results)
        done += len(results)
        now = time.perf_counter()
        if now - said > REPORT_S or done == len(cases):
            said = now
            print(
                f"{done} of {len(cases)} photos, {now - began:.0f} s", file=sys.stderr, flush=True
            )
    return len(cases) - done


def _work(group: list[Case]) -> float:
    """Work of a lawn, roughly: growing it, and half as much for each photo."""
    return group[0].spec.width_mm * group[0].spec.height_mm * (1 + 0.5 * len(group))


def _results(
    groups: list[list[Case]], jobs: int, until: float, photos: Path | None
) -> Iterator[list[Result]]:
    if jobs == 1:
        for group in groups:
            yield run_lawn(group, until, photos)
        return
    import cv2

    from benchmarks.accuracy.render import warm

    cv2.setNumThreads(1)  # threads of the parent would be missing in its children
    warm()  # before the processes part, so that it is made once
    waiting = iter(groups)
    # Forked processes share what is warm; other systems make it anew.
    forks = "fork" in multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("fork" if forks else None)
    with ProcessPoolExecutor(jobs, mp_context=context) as pool:
        running: set[Future[list[Result]]] = set()
        while True:
            while len(running) < jobs + 2 and time.time() < until:
                group = next(waiting, None)
                if group is None:
                    break
                running.add(pool.submit(run_lawn, group, until, photos))
            if not running:
                return
            ended, running = wait(running, return_when=FIRST_COMPLETED)
            for future in ended:
                yield future.result()


def run_lawn(group: list[Case], until: float, photos: Path | None) -> list[Result]:
    """Results of the photos of one lawn; one that goes wrong is said and left out."""
    import cv2

    from benchmarks.accuracy.truth import run_case

    cv2.setNumThreads(1)
    results = []
    with tempfile.TemporaryDirectory(prefix="accuracy-") as scratch:
        for case in group:
            if time.time() >= until:
                break
            try:
                results.append(run_case(case, photos or Path(scratch), keep=photos is not None))
            except Exception:
                print(f"{case.study} {case.name}:", file=sys.stderr)
                traceback.print_exc()
    return results
