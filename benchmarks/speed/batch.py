"""What does a batch cost beside its photos alone, and where does the rest go?

    python -m benchmarks.speed.batch          160 photos of 3 megapixels (the demo has as many)
    python -m benchmarks.speed.batch --parts  and where the rest goes
    python -m benchmarks.speed.batch --quick  12 photos, one pair, for CI

The batch is the command `score` on a round with new photos, in a process of its own, with all the
processes that it starts; alone is `score_photo` on the same files in one warm process with one
thread. Both are processor time, so that other work on the machine counts little, measured one
right after the other. Photos are one rendered picture (seeded) whose files differ in their last
bytes: no content is known before. Bytes are those of what the run leaves, photo by photo.
"""

from __future__ import annotations

import argparse
import compileall
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.speed.score import SEED, render_apart

ROOT = Path(__file__).resolve().parents[2]
TARGET_RATIO = 1.15
LAWNS = 10
DAYS = ("2026-04-01", "2026-05-01", "2026-06-01", "2026-07-01", "2026-08-01")

_ALONE = """
import sys, time, pathlib
import cv2
cv2.setNumThreads(1)
from lawnscore import score_photo
photos = sorted(pathlib.Path(sys.argv[1]).rglob("*.jpg"))
score_photo(photos[0])
began = time.process_time()
for photo in photos:
    score_photo(photo)
print(time.process_time() - began)
"""

BATCH = """
import sys
from lawnscore.commands.main import run
sys.argv = ["lawnscore", "-q", "score", sys.argv[1], "--workers", sys.argv[2]]
run()
"""

_PARTS = """
import sys, time, resource
from lawnscore.scoring import batch
from lawnscore.points.score import score_round
whom = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
now = lambda: [sum(resource.getrusage(who)[:2]) for who in whom]
def timed(name, module, attribute):
    real = getattr(module, attribute)
    def wrapped(*args, **options):
        before = now()
        try:
            return real(*args, **options)
        finally:
            spent = [b - a for a, b in zip(before, now())]
            print(f"{name:32}{spent[0]:8.2f} s here {spent[1]:8.2f} s in processes that ended")
    setattr(module, attribute, wrapped)
if __name__ == "__main__":
    print(f"{'start and imports':32}{now()[0]:8.2f} s here")
    timed("list the folders", batch, "open_round")
    timed("hash and score", batch._Run, "score_new")
    timed("tables", batch, "_write")
    timed("all of score_round", batch, "_score")
    score_round(sys.argv[1], workers=int(sys.argv[2]))
"""


@dataclass(frozen=True)
class Left:
    """What a run leaves, bytes a photo."""

    ledger: float
    tables: float
    rows: dict[str, int]


def make_round(folder: Path, picture: bytes, n_photos: int) -> Path:
    """Write a round of so many photos, spread over lawns and days."""
    (folder / "photos").mkdir(parents=True)
    (folder / "round.toml").write_text("")
    lawns = [f"lawn-{k}" for k in range(LAWNS)]
    rows = "".join(f"{lawn},all,100\n" for lawn in lawns)
    (folder / "lawns.csv").write_text(f"lawn,zone,area_m2\n{rows}")
    for k in range(n_photos):
        day = DAYS[k // LAWNS % len(DAYS)]
        place = folder / "photos" / lawns[k % LAWNS] / "all" / f"{day}-check"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"p{k:06}.jpg").write_bytes(picture + k.to_bytes(8, "big"))
    return folder


def run(code: str, *arguments: object) -> tuple[float, str]:
    """Run code in a process of its own; return the CPU of it and all its processes, s."""
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with tempfile.NamedTemporaryFile("w", suffix=".py") as script:
        script.write(code)
        script.flush()
        done = subprocess.run(
            [sys.executable, script.name, *map(str, arguments)],
            env=env, cwd=ROOT, capture_output=True, text=True,
        )  # fmt: skip
    if done.returncode not in (0, 1):
        raise SystemExit(done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, done.stdout


def measure(base: Path, workers: int) -> tuple[float, float]:
    """Return CPU of a batch and of its photos alone, s; the round is as new afterwards."""
    for made in (".lawnscore", "reports"):
        shutil.rmtree(base / made, ignore_errors=True)
    batch, _ = run(f"if __name__ == '__main__':\n{indented(BATCH)}", base, workers)
    _, alone = run(_ALONE, base)
    return batch, float(alone)


def indented(code: str) -> str:
    """Return code one level in, for the guard that other processes need."""
    return "".join(f"    {line}\n" for line in code.strip().splitlines())


def left_by(base: Path, n_photos: int) -> Left:
    """Return what the last run left, bytes a photo and rows a table."""
    ledger = (base / ".lawnscore" / "ledger.sqlite3").stat().st_size
    tables = list((base / "reports").glob("*.csv"))
    rows = {path.stem: path.read_text(encoding="utf-8").count("\n") - 1 for path in tables}
    size = sum(path.stat().st_size for path in tables)
    return Left(ledger / n_photos, size / n_photos, rows)


def main(arguments: list[str] | None = None) -> int:
    """Print the table; exit status 0 whatever the figures are."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=int, default=160)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--large", action="store_true", help="12 megapixels in place of 3")
    parser.add_argument("--parts", action="store_true", help="show where the rest goes")
    parser.add_argument("--quick", action="store_true", help="12 photos and one pair")
    options = parser.parse_args(arguments)
    compileall.compile_dir(ROOT / "lawnscore", quiet=2)  # as installing does
    n_photos, pairs = (12, 1) if options.quick else (options.photos, options.pairs)
    with tempfile.TemporaryDirectory() as scratch:
        picture = Path(scratch) / "picture.jpg"
        render_apart(picture, size="usual" if options.large else "quick")
        base = make_round(Path(scratch) / "round", picture.read_bytes(), n_photos)
        times = np.array([measure(base, options.workers) for _ in range(pairs)])
        left = left_by(base, n_photos)
        again, _ = run(f"if __name__ == '__main__':\n{indented(BATCH)}", base, options.workers)
        parts = ""
        if options.parts:
            for made in (".lawnscore", "reports"):
                shutil.rmtree(base / made, ignore_errors=True)
            _, parts = run(_PARTS, base, options.workers)
    ratio = times[:, 0] / times[:, 1]
    batch, alone = np.median(times, axis=0)
    print(f"{n_photos} photos, {options.workers} workers, {pairs} pairs; CPU")
    print(f"{'batch':28}{batch:9.2f} s  {1e3 * batch / n_photos:7.0f} ms a photo")
    print(f"{'its photos alone':28}{alone:9.2f} s  {1e3 * alone / n_photos:7.0f} ms a photo")
    print(f"{'ratio':28}{np.median(ratio):9.2f}    {min(ratio):.2f} to {max(ratio):.2f},"
          f" target {TARGET_RATIO:g}")  # fmt: skip
    print(f"{'the same round again':28}{again:9.2f} s")
    print(f"{'ledger':28}{left.ledger:9.0f} bytes a photo")
    print(f"{'tables':28}{left.tables:9.0f} bytes a photo; rows: {left.rows}")
    print(parts, end="")
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, {platform.machine()}, "
          f"seed {SEED}")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
