"""One HTML file to read points, or casts, by eye: offline, small, and blind to the scores."""

from __future__ import annotations

import base64
import hashlib
import io
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from numpy.typing import NDArray

from lawnscore.card.colourspace import encode_srgb
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_whole
from lawnscore.contract.tables import POINTS, SEEN_WORDS
from lawnscore.photo.read import Photo, read_photo
from lawnscore.points.draw import Draw, DrawnPhoto, draw_points
from lawnscore.points.program import Program, measured_pixels
from lawnscore.register.folder import open_round

if TYPE_CHECKING:
    from lawnscore.photo.score import PhotoViews

Mode = Literal["points", "casts"]
Picture = NDArray[np.uint8]
Progress = Callable[[int, int, str], None]

POINT_MM = 80.0
"""Side of the ground shown around a point."""

TILE_MM = 250.0
"""Side of the tiles in which casts are looked for."""

LEAST_OF_TILE = 0.02
"""A tile with less measured ground than this is not shown."""

MOST_BYTES = 4_800_000
"""Size of the page at most: it must load on a phone and go through a mail."""

MOST_POINTS = 1500
"""Points, or tiles, that one page holds at most."""

_SIDE_PX = {"points": 240, "casts": 420}
_LADDER = ((1.0, 80), (1.0, 65), (0.8, 60), (0.66, 55), (0.55, 45), (0.5, 30))
"""Size of the pictures and their WebP quality, best first; the first that fits is taken."""
_IN_A_ROW = 10
"""Points of one photo that come one after the other, before the next photo has its turn."""
_GREY = (127, 127, 127)


@dataclass(frozen=True)
class PageSummary:
    """The page written: its file, the id of its draw, photos, points or tiles, and bytes."""

    path: Path
    draw: str
    mode: Mode
    n_photos: int
    n_items: int
    n_bytes: int


@dataclass(frozen=True, eq=False)
class _Item:
    """A picture to look at: photo, number in it, place (mm), side (mm), pixels."""

    photo: int
    number: int
    x_mm: float
    y_mm: float
    side_mm: float
    rgb: Picture


def write_page(
    draw: Draw,
    path: Path,
    *,
    mode: Mode = "points",
    points: int = 60,
    progress: Progress | None = None,
) -> PageSummary:
    """Write the page of a draw.

    Parameters
    ----------
    draw
        The photos, from :func:`lawnscore.points.draw.draw_photos`.
    path
        The HTML file; one that is there is not written over.
    mode
        ``points``: one picture a point; ``casts``: the whole ground of each photo in tiles.
    points
        Points a photo.
    progress
        Called with photos done, photos in all, and the last one.

    Raises
    ------
    LawnscoreError
        When the file is there already, a photo has changed since it was scored, or the page
        would be too large.
    """
    if path.exists():
        raise LawnscoreError(
            "this file is there already, and somebody may be reading it",
            "Name another file with --out.",
            path,
        )
    if mode == "points" and points * len(draw.photos) > MOST_POINTS:
        raise _too_many(points * len(draw.photos), path)
    opened = open_round(draw.round_path)
    program = Program(opened)
    items: list[_Item] = []
    for index, photo in enumerate(draw.photos):
        items += _items(index, photo, program, draw.rng, points if mode == "points" else 0)
        if progress:
            progress(index + 1, len(draw.photos), photo.photo)
    if not items or len(items) > MOST_POINTS:
        raise _too_many(len(items), path)
    items = _in_turn(items, draw.rng) if mode == "points" else items
    html = _page(draw, items, mode, opened.settings.report.business, path)
    write_whole(path, html)
    return PageSummary(path, draw.id, mode, len(draw.photos), len(items), len(html))


def close_up(
    photo: Photo, views: PhotoViews, middle_mm: tuple[float, float], side_mm: float, side_px: int
) -> Picture:
    """Return a square of ground from straight above, colours corrected, (s, s, 3) uint8 sRGB.

    Grey lies outside the photo.

    Parameters
    ----------
    photo
        The photo as finely read as it goes; it need not be the reading that was scored.
    views
        Pose of the card and colour fit.
    middle_mm, side_mm
        Middle and side of the square in the frame of the card.
    """
    mm = side_mm / side_px
    step = float(photo.reduction)
    offset = 0.5 / step - 0.5
    to_read = np.array([[1 / step, 0.0, offset], [0.0, 1 / step, offset], [0.0, 0.0, 1.0]])
    x, y = (m - side_mm / 2 + mm / 2 for m in middle_mm)
    to_mm = np.array([[mm, 0.0, x], [0.0, mm, y], [0.0, 0.0, 1.0]])
    cut = cv2.warpPerspective(
        photo.rgb,
        to_read @ views.card_fit.pose.homography @ to_mm,
        (side_px, side_px),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderValue=_GREY,
    )
    linear = np.clip(views.colour_fit.correct(np.asarray(cut, dtype=np.uint8)), 0, 1)
    out: Picture = np.round(255 * encode_srgb(linear)).astype(np.uint8)
    return out


def _too_many(n: int, path: Path) -> LawnscoreError:
    if n == 0:
        return LawnscoreError("there is nothing to look at", "Draw other photos.", path)
    return LawnscoreError(
        f"{n} pictures are too many for one page", "Ask for fewer --photos or --points.", path
    )


