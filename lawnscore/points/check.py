"""How right the program's numbers are on the lawns of a round, by the points read there."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.tables import SEEN_WORDS
from lawnscore.points.casts import CastCounts, CastFactor, cast_factor, count_casts
from lawnscore.points.compare import (
    N_CLASSES,
    SHARE_COLUMNS,
    PhotoMeans,
    compare_points,
    photo_means,
)
from lawnscore.points.estimate import (
    FEWEST_PHOTOS,
    Estimate,
    binomial_se,
    difference_estimate,
    mean_over_photos,
    photos_to_halve,
)
from lawnscore.points.program import Program
from lawnscore.points.readers import Pair, reader_pairs, reader_se
from lawnscore.points.record import FILE_NAME, read_points
from lawnscore.register.folder import open_round

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

SHADE_FROM_PCT = 10.0
"""Cast shade from which a photo counts as partly in shade; our choice."""

FEWEST_HITS = 5.0
"""Points of a surface below which photos may agree about it by luck alone; our choice."""

LIGHTS = ("open light", "part in shade")


@dataclass(frozen=True)
class ShareCheck:
    """One share: how far the program is off, and what the round's share is by three ways, points.

    Parameters
    ----------
    measure, seen_as
        Column of the share and the reader's word.
    bias
        Program less eye, over the points, in points (0 to 100).
    program, eye, both
        The round's mean share: the program's own, by the points alone, by both together.
    more_photos
        Photos more, with as many points each, that would halve the interval of the bias.
    """

    measure: str
    seen_as: str
    bias: Estimate
    program: float
    eye: Estimate
    both: Estimate
    more_photos: int | None


@dataclass(frozen=True)
class GroupBias:
    """The bias of the shares in photos of one light or one lawn."""

    kind: str
    name: str
    n_photos: int
    n_points: int
    bias: dict[str, Estimate]


@dataclass(frozen=True)
class CastCheck:
    """Casts: photos looked at, marked and counted, recall and precision, and the factor."""

    n_photos: int
    seen: float
    counted: float
    recall: float
    precision: float
    factor: CastFactor


@dataclass(frozen=True, eq=False)
class PointsCheck:
    """What the points of a round say.

    Parameters
    ----------
    n_points, n_untold, n_photos, n_stale
        Points that could be told, that could not, photos they lie in, and rows of photos that are
        not in the round (any more).
    readers
        Names.
    agreement
        Share that the program gives, on average, to what was seen.
    confusion
        (5, 5) points: row what was seen, column what the program called it, by its shares.
    shares
        One a surface; empty without points.
    groups
        By light and by lawn, where there are :data:`~lawnscore.points.estimate.FEWEST_PHOTOS`
        photos.
    pairs
        Readers and how they agree with each other.
    reader_se
        (5,) error that the readers' own leaning may leave, points.
    casts
        ``None`` where nobody looked for casts.
    corrected
        Whether the round's settings let the points correct the tables.
    """

    n_points: int
    n_untold: int
    n_photos: int
    n_stale: int
    readers: tuple[str, ...]
    agreement: float
    confusion: Array
    shares: tuple[ShareCheck, ...]
    groups: tuple[GroupBias, ...]
    pairs: tuple[Pair, ...]
    reader_se: Array
    casts: CastCheck | None
    corrected: bool


def check_points(round_path: Path | str) -> PointsCheck | None:
    """Set the points of a round beside the program's own numbers; ``None`` without any points.

    The program is always taken plain, also where the tables are corrected.

    Raises
    ------
    LawnscoreError
        When the round is not scored, or points.csv or a photo cannot be read.
    """
    opened = open_round(round_path)
    if not (opened.path / FILE_NAME).exists():
        return None
    points = read_points(opened.path)
    program = Program(opened)
    compared = compare_points(points, program)
    told = compared.told
    confusion = np.zeros((N_CLASSES, N_CLASSES))
    shares: tuple[ShareCheck, ...] = ()
    groups: tuple[GroupBias, ...] = ()
    if told.any():
        confusion = compared.seen[told].T @ compared.shares[told]
        means = photo_means(compared)
        shares = tuple(_share_check(k, means, _all_shares(program)) for k in range(N_CLASSES))
        groups = tuple(_groups(means, program.scores))
    n = float(confusion.sum())
    return PointsCheck(
        n_points=int(told.sum()),
        n_untold=int((~told).sum()),
        n_photos=len(np.unique(compared.photo[told])),
        n_stale=int((~points["sha256"].isin(list(program.current))).sum()),
        readers=tuple(dict.fromkeys(points["reader"].astype(str))),
        agreement=float(np.trace(confusion) / n) if n else float("nan"),
        confusion=confusion,
        shares=shares,
        groups=groups,
        pairs=tuple(reader_pairs(compared)),
        reader_se=100.0 * reader_se(compared),
        casts=_cast_check(points, program),
        corrected=opened.settings.points.correct == "yes",
    )


def _all_shares(program: Program) -> Array:
    """Return the program's plain shares of every photo, (N, 5), 0 to 1.

    A corrected table does not hold them; the ledger does.
    """
    rows = program.plain_rows()
    return np.array([[row[name] for name in SHARE_COLUMNS] for row in rows], dtype=float) / 100.0


def _share_check(k: int, means: PhotoMeans, every: Array) -> ShareCheck:
    seen, program = means.seen[:, k], means.program[:, k]
    bias = _mean_gap(means, np.ones(len(seen), bool), k)
    n_points = int(means.n_points.sum())
    least = max(_luck(float(seen.mean()), n_points), _chance_se(means.covariance[:, k, k]))
    eye = mean_over_photos(seen, least_se=binomial_se(float(seen.mean()), n_points))
    return ShareCheck(
        SHARE_COLUMNS[k],
        SEEN_WORDS[k],
        _in_points(bias),
        100.0 * float(every[:, k].mean()),
        _in_points(eye),
        _in_points(difference_estimate(seen, program, every[:, k], least_se=least)),
        photos_to_halve(program - seen),
    )


def _mean_gap(means: PhotoMeans, own: NDArray[np.bool_], k: int) -> Estimate:
    """Return the mean of program less eye of one share over some of the photos."""
    gap = means.program[own, k] - means.seen[own, k]
    luck = _luck(float(means.seen[own, k].mean()), int(means.n_points[own].sum()))
    least = max(luck, _chance_se(means.covariance[own, k, k]))
    return mean_over_photos(gap, least_se=least)


def _chance_se(variance: Array) -> float:
    """Return the standard error of a mean over photos, (k,), that the choice of points alone makes.

    Photos that happen to agree are no reason to state less.
    """
    return float(np.sqrt(variance.sum()) / len(variance))


def _luck(share: float, n: int) -> float:
    """Return what a standard error is not taken below where a surface was hardly ever hit."""
    return binomial_se(share, n) if share * n < FEWEST_HITS else 0.0


def _in_points(e: Estimate) -> Estimate:
    return Estimate(
        100 * e.value, 100 * e.se, 100 * e.low, 100 * e.high, e.n_photos, weight=e.weight
    )


def _groups(means: PhotoMeans, scores: pd.DataFrame) -> list[GroupBias]:
    rows = scores.drop_duplicates("sha256").set_index("sha256").loc[list(means.photos)]
    shade = rows["shade_pct"].to_numpy(float)
    light = np.where(shade >= SHADE_FROM_PCT, LIGHTS[1], LIGHTS[0])
    found = []
    for kind, names in (("light", light), ("lawn", rows["lawn"].to_numpy(str))):
        for name in dict.fromkeys(sorted(names.tolist())):
            own = names == name
            if own.sum() < FEWEST_PHOTOS:
                continue
            n_points = int(means.n_points[own].sum())
            bias = {
                measure: _in_points(_mean_gap(means, own, k))
                for k, measure in enumerate(SHARE_COLUMNS)
            }
            found.append(GroupBias(kind, str(name), int(own.sum()), n_points, bias))
    return found


def _cast_check(points: pd.DataFrame, program: Program) -> CastCheck | None:
    if not (points["kind"] == "tile").any():
        return None
    counts: CastCounts = count_casts(points, program)
    if not len(counts.seen):
        return None
    return CastCheck(
        len(counts.seen),
        float(counts.seen.sum()),
        float(counts.counted.sum()),
        counts.recall,
        counts.precision,
        cast_factor(counts),
    )


def as_dict(check: PointsCheck) -> dict[str, object]:
    """Return it as plain values for one JSON document."""
    return {
        "points": check.n_points,
        "cannot_tell": check.n_untold,
        "photos": check.n_photos,
        "rows_of_other_photos": check.n_stale,
        "readers": list(check.readers),
        "agreement": check.agreement,
        "confusion": {
            SEEN_WORDS[j]: dict(zip(SEEN_WORDS, check.confusion[j].tolist(), strict=False))
            for j in range(N_CLASSES)
        },
        "shares": {
            one.measure: {
                "bias": _interval(one.bias),
                "program": one.program,
                "eye": _interval(one.eye),
                "both": {**_interval(one.both), "weight": one.both.weight},
                "more_photos_to_halve": one.more_photos,
            }
            for one in check.shares
        },
        "groups": [
            {
                "by": group.kind,
                "name": group.name,
                "photos": group.n_photos,
                "points": group.n_points,
                "bias": {name: _interval(e) for name, e in group.bias.items()},
            }
            for group in check.groups
        ],
        "readers_agree": [
            {
                "first": pair.first,
                "second": pair.second,
                "points": pair.kappa.n,
                "agreement": pair.kappa.observed,
                "kappa": pair.kappa.kappa,
                "kappa_se": pair.kappa.kappa_se,
            }
            for pair in check.pairs
        ],
        "reader_se": dict(zip(SHARE_COLUMNS, check.reader_se.tolist(), strict=True)),
        "casts": None if check.casts is None else _casts_dict(check.casts),
        "corrects_the_tables": check.corrected,
    }


def _interval(e: Estimate) -> dict[str, float]:
    return {"value": e.value, "low": e.low, "high": e.high}


def _casts_dict(casts: CastCheck) -> dict[str, object]:
    factor = casts.factor
    return {
        "photos": casts.n_photos,
        "marked": casts.seen,
        "counted": casts.counted,
        "recall": casts.recall,
        "precision": casts.precision,
        "factor": {"value": factor.factor, "low": factor.low, "high": factor.high},
    }
