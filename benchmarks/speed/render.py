"""Time the renderer: growing a lawn, photographing it, and writing the JPEG.

    python -m benchmarks.speed.render            12 megapixels and 2000 x 1500, five lawns each
    python -m benchmarks.speed.render --quick    one lawn of 1000 x 750

Processor seconds of one thread; the ratio is to OpenCV's full decode of the JPEG made, timed in
the same run.
"""

from __future__ import annotations

import argparse
import platform
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from lawnscore.demo.cases import random_case
from lawnscore.demo.photograph import photograph
from lawnscore.demo.scene import grow_lawn


def timed(size_px: tuple[int, int], distance: float, seed: int, folder: Path) -> dict[str, float]:
    rng = np.random.default_rng(seed)
    case = random_case(rng, kind="plain", size_px=size_px)
    width = distance * 43.2666 / case.camera.focal_35mm * 0.8
    spec = replace(case.lawn, width_mm=width + 120, height_mm=0.75 * width + 120)
    aim = (spec.width_mm / 2, spec.height_mm / 2)
    view = replace(case.view, distance_mm=distance, aim_mm=aim, tilt_deg=5.0, yaw_deg=0.0,
                   card_centre_mm=(aim[0], aim[1] + 0.2 * width))  # fmt: skip
    marks = [time.process_time()]
    scene = grow_lawn(spec, seed=seed)
    marks.append(time.process_time())
    photo = photograph(scene, case.light, case.camera, view, seed=seed)
    marks.append(time.process_time())
    photo.save_jpeg(folder / "photo.jpg")
    marks.append(time.process_time())
    cv2.imread(str(folder / "photo.jpg"))
    marks.append(time.process_time())
    grow, take, save, decode = np.diff(marks).tolist()
    return {"grow": grow, "take": take, "save": save, "decode": decode, "m2": width**2 * 0.75e-6}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="one small lawn")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    sizes = [((4000, 3000), 1300.0), ((2000, 1500), 980.0)]
    n = 5
    if options.quick:
        sizes, n = [((1000, 750), 600.0)], 1
    print(f"Python {platform.python_version()}, OpenCV {cv2.__version__}, {platform.machine()}")
    print(
        f"{'size':>12} {'ground m2':>10} {'grow s':>8} {'photo s':>8} {'JPEG s':>8} {'/ decode':>9}"
    )
    with tempfile.TemporaryDirectory() as name:
        timed((400, 300), 400.0, 0, Path(name))  # textures and inks are made once
        for size, distance in sizes:
            rows = [timed(size, distance, options.seed + k, Path(name)) for k in range(n)]
            middle = {key: statistics.median(row[key] for row in rows) for key in rows[0]}
            ratio = (middle["grow"] + middle["take"] + middle["save"]) / middle["decode"]
            print(f"{size[0]:>6} x {size[1]:<4} {middle['m2']:>9.2f} {middle['grow']:>8.2f} "
                  f"{middle['take']:>8.2f} {middle['save']:>8.2f} {ratio:>8.0f}x")  # fmt: skip


if __name__ == "__main__":
    main()
