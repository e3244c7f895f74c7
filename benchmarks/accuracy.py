"""How right are the numbers? Renders or reads cases, scores them, prints a table a question.

    python benchmarks/accuracy.py --quick                        a few minutes' check for CI
    python benchmarks/accuracy.py --results FOLDER               the full run; continues in FOLDER
    python benchmarks/accuracy.py --results FOLDER --tables cover casts
    python benchmarks/accuracy.py --results FOLDER --markdown ACCURACY.md

Rendered photos are kept in FOLDER/photos and are scored anew in every run, so that a change of
the program is measured on the same photos. Real photographs are read when the environment
variable LAWNSCORE_DATA names their folder.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import accuracy_cases as cases
import accuracy_tables as tables
from accuracy_cases import Case
from accuracy_tables import Result, Table

SEED = 20_240_501


@dataclass(frozen=True)
class Study:
    """One set of cases and the tables made of it."""

    full: Callable[[], Iterator[Case]]
    quick: Callable[[], Iterator[Case]]
    tables: tuple[Callable[[list[Result]], Table], ...]


STUDIES: dict[str, Study] = {
    "cover": Study(
        lambda: cases.cover_cases(48, SEED),
        lambda: cases.cover_cases(3, SEED),
        (tables.cover_table, tables.cover_by_level_table, tables.honesty_table),
    ),
    "same": Study(
        lambda: cases.same_lawn_cases(4, 12, SEED + 1),
        lambda: cases.same_lawn_cases(1, 3, SEED + 1),
        (tables.same_table,),
    ),
    "shade": Study(
        lambda: cases.shade_cases(14, SEED + 2),
        lambda: cases.shade_cases(2, SEED + 2),
        (tables.shade_table,),
    ),
    "casts": Study(
        lambda: cases.cast_cases(3, SEED + 3),
        lambda: cases.cast_cases(1, SEED + 3, (0.0, 40.0)),
        (tables.casts_table,),
    ),
    "patches": Study(
        lambda: cases.patch_cases(8, SEED + 4),
        lambda: cases.patch_cases(1, SEED + 4),
        (tables.patches_table,),
    ),
    "pose": Study(
        lambda: cases.pose_cases(18, SEED + 5),
        lambda: cases.pose_cases(3, SEED + 5),
        (tables.pose_table,),
    ),
    "refusing": Study(
        lambda: cases.spoilt_cases(4, SEED + 6),
        lambda: cases.spoilt_cases(1, SEED + 6, ("none", "mirrored")),
        (tables.refusing_table,),
    ),
    "scale": Study(
        lambda: cases.scale_cases(4, SEED + 7),
        lambda: cases.scale_cases(1, SEED + 7),
        (tables.by_tag_table("Errors by photo scale", "mm_per_px", "mm per pixel"),),
    ),
    "jpeg": Study(
        lambda: cases.jpeg_cases(3, SEED + 8),
        lambda: cases.jpeg_cases(1, SEED + 8),
        (tables.by_tag_table("Errors by JPEG quality", "quality", "quality"),),
    ),
    "sources": Study(
        lambda: cases.source_cases(5, SEED + 9),
        lambda: cases.source_cases(1, SEED + 9),
        (
            tables.by_tag_table(
                "Errors with one source after another taken away", "source", "what is left"
            ),
        ),
    ),
}
EXTRA = ("visits", "real", "charts")
"""Questions that are not answered by a set of rendered photos alone."""


def main(arguments: list[str] | None = None) -> int:
    """Run the study; the exit status is 0 whatever the figures are."""
    options = _parser().parse_args(arguments)
    names = options.tables or [*STUDIES, *EXTRA]
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(options.results or scratch)
        for part in ("photos", "lawns"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        results = {n: _run(n, folder, options) for n in STUDIES if n in names or _feeds(n, names)}
        if options.render:
            return 0
        made = _tables(names, results, quick=options.quick)
    head = _environment(time.perf_counter() - started, options)
    for name, part in made.items():
        for table in part:
            print(f"[{name}] {tables.plain(table)}", flush=True)
    print(head)
    if options.markdown:
        _write_markdown(Path(options.markdown), made, head)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="few cases, small, for CI")
    parser.add_argument("--results", help="folder for rendered photos; a later run reuses them")
    parser.add_argument("--render", action="store_true", help="render the photos, score nothing")
    parser.add_argument("--tables", nargs="+", choices=[*STUDIES, *EXTRA], help="only these")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--markdown", help="write the tables into this file")
    return parser


def _feeds(name: str, wanted: list[str]) -> bool:
    """Whether a study's results are needed by another table that is wanted."""
    return name == "cover" and bool({"refusing", "visits"} & set(wanted))


