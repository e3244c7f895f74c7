"""What was seen beside what the program thinks, point by point, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import SEEN_WORDS

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.points.program import Program

Array = NDArray[np.float64]
Index = NDArray[np.int64]

N_CLASSES = len(SEEN_WORDS) - 1
"""Surfaces that shares are of; the last word is `cannot tell`."""

SHARE_COLUMNS = (
    "green_cover_pct",
    "straw_cover_pct",
    "bare_soil_pct",
    "cast_cover_pct",
    "litter_pct",
)
"""Columns of the shares in the order of the class map and of what a reader may say, which is not
that of the tables."""

_BORROWED = 60.0
"""Points of the common kind that each photo's spread is pulled towards; our choice."""

_UNSEEN = 1.0
"""Points of every class that are added, in all, to the spread within photos; our choice."""


@dataclass(frozen=True, eq=False)
class Compared:
    """Points that were read, beside the program; arrays over points or over photos.

    Parameters
    ----------
    photos
        (k,) SHA-256 of the photos that were read.
    photo
        (n,) photo of each point.
    said
        (n, r) class that each reader said, 0 to 4; -1 where a reader could not tell, -2 where he
        did not read the point.
    readers
        (r,) names.
    shares
        (n, 5) the program's shares there, 0 to 1.
    n_off
        Points left out because the program measures no ground there now.
    """

    photos: tuple[str, ...]
    photo: Index
    said: Index
    readers: tuple[str, ...]
    shares: Array
    n_off: int = 0

    @property
    def told(self) -> NDArray[np.bool_]:
        """Which points some reader could tell, (n,)."""
        return np.asarray((self.said >= 0).any(axis=1))

    @property
    def seen(self) -> Array:
        """What was seen as shares (n, 5): the mean over the readers; NaN where none could tell."""
        said = self.said[..., None] == np.arange(N_CLASSES)
        count = (self.said >= 0).sum(axis=1)[:, None]
        return np.asarray(np.where(count > 0, said.sum(axis=1) / np.maximum(count, 1), np.nan))


@dataclass(frozen=True, eq=False)
class PhotoMeans:
    """The points of each photo together, over the photos with points that could be told.

    Parameters
    ----------
    photos
        (k,) SHA-256.
    n_points
        (k,) points told.
    seen, program
        (k, 5) mean shares at the points.
    covariance
        (k, 5, 5) of the mean of (seen - program) for the points being a sample of the photo.
    """

    photos: tuple[str, ...]
    n_points: Index
    seen: Array
    program: Array
    covariance: Array


def compare_points(points: pd.DataFrame, program: Program) -> Compared:
    """Set points beside the program.

    Parameters
    ----------
    points
        Rows of points.csv (:func:`lawnscore.points.record.read_points`).
    program
        Gives the shares at the points, from the photos as they are now. Points of photos that are
        not in the round any more take no part.

    Raises
    ------
    LawnscoreError
        When a photo cannot be scored any more.
    """
    there = {place.relative: place.path for place in program.opened.photos}
    current = program.current
    rows = points[(points["kind"] == "point") & points["sha256"].isin(list(current))]
    readers = tuple(dict.fromkeys(rows["reader"].astype(str)))
    photos = tuple(dict.fromkeys(rows["sha256"].astype(str)))
    photo, said, shares = [], [], []
    for number, sha256 in enumerate(photos):
        own = rows[rows["sha256"] == sha256]
        places: dict[tuple[float, float], NDArray[np.int64]] = {}
        for row in own.to_dict("records"):
            place = (float(row["x_mm"]), float(row["y_mm"]))
            line = places.setdefault(place, np.full(len(readers), -2, np.int64))
            word = SEEN_WORDS.index(row["seen"])
            line[readers.index(row["reader"])] = word if word < N_CLASSES else -1
        found = program.at(there[current[sha256]], sha256, list(places)).shares
        photo += [number] * len(places)
        said += list(places.values())
        shares += list(found)
    return _measured(photos, readers, photo, said, shares)


def _measured(
    photos: tuple[str, ...],
    readers: tuple[str, ...],
    photo: list[int],
    said: list[NDArray[np.int64]],
    shares: list[Array],
) -> Compared:
    where = np.array(photo, dtype=np.int64)
    words = np.array(said, dtype=np.int64).reshape(len(photo), len(readers))
    values = np.array(shares, dtype=np.float64).reshape(len(photo), N_CLASSES)
    on = np.isfinite(values).all(axis=1)
    return Compared(photos, where[on], words[on], readers, values[on], int((~on).sum()))


def photo_means(compared: Compared) -> PhotoMeans:
    """Return the points of each photo together.

    The covariance within a photo is pulled towards that of all photos: a few points that happen
    to agree say little.

    Raises
    ------
    LawnscoreError
        When no point could be told.
    """
    told = compared.told
    if not told.any():
        raise LawnscoreError("no point could be told", "Read some points first.")
    photo = compared.photo[told]
    seen, program = compared.seen[told], compared.shares[told]
    kept = np.unique(photo)
    gap = seen - program
    means = [np.array([v[photo == k].mean(axis=0) for k in kept]) for v in (seen, program, gap)]
    off = gap - means[2][np.searchsorted(kept, photo)]
    counts = np.array([(photo == k).sum() for k in kept])
    pooled = off.T @ off / max(len(off) - len(kept), 1)
    # what no reader has happened to see is rare, not impossible
    pooled += (np.eye(N_CLASSES) - 1 / N_CLASSES) * _UNSEEN / len(off)
    own = np.array([off[photo == k].T @ off[photo == k] for k in kept])
    within = (own + _BORROWED * pooled) / (counts + _BORROWED)[:, None, None]
    return PhotoMeans(
        tuple(compared.photos[k] for k in kept),
        counts,
        means[0],
        means[1],
        within / counts[:, None, None],
    )
