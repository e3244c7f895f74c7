"""Worlds of labelled ground: what the class stage is trained on, each left out in turn.

    python -m benchmarks.training.worlds rendered --scenes 2400 --out DIR
    python -m benchmarks.training.worlds sketched --scenes 3000 --out DIR
    python -m benchmarks.training.worlds report --scenes 200 --out DIR  never trained on
    python -m benchmarks.training.worlds real --data DATA --out DIR

A world is a source of labelled ground with its own look. Each becomes one `NAME.npz` of pictures
in corrected sRGB (8 bit), labels of every pixel, and groups: what must not be split between
training and checking. Of the photographs nothing is shipped, only weights.
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

SIDE_PX = 352
MM_PER_PX = 1.25
MOST_CASTS = 96
SURFACES = ("green", "straw", "soil", "cast", "litter")
WORLDS = ("rendered", "sketched", "field", "wheat", "texture")
MADE = ("rendered", "sketched")
"""Worlds that are made, not photographed: a card corrected their colours, their casts are known."""
BACK = 3
"""Every third group is kept back."""


@dataclass(frozen=True, eq=False)
class World:
    """Pictures of one source.

    Parameters
    ----------
    rgb
        (N, H, W, 3) uint8, corrected sRGB.
    label
        (N, H, W) uint8, number in SURFACES; 255 where nobody said.
    shade
        (N, H / 4, W / 4) uint8 cast shade; ``None`` where nobody said.
    casts
        (N, 96, 3) x, y, diameter in mm, NaN where there are fewer.
    leaf
        (N, 3) linear sRGB of the lit leaf; NaN when unknown.
    group
        (N,) pictures of one number belong together.
    """

    rgb: NDArray[np.uint8]
    label: NDArray[np.uint8]
    shade: NDArray[np.uint8] | None
    casts: NDArray[np.float32]
    leaf: NDArray[np.float32]
    group: NDArray[np.int64]


def kept_back(name: str, group: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which pictures `train.py --hold` keeps back, by the world's groups (n,)."""
    if name == "texture":  # four in all: the last
        return group == BACK
    return (group // 8 if name in MADE else group) % BACK == BACK - 1


def encoded(linear: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Return 8-bit sRGB of linear values."""
    from lawnscore.card.colourspace import encode_srgb

    return np.rint(255 * encode_srgb(np.clip(linear, 0, 1))).astype(np.uint8)


def rendered_scene(seed: int) -> dict[str, np.ndarray]:
    """Render one piece of ground with `lawnscore.demo` and correct it by its card."""
    cv2.setNumThreads(1)
    from benchmarks.training.rendered import training_scene

    return training_scene(seed)


def report_scene(seed: int) -> dict[str, np.ndarray]:
    """Render one piece with the cameras, soils and leaf that are kept for reporting."""
    cv2.setNumThreads(1)
    from benchmarks.training.rendered import training_scene

    return training_scene(seed, "report")


def sketched_scene(seed: int) -> dict[str, np.ndarray]:
    """Draw one sketch, through a camera's blur, noise and compression."""
    cv2.setNumThreads(1)
    from benchmarks.training.sketches import draw_sketch

    rng = np.random.default_rng([seed, 5])
    sketch = draw_sketch(seed)
    linear = sketch.linear @ (np.eye(3) + rng.normal(0, 0.015, (3, 3))).astype(np.float32)
    linear = cv2.GaussianBlur(linear, (0, 0), float(rng.uniform(0.25, 0.9)))
    rgb = encoded(linear).astype(np.float32)
    if rng.random() < 0.6:
        soft = cv2.GaussianBlur(rgb, (0, 0), 1.2)
        rgb += rng.uniform(0, 0.8) * (rgb - soft)
    rgb += rng.normal(0, rng.uniform(0, 5), rgb.shape)
    picture = np.clip(rgb, 0, 255).astype(np.uint8)
    if rng.random() < 0.8:
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 97))]
        picture = cv2.imdecode(cv2.imencode(".jpg", picture[..., ::-1], quality)[1], 1)[..., ::-1]
    casts = np.full((MOST_CASTS, 3), np.nan, np.float32)
    casts[: len(sketch.casts)] = sketch.casts[:MOST_CASTS]
    side = SIDE_PX // 4
    return {
        "rgb": np.ascontiguousarray(picture), "label": sketch.label, "casts": casts,
        "shade": cv2.resize(sketch.shade, (side, side), interpolation=cv2.INTER_AREA),
        "leaf": sketch.leaf,
    }  # fmt: skip


def _many(make, seeds: list[int], processes: int, seconds: float) -> list[dict[str, np.ndarray]]:  # type: ignore[no-untyped-def]
    """Make scenes on all cores until they are done or the time is up."""
    start, rows = time.time(), []
    with ProcessPoolExecutor(processes) as pool:
        step = 8 * processes
        for first in range(0, len(seeds), step):
            rows += list(pool.map(make, seeds[first : first + step], chunksize=2))
            if seconds and time.time() - start > seconds:
                break
    print(f"{len(rows)} scenes in {time.time() - start:.0f} s", flush=True)
    return rows


