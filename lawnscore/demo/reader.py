"""An invented reader of points: looks the truth of the demo round up, and errs now and then.

Nobody looked at anything. The points are drawn as `lawnscore points new` draws them, and what is
truly there is known, since the photos are rendered. :data:`ACCURACY` says how often each reader is
right; otherwise a neighbouring surface is named, or it cannot be told.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.tables import POINTS, SEEN_WORDS
from lawnscore.demo import round_plan
from lawnscore.demo.geometry import scene_to_photo
from lawnscore.demo.round_plan import PhotoJob
from lawnscore.points.draw import DrawnPhoto, draw_photos, draw_points
from lawnscore.points.program import Program, measured_pixels
from lawnscore.points.record import FILE_NAME, keep_file
from lawnscore.register.folder import open_round

if TYPE_CHECKING:
    from lawnscore.demo.scene import Scene
    from lawnscore.photo.score import PhotoViews

Array = NDArray[np.float64]
Row = dict[str, object]

READERS = {"reader A (invented)": 0.95, "reader B (invented)": 0.92}
"""How often each is right; B reads a third of the points."""

CANNOT_TELL = 0.02
NEIGHBOURS = ((1, 2), (0, 2), (1, 3), (2, 2), (1, 0))
"""What each surface is taken for by mistake, by number: green for straw or soil, and so on."""

CAST_TILE_MM = 500.0
CASTS_SEEN = 0.93
"""Share of the casts in sight that reader A marks."""

_SURFACE_STEP = 2  # every other pixel of the scene is kept: 1 mm
_READ_AT = "2026-04-21T09:00:00+01:00"
_KEPT = Path(".lawnscore") / "demo"


@dataclass(frozen=True, eq=False)
class TrueGround:
    """What lies on top, (H, W) class numbers, at ``mm_per_px``; casts (n, 3) in mm of the scene."""

    surface: NDArray[np.uint8]
    mm_per_px: float
    casts: Array

    def at(self, places_mm: Array) -> NDArray[np.int64]:
        """Return the class numbers (n,) at places (n, 2); the ground is mirrored at its edges."""
        index = np.floor(np.reshape(places_mm, (-1, 2)) / self.mm_per_px).astype(int)
        col, row = (
            _mirrored(index[:, axis], side) for axis, side in enumerate(self.surface.shape[::-1])
        )
        return np.asarray(self.surface[row, col], dtype=np.int64)


def _mirrored(index: NDArray[np.int_], n: int) -> NDArray[np.int_]:
    folded = index % (2 * n)
    return np.where(folded < n, folded, 2 * n - 1 - folded)


def ground_path(root: Path, job: PhotoJob) -> Path:
    """Return where the true ground of a photo is kept."""
    name = job.relative.removeprefix("photos/").replace("/", "_")
    return root / _KEPT / f"{name}-ground.npz"


def keep_ground(scene: Scene, path: Path) -> None:
    """Keep what truly lies on the ground of a scene, for the invented reader."""
    # Five values, mottled: Huffman codes alone are a fifth of the time of a search for repeats.
    how = [
        cv2.IMWRITE_PNG_COMPRESSION,
        1,
        cv2.IMWRITE_PNG_STRATEGY,
        cv2.IMWRITE_PNG_STRATEGY_HUFFMAN_ONLY,
    ]
    surface = np.ascontiguousarray(scene.surface[::_SURFACE_STEP, ::_SURFACE_STEP])
    np.savez(
        path,
        surface_png=cv2.imencode(".png", surface, how)[1],
        mm_per_px=_SURFACE_STEP * scene.mm_per_px,
        casts=scene.casts,
    )


def read_demo(folder: Path | str, *, seed: int, small: bool = False) -> int:
    """Let the invented readers read points, and one of them casts; return how many rows are new.

    A round that has a points.csv is left as it is.

    Raises
    ------
    LawnscoreError
        When the round is not scored, or cannot be written.
    """
    root = Path(folder)
    if (root / FILE_NAME).exists():
        return 0
    jobs = {job.relative: job for job in round_plan.jobs(seed=seed, small=small)}
    draw = draw_photos(root, 12, seed=seed)
    rng = np.random.default_rng([seed, 14])
    program = Program(open_round(root))
    rows: list[Row] = []
    for drawn in draw.photos:
        views = program.views(drawn.path)
        truth = _true_ground(root, jobs[drawn.photo])
        keep = measured_pixels(views.ground, views.classes)
        points = draw_points(keep, views.ground, 30 if small else 60, draw.rng).round(2)
        base: Row = {"photo": drawn.photo, "sha256": drawn.sha256, "draw": draw.id}
        to_scene = _to_scene(views, jobs[drawn.photo])
        rows += _read_points(base, points, truth.at(_mapped(points, to_scene)), rng)
        rows += _mark_casts(base, views, truth, np.asarray(np.linalg.inv(to_scene)), rng)
        program.at(drawn.path, drawn.sha256, _places(rows, drawn), views=views)
    file = root / _KEPT / f"points-{draw.id}.csv"
    with file.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, POINTS.column_names, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return keep_file(root, file).n_new


def _true_ground(root: Path, job: PhotoJob) -> TrueGround:
    from lawnscore.demo.scene import grow_lawn

    path = ground_path(root, job)
    if not path.is_file():
        keep_ground(grow_lawn(job.spec, seed=job.lawn_seed), path)
    with np.load(path) as kept:
        surface = np.asarray(cv2.imdecode(kept["surface_png"], cv2.IMREAD_GRAYSCALE), np.uint8)
        return TrueGround(surface, float(kept["mm_per_px"]), kept["casts"])


def _to_scene(views: PhotoViews, job: PhotoJob) -> Array:
    """Return the (3, 3) map from the card's frame, as the program has it, to mm of the scene."""
    back = np.linalg.inv(scene_to_photo(job.view, job.camera.focal_35mm))
    return np.asarray(back @ views.card_fit.pose.homography)


