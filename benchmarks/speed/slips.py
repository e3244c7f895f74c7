"""How surely is a slip found in a photo, and what does looking cost?

    python -m benchmarks.speed.slips --quick     few photos, small, for CI
    python -m benchmarks.speed.slips             20 photos a row; time on 12 megapixels

Rendered photos: ground of noise, a slip's code under random rotation, tilt, light and sensor
noise. `read` is the share of photos in which the code was read, `stopped` the share in which it
was seen and not read (its group is then left), `missed` the share in which photos behind it would
go unnoticed to the slip before: the number that must be 0. Time is set against a full decode of the
same JPEG by OpenCV in the same run, on one thread.
"""

from __future__ import annotations

import argparse
import io
import platform
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import segno

from lawnscore.filing.slip_code import SlipCode, slip_text
from lawnscore.filing.slip_finder import find_slips

SEED = 20_240_501
SIZE = (4000, 3000)
RATE_SIZE = (2000, 1500)  # the longer side at which a photo of SIZE is searched
ROWS = (  # code's side as a share of the photo's width, blur in px at 4000 px
    (0.40, 0.0), (0.40, 6.0), (0.25, 0.0), (0.25, 4.0), (0.15, 0.0), (0.15, 3.0), (0.10, 0.0),
    (0.10, 2.0), (0.06, 0.0),
)  # fmt: skip
CODE = SlipCode("mill-lane-3", "shaded side", "before")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="few and small photos")
    parser.add_argument("--photos", type=int, default=20, help="photos a row (default 20)")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    n, size = (2, RATE_SIZE) if options.quick else (options.photos, SIZE)
    print(f"Python {platform.python_version()}, OpenCV {cv2.__version__}, {platform.machine()}")
    print(f"seed {SEED}, {n} photos of {RATE_SIZE[0]} x {RATE_SIZE[1]} px a row")
    print(f"times for {size[0]} x {size[1]} px\n")
    rng = np.random.default_rng(SEED)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        print_rates(path, rng, RATE_SIZE, n)
        print_times(path, rng, size, n)


def print_rates(path: Path, rng: np.random.Generator, size: tuple[int, int], n: int) -> None:
    print(f"{'side':>6} {'blur px':>8} {'read':>6} {'stopped':>8} {'missed':>7}")
    for side, blur in ROWS:
        outcomes = {"read": 0, "stopped": 0, "missed": 0}
        for _ in range(n):
            write_photo(path, rng, size, side, blur * size[0] / SIZE[0])
            seen = find_slips(path)
            right = seen.codes == (CODE,) and not seen.fault
            outcomes["read" if right else "stopped" if seen.fault else "missed"] += 1
        shares = [f"{100 * count / n:.0f} %" for count in outcomes.values()]
        print(f"{100 * side:>4.0f} % {blur:>8.0f} {shares[0]:>6} {shares[1]:>8} {shares[2]:>7}")


def print_times(path: Path, rng: np.random.Generator, size: tuple[int, int], n: int) -> None:
    print(f"\n{'photo':>8} {'look s':>8} {'decode s':>9} {'ratio':>6}")
    for name, side in (("lawn", 0.0), ("slip", 0.4)):
        write_photo(path, rng, size, side, 0.0)
        looks, decodes = [], []
        for _ in range(max(3, n // 3)):
            looks.append(seconds(lambda: find_slips(path)))
            decodes.append(seconds(lambda: cv2.imread(str(path))))
        look, decode = float(np.median(looks)), float(np.median(decodes))
        print(f"{name:>8} {look:>8.3f} {decode:>9.3f} {look / decode:>6.2f}")


def seconds(work) -> float:  # type: ignore[no-untyped-def]
    start = time.process_time()
    work()
    return time.process_time() - start


def write_photo(
    path: Path, rng: np.random.Generator, size: tuple[int, int], side: float, blur: float
) -> None:
    width, height = size
    grain = rng.integers(30, 170, (height // 6, width // 6, 3), np.uint8)
    picture = cv2.resize(grain, size, interpolation=cv2.INTER_CUBIC)
    if side:
        paste_code(picture, rng, side * width)
    if blur:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    noise = rng.normal(0, 5, (height, width, 1)).astype(np.float32)
    picture = np.clip(picture + noise, 0, 255).astype(np.uint8)
    cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 90])


def paste_code(picture: np.ndarray, rng: np.random.Generator, side: float) -> None:
    height, width = picture.shape[:2]
    stream = io.BytesIO()
    segno.make(slip_text(CODE), error="m", micro=False).save(stream, kind="png", scale=12, border=4)
    code = cv2.imdecode(np.frombuffer(stream.getvalue(), np.uint8), cv2.IMREAD_COLOR)
    k = code.shape[0]
    angle = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side / 2
    corners = corners * (1 + rng.uniform(-0.12, 0.12, (4, 1)))  # a tilt of some 20 degrees
    corners = corners @ turn.T + [width * rng.uniform(0.4, 0.6), height * rng.uniform(0.45, 0.55)]
    flat = np.array([[0, 0], [k, 0], [k, k], [0, k]], np.float32)
    matrix = cv2.getPerspectiveTransform(flat, corners.astype(np.float32))
    mask = cv2.warpPerspective(np.full_like(code, 255), matrix, (width, height)) > 127
    light = np.linspace(rng.uniform(0.5, 1), rng.uniform(0.5, 1), width)[None, :, None]
    warped = cv2.warpPerspective(code, matrix, (width, height), flags=cv2.INTER_AREA)
    picture[mask] = np.clip(warped * light * 0.85 + 20, 0, 255).astype(np.uint8)[mask]


if __name__ == "__main__":
    main()
