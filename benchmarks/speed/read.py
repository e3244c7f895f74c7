"""How long does reading a photo take, and how much memory?

    python -m benchmarks.speed.read --quick      one small picture of each kind, for CI
    python -m benchmarks.speed.read              12 megapixels of each kind and profile

Each time is set against a full decode of the 12-megapixel JPEG by OpenCV, taken in turns with
it in the same run on one thread, in processor time, so that the ratio holds on other machines
too. Memory is the peak of a fresh process that reads the photo, less that of one that only
imports the reader.
"""

from __future__ import annotations

import argparse
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from PIL import Image

from lawnscore.photo import icc
from lawnscore.photo.read import read_photo

SEED = 20_240_501
QUALITY = 92
HEIC_QUALITY = 50
SIZE = (4000, 3000)
QUICK_SIZE = (1200, 900)

_PEAK = """
import pathlib, re, sys
from lawnscore.photo.read import read_photo
if len(sys.argv) > 1:
    read_photo(sys.argv[1])
status = pathlib.Path("/proc/self/status")  # Linux; getrusage would count the parent's memory
print(int(re.search(r"VmHWM:\\s+(\\d+)", status.read_text())[1]) / 1024)
"""


def picture(size: tuple[int, int], seed: int) -> np.ndarray:
    """Return a picture with the detail of turf: noise at several scales, (h, w, 3) uint8."""
    width, height = size
    rng = np.random.default_rng(seed)
    out = np.full((height, width, 3), (95.0, 120.0, 70.0), np.float32)
    for step, sd in ((64, 18.0), (8, 22.0), (3, 14.0), (1, 6.0)):
        shape = (height // step + 1, width // step + 1, 3)
        noise = rng.normal(0, sd, shape).astype(np.float32)
        out += cv2.resize(noise, size, interpolation=cv2.INTER_CUBIC)
    return np.clip(out, 0, 255).astype(np.uint8)


def write_cases(folder: Path, size: tuple[int, int], seed: int) -> dict[str, Path]:
    image = Image.fromarray(picture(size, seed))
    paths: dict[str, Path] = {}

    def add(name: str, suffix: str, **options: object) -> None:
        paths[name] = folder / f"{len(paths)}{suffix}"
        image.save(paths[name], **options)

    turned = Image.Exif()
    turned[0x0112] = 6
    add("JPEG", ".jpg", quality=QUALITY)
    add("JPEG, turned by 90 degrees", ".jpg", quality=QUALITY, exif=turned)
    add("JPEG, Display P3", ".jpg", quality=QUALITY, icc_profile=p3_profile())
    add("JPEG, progressive", ".jpg", quality=QUALITY, progressive=True)
    add("PNG", ".png", compress_level=1)
    add("TIFF", ".tif")
    add("WebP", ".webp", quality=QUALITY, method=0)
    paths["HEIC"] = folder / "heic"
    pillow_heif.from_pillow(image).save(paths["HEIC"], quality=HEIC_QUALITY)
    return paths


def p3_profile() -> bytes:
    """Return a Display P3 profile; its layout is that of ICC.1."""
    import struct

    def fixed(values: object) -> bytes:
        return b"".join(struct.pack(">i", round(float(v) * 65536)) for v in values)  # type: ignore[attr-defined]

    curve = b"para\0\0\0\0\0\3\0\0" + fixed([2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045])
    names = (b"rXYZ", b"gXYZ", b"bXYZ")
    tags = [(n, b"XYZ \0\0\0\0" + fixed(c)) for n, c in zip(names, icc.P3_TO_PCS.T, strict=True)]
    tags += [(n, curve) for n in (b"rTRC", b"gTRC", b"bTRC")]
    table, body, at = struct.pack(">I", len(tags)), b"", 132 + 12 * len(tags)
    for name, data in tags:
        table += struct.pack(">4sII", name, at, len(data))
        at, body = at + len(data), body + data
    head = bytearray(128)
    head[16:24], head[36:40] = b"RGB XYZ ", b"acsp"
    return bytes(head) + table + body


def times_ms(first: Callable[[], object], second: Callable[[], object], n: int) -> list[float]:
    """Return the median processor times of two steps, taken in turns."""
    taken: list[list[float]] = [[], []]
    first()
    second()
    for _ in range(n):
        for step, into in zip((first, second), taken, strict=True):
            start = time.process_time()
            step()
            into.append(1000 * (time.process_time() - start))
    return [statistics.median(values) for values in taken]


def peak_mb(path: Path | None) -> float:
    arguments = [] if path is None else [str(path)]
    done = subprocess.run(
        [sys.executable, "-c", _PEAK, *arguments], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=_Verbatim)
    parser.add_argument("--quick", action="store_true", help="small pictures, few repeats")
    parser.add_argument("--repeats", type=int, default=9, help="repeats of each time")
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    size = QUICK_SIZE if options.quick else SIZE
    n = 2 if options.quick else options.repeats
    cv2.setNumThreads(1)
    print(f"Python {platform.python_version()}, OpenCV {cv2.__version__}, {platform.machine()}")
    print(f"{size[0]} x {size[1]} px, one thread, median of {n}, seed {options.seed}\n")
    print("case                          MB file  read ms  full JPEG ms  ratio  MB memory")
    with tempfile.TemporaryDirectory() as folder:
        cases = write_cases(Path(folder), size, options.seed)
        jpeg = np.fromfile(cases["JPEG"], np.uint8)
        idle = peak_mb(None)
        for name, path in cases.items():
            full, read = times_ms(
                lambda: cv2.imdecode(jpeg, cv2.IMREAD_COLOR), lambda p=path: read_photo(p), n
            )
            print(
                f"{name:28} {path.stat().st_size / 1e6:8.1f} {read:8.0f} {full:13.0f} "
                f"{read / full:6.2f} {peak_mb(path) - idle:10.0f}"
            )


class _Verbatim(argparse.RawDescriptionHelpFormatter):
    pass


if __name__ == "__main__":
    main()
