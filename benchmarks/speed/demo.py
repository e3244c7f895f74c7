"""What the demo round costs: each of its steps a photo, and all of it.

    python -m benchmarks.speed.demo            every 20th photo of the round
    python -m benchmarks.speed.demo --quick    one photo of the small round
    python -m benchmarks.speed.demo --whole    the whole round too, on the clock: minutes

Processor seconds of one thread, and their ratio to OpenCV's full decode of the photo, timed in the
same run. The target is for the whole on two idle cores; what the steps of one photo come to, times
the photos, over two, is a bound from below for it.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import cv2

from lawnscore.card.reference import load_reference
from lawnscore.contract.settings import read_settings
from lawnscore.demo import demo_round, round_plan
from lawnscore.demo.round_plan import PhotoJob
from lawnscore.photo.score import score_photo
from lawnscore.report.pictures import DrawingScorer

ROOT = Path(__file__).resolve().parents[2]
TARGET_S = 90.0  # the whole round on two idle cores
STEPS = ("decode", "render", "score", "score and draw")
RUN = "from lawnscore.commands.main import run\nif __name__ == '__main__': run()"


def step_seconds(root: Path, job: PhotoJob) -> dict[str, float]:
    """Return the processor seconds of each step of one photo."""
    settings = read_settings(root / "round.toml").scoring
    card = load_reference(settings.card, base=root)
    path = root / job.relative
    marks = [time.process_time()]
    demo_round.render_job(root, job)
    marks.append(time.process_time())
    cv2.imread(str(path))
    marks.append(time.process_time())
    score_photo(path, card, settings=settings)
    marks.append(time.process_time())
    DrawingScorer(root)(path, card, settings=settings)
    marks.append(time.process_time())
    render, decode, score, draw = (b - a for a, b in pairwise(marks))
    return {"decode": decode, "render": render, "score": score, "score and draw": draw}


def whole_round(folder: Path) -> tuple[float, float]:
    """Return wall and processor seconds of `lawnscore demo` with two processes."""
    before, started = os.times(), time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", RUN, "demo", str(folder), "--workers", "2"],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=True,
    )
    after = os.times()
    return time.perf_counter() - started, sum(after[2:4]) - sum(before[2:4])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="one photo of the small round")
    parser.add_argument("--whole", action="store_true", help="the whole round too")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    load = os.getloadavg()[0]
    print(f"Python {platform.python_version()}, OpenCV {cv2.__version__}, load {load:.1f}")
    jobs = round_plan.jobs(seed=demo_round.SEED, small=options.quick)
    chosen = [job for job in jobs if not job.flaw][:: 20 if not options.quick else len(jobs)]
    with tempfile.TemporaryDirectory() as name:
        root = Path(name) / "round"
        demo_round.start_round(root, seed=demo_round.SEED, small=options.quick)
        step_seconds(root, chosen[0])  # textures, inks and weights are made and read once
        rows = [step_seconds(root, job) for job in chosen]
    middle = {step: statistics.median(row[step] for row in rows) for step in STEPS}
    for step, seconds in middle.items():
        print(f"{step:16} {seconds:6.3f} s CPU {seconds / middle['decode']:6.1f} times the decode")
    least = len(jobs) * (middle["render"] + middle["score and draw"]) / 2
    print(
        f"{len(jobs)} photos on two cores: {least:.0f} s at least (target for all {TARGET_S:.0f} s)"
    )
    if options.whole:
        with tempfile.TemporaryDirectory() as name:
            wall, cpu = whole_round(Path(name) / "round")
        met = "met" if wall <= TARGET_S else "missed"
        print(f"the whole demo: {wall:.0f} s, {cpu:.0f} s CPU: {met}")


if __name__ == "__main__":
    main()
