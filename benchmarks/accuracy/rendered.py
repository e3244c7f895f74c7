"""How right are the numbers? Renders or reads cases, scores them, prints a table a question.

    python -m benchmarks.accuracy.rendered --results DIR                       the full run
    python -m benchmarks.accuracy.rendered --results DIR --jobs 32 --seconds 500  for 500 s
    python -m benchmarks.accuracy.rendered --results DIR --tables-only --markdown PAGE
    python -m benchmarks.accuracy.rendered --results DIR --tables cover casts  some of it
    python -m benchmarks.accuracy.rendered --quick                             a check that it runs

Each result is appended to DIR/results/STUDY.jsonl as soon as it is there: a run that was cut off
keeps what it has, and the same command goes on. A change of the program makes the photos anew.
Real photographs are read when the environment variable LAWNSCORE_DATA names their folder.

There are two sets of cases: `choosing`, whose figures may be looked at when a method or a stated
error is chosen, and `reporting`, whose seeds nothing else uses, for the tables of docs/ACCURACY.md.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

from benchmarks.accuracy import cases, objects, refusing, sources, tables
from benchmarks.accuracy.draws import Case
from benchmarks.accuracy.run import Limits, Result, Store, program_id, run
from benchmarks.accuracy.tables import Table
from benchmarks.pages import put_between

SEEDS = {"choosing": 20_240_501, "reporting": 20_251_125}
"""Of each set; every study adds a number of its own."""

QUICK_SEED = 77_001
"""Of `--quick`, whose photos are in no set."""

Cases = Iterator[Case]


@dataclass(frozen=True)
class Study:
    """One set of cases and the tables made of it.

    `full` takes a multiple of the number of cases and a seed, `quick` a seed.
    """

    full: Callable[[int, int], Cases]
    quick: Callable[[int], Cases]
    tables: tuple[Callable[[list[Result]], Table], ...]


STUDIES: dict[str, Study] = {
    "cover": Study(
        lambda k, seed: cases.cover_cases(240 * k, seed),
        lambda seed: cases.cover_cases(4, seed),
        (
            tables.cover_table,
            tables.cover_by_level_table,
            tables.cover_by_condition_table,
            tables.honesty_table,
        ),
    ),
    "phone": Study(
        lambda k, seed: cases.phone_cases(24 * k, seed + 11),
        lambda seed: cases.phone_cases(1, seed + 11),
        (tables.phone_table,),
    ),
    "odd": Study(
        lambda k, seed: cases.odd_cases(60 * k, seed + 12),
        lambda seed: cases.odd_cases(2, seed + 12),
        (tables.by_tag_table("Errors on unusual lawns, points", "kind", "ground"),),
    ),
    "same": Study(
        lambda k, seed: cases.same_lawn_cases(6 * k, 12, seed + 1),
        lambda seed: cases.same_lawn_cases(1, 3, seed + 1),
        (tables.same_table,),
    ),
    "shade": Study(
        lambda k, seed: cases.shade_cases(80 * k, seed + 2),
        lambda seed: cases.shade_cases(2, seed + 2),
        (refusing.shade_table,),
    ),
    "casts": Study(
        lambda k, seed: cases.cast_cases(12 * k, seed + 3),
        lambda seed: cases.cast_cases(1, seed + 3, (0.0, 40.0)),
        (objects.casts_table, objects.casts_by_state_table),
    ),
    "patches": Study(
        lambda k, seed: cases.patch_cases(30 * k, seed + 4),
        lambda seed: cases.patch_cases(1, seed + 4),
        (objects.patches_table,),
    ),
    "pose": Study(
        lambda k, seed: cases.pose_cases(60 * k, seed + 5),
        lambda seed: cases.pose_cases(3, seed + 5),
        (objects.pose_table,),
    ),
    "refusing": Study(
        lambda k, seed: cases.spoilt_cases(12 * k, 108 * k, seed + 6),
        lambda seed: cases.spoilt_cases(1, 1, seed + 6, ("none", "tilt", "no card")),
        (refusing.refusing_table,),
    ),
    "scale": Study(
        lambda k, seed: cases.scale_cases(20 * k, seed + 7),
        lambda seed: cases.scale_cases(1, seed + 7),
        (tables.by_tag_table("Errors by photo scale", "mm_per_px", "mm per pixel"),),
    ),
    "jpeg": Study(
        lambda k, seed: cases.jpeg_cases(12 * k, seed + 8),
        lambda seed: cases.jpeg_cases(1, seed + 8),
        (tables.by_tag_table("Errors by JPEG quality", "quality", "quality"),),
    ),
    "sources": Study(
        lambda k, seed: cases.source_cases(20 * k, seed + 9),
        lambda seed: cases.source_cases(1, seed + 9),
        (),
    ),
}
EXTRA = ("visits", "real", "charts")
"""Questions that are not answered by a set of rendered photos alone."""

FEEDS = {"refusing": ("cover", "shade"), "visits": ("cover",)}
"""Studies whose photos another question needs beside its own."""


def main(arguments: list[str] | None = None) -> int:
    """Run the study; the exit status is 0 unless photos are missing."""
    options = _parser().parse_args(arguments)
    asked = options.tables or [*STUDIES, *EXTRA]
    needed = [n for n in STUDIES if n in asked or any(n in FEEDS.get(a, ()) for a in asked)]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(options.results or scratch)
        store = Store(folder / "results", any_program=options.any_program)
        wanted = {n: _cases(n, options) for n in needed}
        missing = 0 if options.tables_only else _run(wanted, folder, store, options)
        results = {n: list(store.read(some).values()) for n, some in wanted.items()}
    made = _tables(asked, results, options)
    count = {n: (len(results[n]), len(wanted[n])) for n in needed}
    head = _environment(results, count, options)
    for name, part in made.items():
        for table in part:
            print(f"[{name}] {tables.plain(table)}", flush=True)
    print(head)
    if options.timings:
        print(tables.plain(tables.timings_table(results)))
    if options.markdown:
        _write_markdown(Path(options.markdown), made, head)
    return 1 if missing else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="few cases, small, for CI")
    parser.add_argument("--set", choices=[*SEEDS], default="reporting", help="of cases")
    parser.add_argument("--times", type=int, default=1, help="so many times the usual cases")
    parser.add_argument("--results", metavar="DIR", help="where results are kept")
    parser.add_argument("--tables-only", action="store_true", help="of what is there; no scoring")
    parser.add_argument("--tables", nargs="+", choices=[*STUDIES, *EXTRA], help="only these")
    parser.add_argument("--any-program", action="store_true", help="results of older ones too")
    parser.add_argument("--keep-photos", action="store_true", help="in DIR/photos, for reuse")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no photo after these")
    parser.add_argument("--timings", action="store_true", help="print processor seconds too")
    parser.add_argument("--markdown", metavar="FILE", help="write the tables into this file")
    return parser


def _cases(name: str, options: argparse.Namespace) -> list[Case]:
    study = STUDIES[name]
    if options.quick:
        return list(study.quick(QUICK_SEED))
    return list(study.full(options.times, SEEDS[options.set]))


def _run(
    wanted: dict[str, list[Case]], folder: Path, store: Store, options: argparse.Namespace
) -> int:
    """Make what is not there yet; return how many photos are still missing."""
    photos = folder / "photos" if options.keep_photos else None
    if photos is not None:
        photos.mkdir(parents=True, exist_ok=True)
    every = [case for some in wanted.values() for case in some]
    there = store.read(every)
    todo = [case for case in every if case.key not in there]
    missing = run(todo, store, Limits(options.jobs, options.seconds), photos=photos) if todo else 0
    if missing:
        print(f"{missing} photos are missing; the same command goes on", file=sys.stderr)
    return missing


def _tables(
    asked: list[str], results: dict[str, list[Result]], options: argparse.Namespace
) -> dict[str, list[Table]]:
    made = {
        n: [make(results[n]) for make in STUDIES[n].tables]
        for n in STUDIES
        if n in asked and results[n]
    }
    if "refusing" in made:
        made["refusing"].append(refusing.refusing_summary(results))
    if "sources" in made:
        made["sources"] = sources.sources_tables(results["sources"])
    if "visits" in asked and results["cover"]:
        from benchmarks.accuracy.visits import visits_tables

        seed = SEEDS[options.set] + 10
        made["visits"] = visits_tables(results["cover"], quick=options.quick, seed=seed)
    data = os.environ.get("LAWNSCORE_DATA")
    if data:
        from benchmarks.accuracy import real_tables

        if "real" in asked:
            made["real"] = [real_tables.cover_table(Path(data))]
        if "charts" in asked:
            made["charts"] = [real_tables.charts_table(Path(data))]
    return made


def _environment(
    results: dict[str, list[Result]],
    count: dict[str, tuple[int, int]],
    options: argparse.Namespace,
) -> str:
    """What the tables were made of and with."""
    import cv2
    import numpy as np

    from lawnscore import __version__

    programs = sorted({r["program"] for some in results.values() for r in some})
    wanting = [f"{name} {n} of {total}" for name, (n, total) in count.items() if n < total]
    cases_of = f"set {options.set}, seed {SEEDS[options.set]}, times {options.times}"
    if options.quick:
        cases_of = f"quick, seed {QUICK_SEED}"
    seconds = sum(sum(r["seconds"].values()) for some in results.values() for r in some)
    return (
        f"lawnscore {__version__} (program {', '.join(programs) or program_id()}), "
        f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}, "
        f"{platform.machine()}; {cases_of}, "
        f"{sum(n for n, _ in count.values())} photos"
        + (f" (not all there: {', '.join(wanting)})" if wanting else "")
        + f", {seconds:.0f} processor seconds"
    )


def _write_markdown(path: Path, made: dict[str, list[Table]], head: str) -> None:
    """Put the tables between the markers of a file that says in words how they were made."""
    body = "\n".join(tables.markdown(table) for part in made.values() for table in part)
    put_between(path, "tables", f"{body}\n{head}")


if __name__ == "__main__":
    sys.exit(main())
