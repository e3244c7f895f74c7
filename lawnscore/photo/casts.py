"""Earthworm casts as objects: where each lies, how wide it is, how surely it is a cast."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from lawnscore.photo.classes import ClassMap
    from lawnscore.photo.ground import Ground

Floats = NDArray[np.float32]
Ints = NDArray[np.intp]

DIAMETER_MM = (10.0, 50.0)
"""Diameters that count, mm: small species 10 to 20, large 20 to 50 (from memory); Darwin's
ten lawn casts averaged 51.6 mm along the slope (Darwin 1881, p 264)."""

MAX_BLOB_MM = 65.0
"""Widest blob that is still looked on as a cast, mm: the blur widens what is seen."""

SMOOTHING_MM = 2.5
"""Standard deviation of the blur that joins the cells of one cast, mm."""

MIN_PEAK = 0.05
"""Smoothed score below which a peak is not looked at."""

MIN_DIP = 0.10
"""Two peaks are two casts when the score between them dips by this part of the lower one."""

EDGE_OF_PEAK = 0.5
"""A cast reaches to where the smoothed score is this part of its peak."""

MIN_WEIGHT = 0.5
"""A cell with less measured ground than this belongs to the border."""

EVIDENCE = (1.8, 2.0)
"""Intercept and slope, in the logit of a peak's height, of the logarithm of how much likelier such
a peak is on a cast than elsewhere. `benchmarks/studies/fit_casts.py` fits less of an intercept on
rendered lawns of the training family, a third of whose casts hardly show; that counts too few where
casts do show. Chosen for what counts best on the set `choosing` of ACCURACY.md: right to a tenth
from 10 to 80 a m2, 2 where there are none."""

LITTER_EVIDENCE = -0.9
"""Slope of the same in the logarithm of the litter round a peak: a rolled leaf looks much like a
cast. Between what two sets of such lawns give (-1.13, -0.59)."""

LITTER_NEAR = (0.01, 0.02)
"""Share of litter round a cast on clean turf, at which litter says nothing, and what is added to
shares before their logarithm is taken."""

PRIOR = (1.0, 4.0)
"""Peaks that are casts and peaks that are not, as if seen before the photo: lawns without casts
are common. Our own choice, no source."""

_ROUNDS = 40
_LITTER = 4  # in SURFACES of classes.py


@dataclass(frozen=True, eq=False)
class Casts:
    """What may be the casts of one photo, surest first.

    Parameters
    ----------
    x_mm, y_mm
        (n,) centre in the card frame, mm.
    diameter_mm
        (n,) diameter of the circle of equal area, mm.
    probability
        (n,) chance that this is a cast; the expected number of casts is their sum.
    height
        (n,) height of the peak of the smoothed score, 0 to 1.
    litter
        (n,) share of litter in the nine cells about it.
    """

    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]
    probability: NDArray[np.float64]
    height: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    litter: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))

    @property
    def expected_count(self) -> float:
        """Expected number of casts: the sum of the chances."""
        return float(self.probability.sum())


def find_casts(class_map: ClassMap, ground: Ground) -> Casts:
    """Find casts as separate blobs of the cast score.

    The score is smoothed over :data:`SMOOTHING_MM`; peaks that a dip parts are separate casts;
    each reaches to half its peak. How sure a peak is depends on its height and on how many of
    the photo's peaks are high (:func:`chances`). A cast whose centre lies inside the measured
    ground counts whole, one whose centre lies outside does not count: so the density needs no
    edge correction.
    """
    score = _smoothed(class_map)
    peaks = _peaks(score)
    peaks = _parted(peaks, score, reach=DIAMETER_MM[1] / class_map.cell_mm)
    row, col, area = _extents(peaks, score, reach=round(0.75 * DIAMETER_MM[1] / class_map.cell_mm))
    diameter = 2.0 * np.sqrt(area / np.pi) * class_map.cell_mm
    height = score[peaks[:, 0], peaks[:, 1]].astype(np.float64)
    litter = _litter_round(class_map, peaks)
    order = np.flatnonzero((diameter >= DIAMETER_MM[0]) & (diameter <= MAX_BLOB_MM))
    corner = np.asarray(ground.origin_mm, dtype=np.float64) - 0.5 * ground.mm_per_px
    return Casts(
        x_mm=corner[0] + (col[order] + 0.5) * class_map.cell_mm,
        y_mm=corner[1] + (row[order] + 0.5) * class_map.cell_mm,
        diameter_mm=diameter[order],
        probability=chances(height[order], litter[order]),
        height=height[order],
        litter=litter[order],
    )


def logit(share: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the logit of shares, held between 0.001 and 0.999."""
    held = np.clip(np.asarray(share, dtype=np.float64), 1e-3, 1.0 - 1e-3)
    return np.asarray(np.log(held / (1.0 - held)), dtype=np.float64)