def _run(name: str, folder: Path, options: argparse.Namespace) -> list[Result]:
    study = STUDIES[name]
    todo = list(study.quick() if options.quick else study.full())
    groups: dict[tuple[object, int], list[Case]] = {}
    for case in todo:
        groups.setdefault((case.spec, case.lawn_seed), []).append(case)
    began = time.perf_counter()
    if options.jobs == 1:
        done = [_run_group(group, folder, options.render) for group in groups.values()]
    else:
        with ProcessPoolExecutor(options.jobs) as pool:
            n = len(groups)
            done = list(pool.map(_run_group, groups.values(), [folder] * n, [options.render] * n))
    results = [result for group in done for result in group]
    seconds = time.perf_counter() - began
    print(f"{name}: {len(results)} photos in {seconds:.0f} s", file=sys.stderr, flush=True)
    order = {case.name: k for k, case in enumerate(todo)}
    return sorted(results, key=lambda result: order[result["name"]])


def _run_group(group: list[Case], folder: Path, render_only: bool) -> list[Result]:
    import cv2
    from accuracy_truth import render_case, run_case

    cv2.setNumThreads(1)
    if render_only:
        for case in group:
            render_case(case, folder)
        return []
    return [run_case(case, folder) for case in group]


def _tables(
    names: list[str], results: dict[str, list[Result]], *, quick: bool
) -> dict[str, list[Table]]:
    made = {n: [make(results[n]) for make in STUDIES[n].tables] for n in STUDIES if n in names}
    if "refusing" in made:
        good = [r for r in results["refusing"] if r["tags"]["kind"] == "none"]
        spoilt = [r for r in results["refusing"] if r["tags"]["kind"] != "none"]
        made["refusing"].append(tables.refusing_summary(spoilt, [*good, *results["cover"]]))
    if "visits" in names:
        from accuracy_visits import visits_tables

        made["visits"] = visits_tables(results["cover"], quick=quick, seed=SEED + 10)
    data = os.environ.get("LAWNSCORE_DATA")
    if data:
        import accuracy_real

        if "real" in names:
            made["real"] = [accuracy_real.cover_table(Path(data))]
        if "charts" in names:
            made["charts"] = [accuracy_real.charts_table(Path(data))]
    return made


def _environment(seconds: float, options: argparse.Namespace) -> str:
    import cv2
    import numpy as np

    from lawnscore import __version__

    return (
        f"lawnscore {__version__}, Python {platform.python_version()}, NumPy {np.__version__}, "
        f"OpenCV {cv2.__version__}, {platform.machine()}, {options.jobs} processes, "
        f"seed {SEED}, {seconds / 60:.1f} min{', quick' if options.quick else ''}"
    )


def _write_markdown(path: Path, made: dict[str, list[Table]], head: str) -> None:
    """Put the tables between the markers of a file that says in words how they were made."""
    begin, end = "<!-- tables -->", "<!-- end of tables -->"
    text = path.read_text(encoding="utf-8") if path.is_file() else f"{begin}\n{end}\n"
    before, rest = text.split(begin, 1)
    after = rest.split(end, 1)[1]
    body = "\n".join(tables.markdown(table) for part in made.values() for table in part)
    path.write_text(f"{before}{begin}\n\n{body}\n{head}\n\n{end}{after}", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