def _items(
    index: int, drawn: DrawnPhoto, program: Program, rng: np.random.Generator, points: int
) -> Iterator[_Item]:
    """Yield the pictures of one photo: of ``points`` points, or of all its tiles when that is 0."""
    photo = read_photo(drawn.path, reduction=1)
    if photo.sha256 != drawn.sha256:
        raise LawnscoreError(
            "the photo has changed since it was scored",
            "Score the round anew: `lawnscore score`.",
            drawn.photo,
        )
    views = program.views(drawn.path)
    keep = measured_pixels(views.ground, views.classes)
    if points:
        side, mode = POINT_MM, "points"
        places = draw_points(keep, views.ground, points, rng).round(2)
    else:
        side, mode = TILE_MM, "casts"
        places = _tile_middles(keep, views)
    for number, (x, y) in enumerate(places.tolist(), start=1):
        rgb = close_up(photo, views, (x, y), side, _SIDE_PX[mode])
        rgb = rgb if points else _dimmed(rgb, keep, views, (x, y))
        yield _Item(index, number, x, y, side, rgb)


def _tile_middles(keep: NDArray[np.bool_], views: PhotoViews) -> NDArray[np.float64]:
    """Return the middles (n, 2) of the tiles that hold measured ground, row by row, mm."""
    scale = views.ground.mm_per_px
    side = round(TILE_MM / scale)
    corner = np.array(views.ground.origin_mm) - scale / 2
    middles = [
        corner + (np.array([left, top]) * scale + TILE_MM / 2)
        for top in range(0, keep.shape[0], side)
        for left in range(0, keep.shape[1], side)
        if keep[top : top + side, left : left + side].sum() > LEAST_OF_TILE * side**2
    ]
    return np.array(middles).reshape(-1, 2).round(2)


def _dimmed(
    rgb: Picture, keep: NDArray[np.bool_], views: PhotoViews, middle_mm: tuple[float, float]
) -> Picture:
    """Return a tile with the ground that is not measured greyed out."""
    ground, n = views.ground, len(rgb)
    at = (np.arange(n) + 0.5) * TILE_MM / n - TILE_MM / 2
    col, row = (
        np.round((at + m - o) / ground.mm_per_px).astype(int)
        for m, o in zip(middle_mm, ground.origin_mm, strict=True)
    )
    inside = np.zeros((n, n), bool)
    rows, cols = (row >= 0) & (row < keep.shape[0]), (col >= 0) & (col < keep.shape[1])
    inside[np.ix_(rows, cols)] = keep[np.ix_(row[rows], col[cols])]
    grey = (0.25 * rgb + 0.75 * np.array(_GREY)).astype(np.uint8)
    out: Picture = np.where(inside[..., None], rgb, grey)
    return out


def _in_turn(items: list[_Item], rng: np.random.Generator) -> list[_Item]:
    """Return the points so that the photos take turns: a page half read has seen them all."""
    blocks: list[tuple[int, list[_Item]]] = []
    for index in dict.fromkeys(item.photo for item in items):
        own = [item for item in items if item.photo == index]
        own = [own[k] for k in rng.permutation(len(own))]
        parts = range(0, len(own), _IN_A_ROW)
        blocks += [(turn, own[k : k + _IN_A_ROW]) for turn, k in enumerate(parts)]
    blocks.sort(key=lambda block: block[0])
    return [item for _turn, block in blocks for item in block]


def _page(draw: Draw, items: Sequence[_Item], mode: Mode, business: str, path: Path) -> bytes:
    for shrink, quality in _LADDER:
        if _estimate(items, shrink, quality) > MOST_BYTES:
            continue
        pictures = [_webp(item.rgb, shrink, quality) for item in items]
        html = _html(draw, items, pictures, mode, business)
        if len(html) <= MOST_BYTES:
            return html
    raise _too_many(len(items), path)


def _estimate(items: Sequence[_Item], shrink: float, quality: int) -> float:
    """Return the size of the page from a few of its pictures, bytes."""
    some = items[:: max(1, len(items) // 24)]
    return len(items) / len(some) * sum(len(_webp(item.rgb, shrink, quality)) for item in some)


def _webp(rgb: Picture, shrink: float, quality: int) -> str:
    """Return a picture as WebP in base64: pixels alone, no metadata."""
    from PIL import Image

    picture = Image.fromarray(rgb)
    if shrink < 1:
        side = round(shrink * len(rgb))
        picture = picture.resize((side, side), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "WEBP", quality=quality, method=4)
    return base64.b64encode(out.getvalue()).decode()


def _html(
    draw: Draw, items: Sequence[_Item], pictures: list[str], mode: Mode, business: str
) -> bytes:
    data = {
        "draw": draw.id,
        "mode": mode,
        "words": SEEN_WORDS,
        "columns": POINTS.column_names,
        "photos": [[photo.photo, photo.sha256] for photo in draw.photos],
        "items": [
            {"p": i.photo, "n": i.number, "x": i.x_mm, "y": i.y_mm, "side": i.side_mm}
            for i in items
        ],
        "pictures": pictures,
    }
    # no end tag of a script may stand in the data, whatever a folder is called
    text = json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")
    code = _source("page.js")
    digest = base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()
    page = _environment().get_template("page.html").render(
        policy=f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; "
        f"form-action 'none'; script-src 'sha256-{digest}'",
        title="Points by eye" if mode == "points" else "Casts by eye",
        things="points" if mode == "points" else "pictures",
        style=_source("page.css"),
        code=code,
        data=text,
        mode=mode,
        words=SEEN_WORDS,
        business=business,
        n_photos=len(draw.photos),
        n_items=len(items),
    )  # fmt: skip
    return page.encode("utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("lawnscore.points", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def _source(name: str) -> str:
    return files("lawnscore.points").joinpath("templates", name).read_text(encoding="utf-8")