def save(world: World, path: Path) -> None:
    """Write a world whole or not at all."""
    arrays = {k: v for k, v in vars(world).items() if v is not None}
    part = path.with_suffix(".part.npz")
    np.savez(part, **arrays)
    part.rename(path)


def load(path: Path) -> World:
    """Read a world."""
    stored = dict(np.load(path))
    return World(**{"shade": None, **stored})


def _world(rows: list[dict[str, np.ndarray]]) -> World:
    stacked = {k: np.stack([row[k] for row in rows]) for k in rows[0]}
    return World(**stacked, group=np.arange(len(rows)))


def field_world(data: Path) -> World:
    """Photographs of fields with masks of soil, green leaf and dead residue; groups of 50."""
    rows, groups = [], []
    for path in sorted((data / "cover" / "field" / "img").glob("*.jpg")):
        mask = cv2.imread(str(path.parents[1] / "mask" / f"{path.stem}.png"), cv2.IMREAD_UNCHANGED)
        label = np.array([2, 0, 1], np.uint8)[mask]
        rows.append((cv2.imread(str(path))[..., ::-1], label))
        groups.append(int(path.stem) // 50)
    return _photographs(rows, groups)


def wheat_world(data: Path) -> World:
    """Young wheat on soil with masks drawn by hand, each at three scales; a plot is a group."""
    rows, groups, plots = [], [], {}
    for part in ("ews", "ews_more"):
        for path in sorted((data / "cover" / part / "img").iterdir()):
            rgb = cv2.imread(str(path))[..., ::-1]
            mask = cv2.imread(str(path.parents[1] / "mask" / f"{path.stem}.png"), 0)
            plot = plots.setdefault(path.stem.split("_")[0], len(plots))
            for shrink in (1.0, 1.6, 2.6):
                side = round(350 / shrink)
                small = cv2.resize(rgb, (side, side), interpolation=cv2.INTER_AREA)
                sheer = cv2.resize(mask, (side, side), interpolation=cv2.INTER_AREA)
                tiles = -(-350 // side)
                label = np.where(sheer > 127, 0, 2).astype(np.uint8)
                rows.append(tuple(_mirrored(x, tiles)[:350, :350] for x in (small, label)))
                groups.append(plot)
    return _photographs(rows, groups)


def _mirrored(picture: np.ndarray, tiles: int) -> np.ndarray:
    """Return a picture set side by side with its mirror images."""
    rows = [picture if k % 2 == 0 else picture[::-1] for k in range(tiles)]
    tall = np.concatenate(rows)
    return np.concatenate([tall if k % 2 == 0 else tall[:, ::-1] for k in range(tiles)], axis=1)


TEXTURES = {
    "soil_and_litter/dirt_brown.jpg": (1000, 2),
    "soil_and_litter/sand_desert.jpg": (1000, 2),
    "turf/grass_1.png": (1000, 0),
    "turf/grass_2.png": (1000, 0),
}
"""Textures of which nearly all is one surface: span in mm (assumed), and which."""


def texture_world(data: Path) -> World:
    """Crops of textures that show one surface; labelled so, a few per cent wrong."""
    rows, groups = [], []
    for number, (name, (span_mm, surface)) in enumerate(TEXTURES.items()):
        whole = cv2.imread(str(data / "texture" / name))[..., ::-1]
        rng = np.random.default_rng(number)
        for scale in (0.6, 0.85, 1.2):
            side = round(span_mm / MM_PER_PX / scale)
            small = cv2.resize(whole, (side, side), interpolation=cv2.INTER_AREA)
            small = _mirrored(small, 2)
            for _ in range(6):
                y, x = rng.integers(0, len(small) - SIDE_PX, 2)
                crop = small[y : y + SIDE_PX, x : x + SIDE_PX]
                rows.append((crop, np.full(crop.shape[:2], surface, np.uint8)))
                groups.append(number)
    return _photographs(rows, groups)


def _photographs(rows: list[tuple[np.ndarray, np.ndarray]], groups: list[int]) -> World:
    n = len(rows)
    return World(
        np.stack([r[0] for r in rows]), np.stack([r[1] for r in rows]), None,
        np.full((n, MOST_CASTS, 3), np.nan, np.float32), np.full((n, 3), np.nan, np.float32),
        np.array(groups),
    )  # fmt: skip


SCENES = {"rendered": rendered_scene, "sketched": sketched_scene, "report": report_scene}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("which", choices=(*SCENES, "real"))
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--data", type=Path, default=os.environ.get("LAWNSCORE_DATA"))
    parser.add_argument("--scenes", type=int, default=2400)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--name", help="of the file, as rendered-2 for further scenes")
    parser.add_argument("--seconds", type=float, default=0.0, help="stop making more after this")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    seeds = list(range(a.first, a.first + a.scenes))
    if a.which == "real":
        for name, make in (
            ("field", field_world),
            ("wheat", wheat_world),
            ("texture", texture_world),
        ):
            save(make(a.data), a.out / f"{name}.npz")
        return
    save(
        _world(_many(SCENES[a.which], seeds, a.processes, a.seconds)),
        a.out / f"{a.name or a.which}.npz",
    )


if __name__ == "__main__":
    main()
