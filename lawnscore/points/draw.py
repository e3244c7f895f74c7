"""Which photos are looked at, and where: every photo and every place has the same chance."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.folder import open_round
from lawnscore.scoring.tables import read_table

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.photo.ground import Ground

Array = NDArray[np.float64]

LAWN_APART = 6.0
ZONE_APART = 2.0
"""How far apart photos of two lawns, or of two zones of one, are taken to lie, in standard
deviations of the other marks; our choice. Lawns come first, so that none is left out lightly."""

SPREAD_BY = (
    "shade_pct",
    "green_cover_pct",
    "straw_cover_pct",
    "straw_cover_pct_se",
    "straw_soil_confidence",
)
"""Columns of a photo over which the draw is spread beside lawn and zone: light, cover, doubt."""

MOST_PHOTOS = 3000
"""A larger round is thinned at random to this many before the draw is spread."""

_DENSER = 1.05
"""The grid is drawn with this many more points than wanted; the surplus is left out."""


@dataclass(frozen=True, eq=False)
class DrawnPhoto:
    """A photo to be looked at: its row of `photo_scores.csv` in short, and its file."""

    photo: str
    sha256: str
    path: Path


@dataclass(frozen=True, eq=False)
class Draw:
    """Photos drawn at random, and the generator that goes on to draw their points.

    Parameters
    ----------
    round_path
        Folder of the round.
    id
        Eight hexadecimal digits: of the seed and the photos.
    photos
        In random order.
    rng
        Where the points come from.
    """

    round_path: Path
    id: str
    photos: tuple[DrawnPhoto, ...]
    rng: np.random.Generator


def draw_photos(
    round_path: Path | str, n: int, *, lawns: list[str] | None = None, seed: int | None = None
) -> Draw:
    """Draw photos of a scored round, spread over lawns, light, cover and doubt.

    Parameters
    ----------
    round_path
        Folder of the round; it must have been scored.
    n
        Photos to draw; all of them when there are fewer.
    lawns
        Only of these lawns.
    seed
        Same seed, same draw; by default another one each time.

    Raises
    ------
    LawnscoreError
        When the round is not scored, a lawn is unknown, or no photo is left to draw from.
    """
    opened = open_round(round_path)
    table = read_table(opened.path, "photo_scores")
    table = _of_lawns(table, lawns, opened.path)
    at = {place.relative: place.path for place in opened.photos}
    table = table[(table["status"] == "scored") & table["photo"].isin(list(at))]
    # the same content twice is one photo
    table = table.drop_duplicates("sha256").reset_index(drop=True)
    if table.empty:
        raise LawnscoreError(
            "no scored photo to draw from", "Score the round first: `lawnscore score`.", opened.path
        )
    seed = secrets.randbits(63) if seed is None else seed
    rng = np.random.default_rng(seed)
    chosen = table.loc[rng.permutation(spread_sample(table, n, rng))]
    photos = tuple(
        DrawnPhoto(str(row["photo"]), str(row["sha256"]), at[str(row["photo"])])
        for row in chosen.to_dict("records")
    )
    text = "\n".join([str(seed), *(photo.sha256 for photo in photos)])
    return Draw(opened.path, hashlib.sha256(text.encode()).hexdigest()[:8], photos, rng)


def spread_sample(photos: pd.DataFrame, n: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Return the rows (n,) of a sample that is spread, each with the same chance.

    The local pivotal method (Grafstrom, Lundstrom & Schelin 2012, Biometrics 68:514-520, from
    memory): again and again a photo and its nearest neighbour settle between them which of the
    two is likelier to be drawn, so that neighbours are seldom drawn together.
    """
    rows = np.arange(len(photos))
    if len(rows) > MOST_PHOTOS:
        rows = np.sort(rng.choice(rows, MOST_PHOTOS, replace=False))
    if n >= len(rows):
        return np.asarray(rows, dtype=np.intp)
    return np.asarray(rows[pivoted(_marks(photos.iloc[rows]), n, rng)], dtype=np.intp)


