"""Every target of speed beside what is measured, in one table.

    python -m benchmarks.speed                             all of it: half an hour
    python -m benchmarks.speed --only start --only batch   some parts
    python -m benchmarks.speed --quick                     small ones, which prove that it runs

Figures "of the clock" need an idle machine with two cores; the load is printed. The others are
processor time, memory, or ratios of two things measured in turn (`figures.py`).
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
from dataclasses import asdict

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")

from benchmarks.speed.figures import PARTS, ROOT, Figure


def measured(part: str, *, quick: bool) -> list[Figure] | str:
    """Measure a part in a process of its own; return why not where that fails."""
    command = [sys.executable, "-m", "benchmarks.speed", "--part", part]
    path = os.pathsep.join([str(ROOT), str(ROOT / "benchmarks")])
    done = subprocess.run(
        [*command, *(["--quick"] if quick else [])],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True,
    )  # fmt: skip
    if done.returncode:
        return (done.stderr.strip() or "nothing was said").splitlines()[-1]
    return [Figure(**one) for one in json.loads(done.stdout.splitlines()[-1])]


def line(figure: Figure) -> str:
    """Return one line of the table."""
    sign = ">=" if figure.least else "<="
    target = "" if figure.target is None else f"{sign} {figure.target:g}"
    value = f"{figure.measured:12.2f} {figure.unit:13}"
    return f"{figure.what:46} {value} {target:>8}  {figure.verdict}".rstrip()


def main(arguments: list[str] | None = None) -> int:
    """Print the table; exit status 1 when a part could not be measured."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", choices=PARTS, action="append", help="this part; may be repeated")
    parser.add_argument("--quick", action="store_true", help="small, and no large photo or demo")
    parser.add_argument("--part", choices=PARTS, help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.part:
        print(json.dumps([asdict(one) for one in PARTS[options.part](options.quick)]))
        return 0
    load = os.getloadavg()[0]
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores,"
          f" load {load:.1f}")  # fmt: skip
    failed = 0
    for part in options.only or PARTS:
        found = measured(part, quick=options.quick)
        if isinstance(found, str):
            failed += 1
            print(f"{part}: not measured ({found})", flush=True)
            continue
        for figure in found:
            print(line(figure), flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
