"""The table of photos, its shares leaning on the program and on the points both."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lawnscore.photo.condition import condition, condition_se
from lawnscore.points.casts import CastFactor, cast_factor, count_casts
from lawnscore.points.compare import SHARE_COLUMNS, PhotoMeans, compare_points, photo_means
from lawnscore.points.flows import Corrected, Evidence, Targets, correct_shares
from lawnscore.points.program import Program
from lawnscore.points.readers import reader_se
from lawnscore.points.record import read_points

if TYPE_CHECKING:
    import pandas as pd

    from lawnscore.contract.settings import ConditionWeights
    from lawnscore.register.folder import Round

Array = NDArray[np.float64]

FEWEST_POINTS = 60
"""Points below which no share is corrected; our choice."""

FEWEST_CASTS = 10
"""Casts, marked or counted, below which no count is corrected; our choice."""

_METHOD = "1"
"""Goes into the settings id: to be changed when the correction is."""


def correct_photos(opened: Round, photos: pd.DataFrame) -> pd.DataFrame:
    """Return the table of photos with shares and counts corrected by points.csv of the round.

    Nothing changes unless the settings say yes and there are points enough. Shares, their errors
    and what is formed from them (`condition`) change; bare patches, evenness and colour do not.
    """
    if opened.settings.points.correct != "yes":
        return photos
    points = read_points(opened.path)
    points = points[points["sha256"].isin(list(photos["sha256"].dropna()))]
    if points.empty:
        return photos
    program = Program(opened, photos)
    out = photos.copy()
    used = [_correct_shares(out, points, program), _correct_casts(out, points, program)]
    if any(used):
        _correct_condition(out, opened.settings.scoring.condition)
        _mark(out, points)
    return out


def evidence_of(
    means: PhotoMeans, lean: Array, photos: pd.DataFrame
) -> tuple[Evidence, Targets, NDArray[np.intp]]:
    """Return the evidence of the points, the photos to correct, and their rows in the table.

    Parameters
    ----------
    means
        Points by photo.
    lean
        (5,) error of the readers (:func:`lawnscore.points.readers.reader_se`).
    photos
        The table of photos; those with all shares are corrected.
    """
    shares = photos[list(SHARE_COLUMNS)].to_numpy(float) / 100.0
    se = photos[[f"{name}_se" for name in SHARE_COLUMNS]].to_numpy(float) / 100.0
    whole = np.isfinite(shares).all(axis=1) & np.isfinite(se).all(axis=1)
    rows = np.flatnonzero(whole & (photos["status"] == "scored").to_numpy())
    place = np.asarray(photos.groupby(["lawn", "zone"], dropna=False).ngroup(), dtype=np.int64)
    number = {sha256: k for k, sha256 in enumerate(means.photos)}
    hashes = photos["sha256"].to_numpy()
    read_as = np.array([number.get(hashes[row], -1) for row in rows], dtype=np.int64)
    of_photo = {k: row for k, row in zip(read_as.tolist(), rows.tolist(), strict=True) if k >= 0}
    read = np.array([k for k in range(len(means.photos)) if k in of_photo], dtype=np.int64)
    at = np.array([of_photo[k] for k in read.tolist()], dtype=np.int64)
    evidence = Evidence(
        (means.seen - means.program)[read],
        means.program[read],
        means.covariance[read],
        se[at],
        place[at],
        lean,
    )
    renumbered = np.full(len(means.photos) + 1, -1)
    renumbered[read] = np.arange(len(read))
    return evidence, Targets(shares[rows], se[rows], place[rows], renumbered[read_as]), rows


def _correct_shares(out: pd.DataFrame, points: pd.DataFrame, program: Program) -> bool:
    compared = compare_points(points, program)
    n_points = int(compared.told.sum())
    if n_points < FEWEST_POINTS:
        return False
    evidence, targets, rows = evidence_of(photo_means(compared), reader_se(compared), out)
    if not len(evidence.place):
        return False
    found: Corrected = correct_shares(evidence, targets)
    index = out.index[rows]
    for k, name in enumerate(SHARE_COLUMNS):
        out.loc[index, name] = 100.0 * found.shares[:, k]
        out.loc[index, f"{name}_se"] = 100.0 * found.se[:, k]
    out.loc[index, "checked_points"] = n_points
    return True


def _correct_casts(out: pd.DataFrame, points: pd.DataFrame, program: Program) -> bool:
    counts = count_casts(points, program)
    if max(counts.seen.sum(), counts.counted.sum(), 0.0) < FEWEST_CASTS:
        return False
    factor: CastFactor = cast_factor(counts)
    density = out["casts_per_m2"].to_numpy(float)
    se = out["casts_per_m2_se"].to_numpy(float)
    out["casts_per_m2"] = density * factor.factor
    # a photo's own error is kept in full: too few casts are marked to say it is smaller
    out["casts_per_m2_se"] = factor.factor * np.sqrt(se**2 + (density * factor.log_se) ** 2)
    known = out.index[np.isfinite(density)]
    out.loc[known, "checked_casts"] = round(factor.n_seen)
    return True


def _correct_condition(out: pd.DataFrame, weights: ConditionWeights) -> None:
    for index in out.index[out["condition"].notna()]:
        row = {str(k): v for k, v in out.loc[index].items()}
        values = {k: float(v) for k, v in row.items() if isinstance(v, float)}
        se = {k.removesuffix("_se"): v for k, v in values.items() if k.endswith("_se")}
        out.loc[index, "condition"] = condition(values, weights)
        out.loc[index, "condition_se"] = condition_se(values, se, weights)


def _mark(out: pd.DataFrame, points: pd.DataFrame) -> None:
    """Give the corrected rows a settings id of their own: of the settings and of the points."""
    digest = hashlib.sha256(_METHOD.encode())
    columns = ["kind", "sha256", "x_mm", "y_mm", "seen", "reader"]
    lines = sorted("\t".join(map(str, row)) for row in points[columns].itertuples(index=False))
    digest.update("\n".join(lines).encode())
    mine = out["checked_points"].notna() | out["checked_casts"].notna()
    for index in out.index[mine]:
        before = str(out.loc[index, "settings_id"])
        after = hashlib.sha256(before.encode() + digest.digest()).hexdigest()[:8]
        out.loc[index, "settings_id"] = after