def pivoted(marks: Array, n: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Return which of the units with these marks (m, d) are drawn, (m,); ``n`` of them."""
    chance = np.full(len(marks), n / len(marks))
    open_ = list(range(len(marks)))
    while len(open_) > 1:
        one = open_[int(rng.integers(len(open_)))]
        others = np.array([k for k in open_ if k != one])
        gap = ((marks[others] - marks[one]) ** 2).sum(axis=1)
        near = others[gap <= gap.min() * (1 + 1e-9)]
        other = int(near[rng.integers(len(near))])
        chance[one], chance[other] = _settle(chance[one], chance[other], rng)
        open_ = [k for k in open_ if 1e-9 < chance[k] < 1 - 1e-9]
    if open_:  # rounding alone leaves one
        chance[open_[0]] = float(rng.random() < chance[open_[0]])
    return np.asarray(chance > 0.5)


def _settle(a: float, b: float, rng: np.random.Generator) -> tuple[float, float]:
    """Return the chances of two neighbours after they settled; each keeps its mean."""
    total = a + b
    if total < 1.0:
        return (0.0, total) if rng.random() < b / total else (total, 0.0)
    return (1.0, total - 1.0) if rng.random() < (1.0 - b) / (2.0 - total) else (total - 1.0, 1.0)


def draw_points(keep: NDArray[np.bool_], ground: Ground, n: int, rng: np.random.Generator) -> Array:
    """Return points (n, 2), x and y in the frame of the card (mm), on measured ground.

    A square grid with a random start; of what it has more than ``n``, points are left out along
    the grid at equal distances from a random start. Where there are fewer than ``n`` pixels of
    ground there are fewer points.

    Parameters
    ----------
    keep
        (h, w) pixels of the ground that may be drawn; from its top left corner.
    ground
        Gives scale and origin.
    """
    n = min(n, int(np.count_nonzero(keep)))
    if n == 0:
        return np.zeros((0, 2))
    step = float(np.sqrt(np.count_nonzero(keep) / (_DENSER * n)))  # pixels
    while True:
        start = rng.random(2) * step
        rows, cols = (np.arange(s, side, step) for s, side in zip(start, keep.shape, strict=True))
        col, row = (g.ravel() for g in np.meshgrid(cols, rows))
        on = keep[row.astype(int), col.astype(int)]
        if on.sum() >= n:
            break
        step *= 0.97
    picked = np.flatnonzero(on)[((rng.random() + np.arange(n)) * on.sum() / n).astype(int)]
    # a pixel's centre is a whole number of pixels from the origin, its edges are halfway
    place = np.column_stack([col[picked], row[picked]]) - 0.5
    return np.asarray(np.array(ground.origin_mm) + place * ground.mm_per_px)


def _of_lawns(table: pd.DataFrame, lawns: list[str] | None, where: Path) -> pd.DataFrame:
    if not lawns:
        return table
    from lawnscore.register.register import nearest

    known = sorted({str(lawn) for lawn in table["lawn"].dropna()})
    for lawn in lawns:
        if lawn not in known:
            mend = nearest(lawn, known) or f"The round has: {', '.join(known[:5])}."
            raise LawnscoreError(f"there is no lawn `{lawn}`", mend, where)
    return table[table["lawn"].isin(lawns)]


def _marks(photos: pd.DataFrame) -> Array:
    """Return what the draw is spread over, (n, d): equal lawns and zones lie together."""
    columns = []
    for names, apart in ((["lawn"], LAWN_APART), (["lawn", "zone"], ZONE_APART)):
        codes = photos.groupby(names, sort=True, dropna=False).ngroup().to_numpy()
        columns.append(apart / np.sqrt(2.0) * np.eye(int(codes.max()) + 1)[codes])
    for name in SPREAD_BY:
        values = photos[name].to_numpy(dtype="float64", na_value=np.nan)
        values = (
            np.where(np.isfinite(values), values, np.nanmedian(values))
            if np.isfinite(values).any()
            else np.zeros(len(values))
        )
        spread = values.std()
        columns.append((values / spread if spread > 0 else 0.0 * values)[:, None])
    return np.hstack(columns)