def _mapped(points: Array, matrix: Array) -> Array:
    shaped = np.asarray(points, np.float64).reshape(-1, 1, 2)
    return np.asarray(cv2.perspectiveTransform(shaped, matrix).reshape(-1, 2))


def _read_points(
    base: Row, points: Array, true: NDArray[np.int64], rng: np.random.Generator
) -> list[Row]:
    rows = []
    for number, reader in enumerate(READERS):
        for k, (x, y) in enumerate(points.tolist(), start=1):
            if number and k % 3:
                continue
            seen = _said(int(true[k - 1]), READERS[reader], rng)
            place: Row = {
                "kind": "point",
                "number": k,
                "x_mm": x,
                "y_mm": y,
                "seen": SEEN_WORDS[seen],
            }
            rows.append({**base, **place, **_who(reader)})
    return rows


def _said(true: int, accuracy: float, rng: np.random.Generator) -> int:
    if rng.random() < CANNOT_TELL:
        return len(SEEN_WORDS) - 1
    return true if rng.random() < accuracy else int(rng.choice(NEIGHBOURS[true]))


def _mark_casts(
    base: Row,
    views: PhotoViews,
    truth: TrueGround,
    to_card: Array,
    rng: np.random.Generator,
) -> list[Row]:
    """Return the tiles reader A looked at, and the casts that were marked."""
    ground = views.ground
    height, width = (side * ground.mm_per_px for side in ground.mask.shape)
    reader = _who(next(iter(READERS)))
    rows: list[Row] = []
    left, top = ground.origin_mm
    for number, (i, j) in enumerate(np.ndindex(*(
        int(np.ceil(side / CAST_TILE_MM)) for side in (height, width)
    )), start=1):  # fmt: skip
        tile: Row = {
            "kind": "tile", "number": number, "side_mm": CAST_TILE_MM,
            "x_mm": round(left + (j + 0.5) * CAST_TILE_MM, 2),
            "y_mm": round(top + (i + 0.5) * CAST_TILE_MM, 2),
        }  # fmt: skip
        rows.append({**base, **tile, **reader})
    places = _mapped(truth.casts[:, :2], to_card) if len(truth.casts) else np.zeros((0, 2))
    for x, y in places.round(2).tolist():
        inside = left <= x < left + width and top <= y < top + height
        if inside and rng.random() < CASTS_SEEN:
            number = int((y - top) // CAST_TILE_MM) * int(np.ceil(width / CAST_TILE_MM))
            number += int((x - left) // CAST_TILE_MM) + 1
            cast: Row = {"kind": "cast", "number": number, "x_mm": x, "y_mm": y, "seen": "cast"}
            rows.append({**base, **cast, **reader})
    return rows


def _who(reader: str) -> Row:
    return {"reader": reader, "session": "demo", "read_at": _READ_AT}


def _places(rows: list[Row], drawn: DrawnPhoto) -> list[tuple[float, float]]:
    return [
        (float(str(row["x_mm"])), float(str(row["y_mm"])))
        for row in rows
        if row["sha256"] == drawn.sha256 and row["kind"] != "tile"
    ]