def chances(
    height: NDArray[np.float64], litter: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Return the chance that each peak is a cast, (n,), by its height and the litter round it.

    The peaks of a photo are a mixture of casts and others. Their evidence is known
    (:data:`EVIDENCE`), the proportion is that of this photo: it is found by expectation and
    maximisation (Dempster, Laird & Rubin 1977, from memory) under :data:`PRIOR`. So a lawn
    without casts is not given a few for its faint peaks, and a lawn full of them does not lose
    its faint ones.
    """
    if not height.size:
        return np.zeros(0)
    evidence = EVIDENCE[0] + EVIDENCE[1] * logit(height)
    if litter is not None:
        usual, least = LITTER_NEAR
        evidence += LITTER_EVIDENCE * np.log((litter + least) / (usual + least))
    share = PRIOR[0] / sum(PRIOR)
    for _ in range(_ROUNDS):
        chance = 1.0 / (1.0 + np.exp(-evidence - np.log(share / (1.0 - share))))
        share = (float(chance.sum()) + PRIOR[0]) / (height.size + sum(PRIOR))
    return np.asarray(chance, dtype=np.float64)


def _litter_round(class_map: ClassMap, peaks: Ints) -> NDArray[np.float64]:
    """Return the mean share of litter in the nine cells about each peak, (n,)."""
    mean = cv2.blur(np.ascontiguousarray(class_map.shares[..., _LITTER]), (3, 3))
    return np.asarray(mean[peaks[:, 0], peaks[:, 1]], dtype=np.float64)


def _smoothed(class_map: ClassMap) -> Floats:
    weight = class_map.weight.astype(np.float32)
    sigma = SMOOTHING_MM / class_map.cell_mm
    evidence = class_map.cast_score.astype(np.float32) * weight
    total = cv2.GaussianBlur(evidence, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    share = cv2.GaussianBlur(weight, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    out: Floats = np.where(weight >= MIN_WEIGHT, total / np.maximum(share, 1e-6), 0.0)
    return out.astype(np.float32)


def _peaks(score: Floats) -> Ints:
    """Return (n, 2) rows and columns of the local tops, highest first."""
    top = cv2.dilate(score, np.ones((3, 3), np.uint8))
    high = np.flatnonzero(score >= MIN_PEAK)
    high = high[score.ravel()[high] >= top.ravel()[high]]
    found = np.stack(np.unravel_index(high, score.shape), axis=1)
    height = score[found[:, 0], found[:, 1]]
    out: Ints = found[np.argsort(-height, kind="stable")]
    return out


def _parted(peaks: Ints, score: Floats, *, reach: float) -> Ints:
    """Drop each top that no dip parts from a higher one within `reach` cells."""
    higher, lower = _pairs(peaks, score.shape, reach=reach)
    if not len(higher):
        return peaks
    step = np.linspace(0.0, 1.0, 2 * round(reach) + 1)[:, None, None]
    line = np.rint((1 - step) * peaks[higher] + step * peaks[lower]).astype(np.intp)
    between = score[line[..., 0], line[..., 1]].min(axis=0)
    height = score[peaks[lower, 0], peaks[lower, 1]]
    keep = np.ones(len(peaks), dtype=bool)
    keep[lower[between >= (1.0 - MIN_DIP) * height]] = False
    return peaks[keep]


def _pairs(peaks: Ints, shape: tuple[int, ...], *, reach: float) -> tuple[Ints, Ints]:
    """Return the places in `peaks`, lower and higher, of all pairs within `reach` cells.

    The tops stand on a grid, so that looking at each step to a neighbour finds what a search tree
    does, without SciPy's, whose import costs a process more than scoring a photo.
    """
    far = int(reach)
    place = np.full((shape[0] + 2 * far, shape[1] + 2 * far), -1, dtype=np.intp)
    row, col = peaks[:, 0] + far, peaks[:, 1] + far
    place[row, col] = np.arange(len(peaks))
    first, second = [], []
    for down in range(far + 1):
        for right in range(-far if down else 1, far + 1):
            if down**2 + right**2 <= reach**2:
                other = place[row + down, col + right]
                met = np.flatnonzero(other >= 0)
                first.append(met)
                second.append(other[met])
    if not first:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    one, two = np.concatenate(first), np.concatenate(second)
    return np.minimum(one, two), np.maximum(one, two)


def _extents(
    peaks: Ints, score: Floats, *, reach: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Centre (row, column) and area, in cells, of what belongs to each top.

    A cell belongs to the nearest top, when its score is at least half that of the top.
    """
    if not len(peaks):
        return np.zeros(0), np.zeros(0), np.zeros(0)
    far = np.ones(score.shape, dtype=np.uint8)
    far[peaks[:, 0], peaks[:, 1]] = 0
    _, nearest = cv2.distanceTransformWithLabels(
        far, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    side = np.arange(-reach, reach + 1)
    row = np.clip(peaks[:, 0, None, None] + side[None, :, None], 0, score.shape[0] - 1)
    col = np.clip(peaks[:, 1, None, None] + side[None, None, :], 0, score.shape[1] - 1)
    own = nearest[row, col] == nearest[peaks[:, 0], peaks[:, 1]][:, None, None]
    own &= (row - peaks[:, 0, None, None] == side[None, :, None]) & (
        col - peaks[:, 1, None, None] == side[None, None, :]
    )
    height = score[peaks[:, 0], peaks[:, 1]][:, None, None]
    held = np.where(own & (score[row, col] >= EDGE_OF_PEAK * height), score[row, col], 0.0)
    mass = held.sum(axis=(1, 2))
    return (
        (held * row).sum(axis=(1, 2)) / mass,
        (held * col).sum(axis=(1, 2)) / mass,
        (held > 0).sum(axis=(1, 2)).astype(np.float64),
    )
