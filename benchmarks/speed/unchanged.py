"""What `lawnscore score` costs on a round in which nothing has changed, and how that grows.

    python -m benchmarks.speed.unchanged          100, 1,000 and 10,000 photos
    python -m benchmarks.speed.unchanged --quick  20 and 60

The command runs as a process of its own; counted is the processor time of it and all it starts.
The photos are small files whose scores are made up (the ledger does not look at pixels): nothing
of a photo is opened when it is unchanged. Files older than two seconds are known by their times,
so the run that counts begins when they are.
"""

from __future__ import annotations

import argparse
import compileall
import platform
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.speed.batch import ROOT, indented, make_round, run
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo.score import PhotoScore

SIZES, QUICK_SIZES = (100, 1_000, 10_000), (20, 60)
TARGET_S = 2.0  # of 10,000 photos, on an idle core
RUNS = 3
_SCORE = """
import sys
from lawnscore.commands.main import run
sys.argv = ["lawnscore", "-q", "score", sys.argv[1]]
run()
"""


def made_up(path: Path, _card: object, *, settings: ScoringSettings) -> PhotoScore:
    """Return a score that follows from the file's bytes alone, in the shape of a real one."""
    import hashlib

    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    rng = np.random.default_rng(int(sha256[:8], 16))
    row: dict[str, object] = {
        "photo": path.as_posix(), "sha256": sha256, "status": "scored", "area_m2": 1.5,
        "version": "0", "settings_id": settings.settings_id,
    }  # fmt: skip
    row.update({name: float(rng.uniform(5, 60)) for name in MEASURES})
    row.update({f"{name}_se": 0.5 for name in MEASURES})
    return PhotoScore(row, (), False)


def cost(n_photos: int, runs: int) -> tuple[float, float]:
    """Return the CPU, s, of the run that writes the tables and of the same again (the least)."""
    from lawnscore.points.score import score_round

    command = f"if __name__ == '__main__':\n{indented(_SCORE)}"
    with tempfile.TemporaryDirectory() as folder:
        base = make_round(Path(folder) / "round", b"no photo", n_photos)
        score_round(base, scorer=made_up)
        time.sleep(2.1)  # until then each file is hashed again
        first, _ = run(command, base)
        return first, min(run(command, base)[0] for _ in range(runs))


def main(arguments: list[str] | None = None) -> int:
    """Print the table; exit status 0 whatever the figures are."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=int, nargs="*", help="other numbers of photos")
    parser.add_argument("--quick", action="store_true", help="20 and 60 photos, one run each")
    options = parser.parse_args(arguments)
    compileall.compile_dir(ROOT / "lawnscore", quiet=2)  # as installing does
    sizes = options.photos or (QUICK_SIZES if options.quick else SIZES)
    print(f"{'photos':>8} {'tables anew, CPU s':>19} {'unchanged, CPU s':>17} {'ms a photo':>11}")
    for n_photos in sizes:
        first, again = cost(n_photos, 1 if options.quick else RUNS)
        print(
            f"{n_photos:8} {first:19.2f} {again:17.2f} {1e3 * again / n_photos:11.3f}", flush=True
        )
    print(f"target: 10,000 photos unchanged in {TARGET_S:g} s of an idle core")
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, {platform.machine()}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
