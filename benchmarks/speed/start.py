"""How long the command takes to start: processor time of `lawnscore --help`, many times.

    python -m benchmarks.speed.start            eleven runs
    python -m benchmarks.speed.start --quick    three

Beside it, in turn, the bare interpreter and the import of the library that draws the help (typer
with rich): what our own modules add is the difference.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TARGET_S = 0.3
CASES = {
    "the bare interpreter": "pass",
    "import of typer and rich": "import typer.rich_utils",
    "lawnscore --help": "from lawnscore.commands.main import run; run()",
}


def cpu_s(code: str) -> float:
    """Return the processor time, user and system, of one process."""
    before = os.times()
    subprocess.run(
        [sys.executable, "-c", code, "--help"],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        check=True,
    )
    after = os.times()
    return sum(after[2:4]) - sum(before[2:4])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="three runs each")
    options = parser.parse_args()
    print(
        f"Python {platform.python_version()}, {platform.machine()}, load {os.getloadavg()[0]:.1f}"
    )
    for code in CASES.values():
        cpu_s(code)  # compiled once
    rounds = [
        {name: cpu_s(code) for name, code in CASES.items()}
        for _ in range(3 if options.quick else 11)
    ]
    middle = {name: statistics.median(row[name] for row in rounds) for name in CASES}
    bare = middle["the bare interpreter"]
    for name, seconds in middle.items():
        print(f"{name:26} {seconds:6.3f} s CPU  {seconds / bare:5.1f} times the bare interpreter")
    met = "met" if middle["lawnscore --help"] <= TARGET_S else "missed"
    print(f"target: `lawnscore --help` in {TARGET_S} s: {met}")


if __name__ == "__main__":
    main()
