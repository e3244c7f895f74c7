"""How long does one photo take, set against OpenCV's full decode of that JPEG?

    python -m benchmarks.speed.score           one core, pairs in turn, memory in a fresh process
    python -m benchmarks.speed.score --large   48 megapixels in place of 12
    python -m benchmarks.speed.score --stages  where the time goes
    python -m benchmarks.speed.score --kinds   the same photo as progressive JPEG, PNG, WebP, HEIC
    python -m benchmarks.speed.score --quick   a smaller photo and few pairs, for CI

The photo is rendered (seeded) unless --photo names one. Both sides read the same file from the
page cache. Times are processor time of all threads, so that other work on the machine does not
count; the ratio is the median over pairs measured one right after the other.
"""

from __future__ import annotations

import argparse
import functools
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")

import cv2
import numpy as np

SEED = 7
SIZES = {"quick": (2000, 1500), "usual": (4032, 3024), "large": (8064, 6048)}
"""Pixels of the rendered photo: 3, 12 and 48 megapixels."""

TARGET_RATIO = {"quick": 1.5, "usual": 1.5, "large": 1.2}
TARGET_MB = {"quick": 250.0, "usual": 250.0, "large": 500.0}
_MEMORY = """
import pathlib, resource, sys
import cv2
cv2.setNumThreads(1)
from lawnscore import score_photo
score_photo(sys.argv[1])
# ru_maxrss is inherited from the parent on Linux; VmHWM begins anew with the program.
peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
status = pathlib.Path("/proc/self/status")
for line in status.read_text().splitlines() if status.exists() else ():
    if line.startswith("VmHWM:"):
        peak_kb = int(line.split()[1])
print(peak_kb / 1024)
"""


@contextmanager
def one_core() -> Iterator[None]:
    """Keep this process to one core and OpenCV to one thread; as before afterwards."""
    threads = cv2.getNumThreads()
    cores = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else None
    cv2.setNumThreads(1)
    if cores:
        os.sched_setaffinity(0, {min(cores)})
    try:
        yield
    finally:
        cv2.setNumThreads(threads)
        if cores:
            os.sched_setaffinity(0, cores)


def render(path: Path, *, size: str) -> None:
    """Write a rendered photo of one of the sizes."""
    from lawnscore.demo.camera import CAMERAS, Light
    from lawnscore.demo.geometry import View
    from lawnscore.demo.photograph import photograph
    from lawnscore.demo.scene import LawnSpec, grow_lawn

    spec = LawnSpec(
        width_mm=2300, height_mm=1800, green=0.8, casts_per_m2=15, bare_patches_per_m2=1
    )
    view = View(*SIZES[size], distance_mm=1300, aim_mm=(1150, 900), card_centre_mm=(700, 600))
    light = Light(sun_share=0.4)
    photo = photograph(grow_lawn(spec, seed=SEED), light, CAMERAS["report-a"], view, seed=SEED)
    photo.save_jpeg(path)


ROOT = Path(__file__).resolve().parents[2]


def render_apart(path: Path, *, size: str) -> None:
    """Render in a process of its own: its heap would spare this one the cost of fresh memory."""
    command = [sys.executable, "-m", "benchmarks.speed.score", "--render-to", str(path.resolve())]
    options = [] if size == "usual" else [f"--{size}"]
    subprocess.run([*command, *options], check=True, cwd=ROOT)


def seconds(action: object) -> float:
    """Time one call, s."""
    began = time.process_time()
    action()  # type: ignore[operator]
    return time.process_time() - began


def measure_pairs(path: Path, pairs: int) -> tuple[float, float, float, float, str]:
    """Median times of score and decode (s), median ratio, its half interquartile range, status."""
    from lawnscore import score_photo

    data = np.frombuffer(path.read_bytes(), np.uint8)
    status = str(score_photo(path).row["status"])
    cv2.imdecode(data, cv2.IMREAD_COLOR)
    times = np.array(
        [
            (
                seconds(lambda: score_photo(path)),
                seconds(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR)),
            )
            for _ in range(pairs)
        ]
    )
    ratio = times[:, 0] / times[:, 1]
    low, high = np.percentile(ratio, [25, 75])
    score, decode = np.median(times, axis=0)
    return float(score), float(decode), float(np.median(ratio)), float(high - low) / 2, status


def kind_times(path: Path, folder: Path, repeats: int) -> list[tuple[str, float, float, float]]:
    """Of the photo in other kinds of file: its kind, and median times to decode, read and score."""
    from PIL import Image

    from lawnscore import score_photo
    from lawnscore.photo.read import read_photo

    picture = Image.open(path)
    exif = picture.info.get("exif", b"")
    saved: dict[str, dict[str, object]] = {
        "JPEG": {"quality": 92},
        "progressive JPEG": {"quality": 92, "progressive": True},
        "PNG": {},
        "WebP": {"quality": 90},
        "HEIC": {"quality": 80},
    }
    rows = []
    for kind, options in saved.items():
        other = folder / f"other.{kind.split()[-1].lower()}"
        if kind == "HEIC":
            import pillow_heif

            pillow_heif.from_pillow(picture).save(other, exif=exif, **options)
        else:
            picture.save(other, exif=exif, **options)
        actions = (
            functools.partial(decode_in_full, other),
            functools.partial(read_photo, other),
            functools.partial(score_photo, other),
        )
        times = np.array([[seconds(action) for action in actions] for _ in range(repeats + 1)])
        decode, read, score = np.median(times[1:], axis=0)
        rows.append((kind, float(decode), float(read), float(score)))
    return rows


def decode_in_full(path: Path) -> None:
    """Decode at full size: by OpenCV, which has no HEIC, or by libheif."""
    if path.suffix == ".heic":
        import pillow_heif

        np.asarray(pillow_heif.open_heif(path))
    else:
        cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)


def memory_mb(path: Path) -> float:
    """Peak memory of a fresh process that scores the photo, MB."""
    done = subprocess.run(
        [sys.executable, "-c", _MEMORY, str(path)], capture_output=True, text=True, check=True
    )
    return float(done.stdout.split()[-1])


def stage_times(path: Path, repeats: int) -> list[tuple[str, float]]:
    """Median time of each stage, s."""
    from lawnscore.contract.settings import ScoringSettings
    from lawnscore.photo import score as line

    found: dict[str, list[float]] = {}
    names = (
        "read_photo", "find_card", "fit_colour", "flatten", "classify", "find_casts",
        "find_patches", "measure", "checks_after", "ground_sample", "light_doubt", "foreign_doubt",
    )  # fmt: skip
    originals = {name: getattr(line, name) for name in names}

    def timed(name: str, call: object) -> object:
        def wrapped(*args: object, **options: object) -> object:
            began = time.process_time()
            try:
                return call(*args, **options)  # type: ignore[operator]
            finally:
                found.setdefault(name, []).append(time.process_time() - began)

        return wrapped

    try:
        for name, call in originals.items():
            setattr(line, name, timed(name, call))
        for _ in range(repeats):
            line.score_photo(path, settings=ScoringSettings())
    finally:
        for name, call in originals.items():
            setattr(line, name, call)
    return [(name, float(np.median(times))) for name, times in found.items()]


def main(arguments: list[str] | None = None) -> int:
    """Print the table; exit status 0 whatever the figures are."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photo", type=Path, help="a photo with the card; rendered when absent")
    parser.add_argument("--pairs", type=int, default=15)
    parser.add_argument("--stages", action="store_true", help="show the time of each stage")
    parser.add_argument("--kinds", action="store_true", help="time other kinds of file as well")
    parser.add_argument("--quick", action="store_true", help="3 megapixels and 3 pairs")
    parser.add_argument("--large", action="store_true", help="48 megapixels")
    parser.add_argument("--render-to", type=Path, help="write the photo there and stop")
    options = parser.parse_args(arguments)
    size = "quick" if options.quick else "large" if options.large else "usual"
    if options.render_to:
        render(options.render_to, size=size)
        return 0
    with one_core(), tempfile.TemporaryDirectory() as scratch:
        path = options.photo or Path(scratch) / "photo.jpg"
        if options.photo is None:
            render_apart(path, size=size)
        pairs = 3 if options.quick else options.pairs
        score, decode, ratio, spread, status = measure_pairs(path, pairs)
        memory = memory_mb(path)
        stages = stage_times(path, pairs) if options.stages else []
        kinds = kind_times(path, Path(scratch), 3 if options.quick else 5) if options.kinds else []
        megabytes = path.stat().st_size / 1e6
    print(f"photo: {megabytes:.1f} MB JPEG, {status}; {pairs} interleaved pairs, one core")
    print(f"{'score':24}{1e3 * score:9.1f} ms")
    print(f"{'full decode':24}{1e3 * decode:9.1f} ms")
    print(f"{'ratio':24}{ratio:9.2f}    ± {spread:.2f}, target {TARGET_RATIO[size]:g}")
    print(f"{'peak memory':24}{memory:9.0f} MB  target {TARGET_MB[size]:g}")
    for name, took in stages:
        print(f"  {name:22}{1e3 * took:9.1f} ms  {took / decode:5.2f} of the decode")
    for kind, full, read, whole in kinds:
        print(
            f"  {kind:18} decode {1e3 * full:6.0f} ms, read {1e3 * read:6.0f} ms, "
            f"score {1e3 * whole:6.0f} ms = {whole / full:.2f} of its decode"
        )
    print(
        f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}, "
        f"{platform.machine()}, seed {SEED}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
