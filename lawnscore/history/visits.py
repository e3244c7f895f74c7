"""Photos to visits: estimates for the zone with 95 % intervals, the photos being the sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES, Measure
from lawnscore.contract.tables import STAGE_ORDER, VISIT_SCORES
from lawnscore.history.intervals import (
    fit_spread,
    satterthwaite,
    score_density,
    score_share,
    t_quantile,
)

Array = npt.NDArray[np.float64]
_KEY = ("lawn", "zone", "date", "stage")
MAX_KURTOSIS = 20.0
"""Excess kurtosis of the photos of a round counted at most; our choice."""
LIGHT_HOURS = 2.0
"""Photos of a visit that are further apart were taken in another light; our choice. It is more
than the hour by which the clock of a camera may be off."""
_REFERENCE_ORDER = ("nominal", "learned", "measured")
"""Worst first: a visit is only as good as the worst card colours in it."""


@dataclass(frozen=True, eq=False)
class _Sample:
    """Photos of one measure, summed by visit; all arrays (v,)."""

    n: Array
    mean: Array
    variance: Array  # between photos, NaN below two photos
    fourth: Array  # mean fourth power of the departures from the mean
    n_effective: Array  # Kish: (sum w)**2 / sum w**2
    area: Array  # ground of the photos that have the measure, m2
    shared_se: Array


def visit_scores(photo_scores: pd.DataFrame) -> pd.DataFrame:
    """Return one row a lawn, zone, date and stage, with estimates and 95 % intervals.

    Parameters
    ----------
    photo_scores
        The table of photos (:data:`lawnscore.contract.tables.PHOTO_SCORES`). Columns that are
        missing count as empty; only place, date and stage must be there.

    Returns
    -------
    DataFrame
        The columns of :data:`lawnscore.contract.tables.VISIT_SCORES`, in order of place and
        time. A visit whose photos were all refused keeps its row, with empty measures.

    Raises
    ------
    LawnscoreError
        When a column that says place and time is missing.

    Notes
    -----
    Photos are weighted by the ground they measured, so that shares and densities are those of
    all the ground together (ratio of sums). The interval speaks of the zone: see
    :mod:`lawnscore.history.intervals`. The standard errors within the photos come mostly from
    what photos share (card, colour fit, class model), so their mean square is added once and
    does not shrink with the number of photos; what they hold of chance is in the spread between
    photos already. One photo alone takes its spread from the round's other visits; where there
    are too few of those its interval is empty. The largest bare patch is the largest one seen:
    the zone's largest is at least that, so only the lower end is given.
    """
    for column in _KEY:
        if column not in photo_scores:
            raise LawnscoreError(
                f"the photo table has no column `{column}`", "Write it anew with `lawnscore score`."
            )
    visits, group = _visit_rows(photo_scores)
    n_visits = len(visits)
    scored = _scored(photo_scores)
    area = _numbers(photo_scores, "area_m2")
    columns: dict[str, Any] = {
        "photos": np.bincount(group[scored], minlength=n_visits),
        "refused": np.bincount(group[~scored], minlength=n_visits),
        "area_m2": _sum_or_nan(np.where(scored, area, np.nan), group, n_visits),
    }
    weight = _weights(area, scored)
    for measure in MEASURES.values():
        values = np.where(scored, _numbers(photo_scores, measure.name), np.nan)
        se = np.where(scored, _numbers(photo_scores, f"{measure.name}_se"), np.nan)
        low_mid_high = _measure_intervals(measure, values, se, weight, group, n_visits)
        columns[f"{measure.name}_shared_se"] = _shared_se(values, se, group, n_visits)
        columns[measure.name], columns[f"{measure.name}_low"] = low_mid_high[1], low_mid_high[0]
        columns[f"{measure.name}_high"] = low_mid_high[2]
    columns |= _method(photo_scores, group, scored, n_visits)
    columns["lights"] = _lights(photo_scores, group, scored, n_visits)
    columns["phones"] = _phones(photo_scores, group, scored, n_visits)
    for column in ("checked_points", "checked_casts"):
        values = np.where(scored, _numbers(photo_scores, column), np.nan)
        columns[column] = _largest(values, values, group, n_visits)[1]
    return VISIT_SCORES.frame(visits.assign(**columns))


def _visit_rows(photos: pd.DataFrame) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    keys = photos[list(_KEY)].astype("object")
    keyed = keys.assign(_stage=keys["stage"].map(lambda s: STAGE_ORDER.get(str(s), 3)))
    grouper = keyed.groupby(["lawn", "zone", "date", "_stage"], sort=True, dropna=False)
    group = grouper.ngroup().to_numpy(np.int64)
    first = np.full(int(group.max()) + 1 if len(group) else 0, -1, np.int64)
    first[group[::-1]] = np.arange(len(group) - 1, -1, -1)
    return keys.take(first).reset_index(drop=True), np.asarray(group, np.int64)


def _scored(photos: pd.DataFrame) -> npt.NDArray[np.bool_]:
    if "status" not in photos:
        return np.ones(len(photos), bool)
    return np.asarray(photos["status"].astype("object") == "scored", bool)


def _numbers(table: pd.DataFrame, column: str) -> Array:
    if column not in table:
        return np.full(len(table), np.nan)
    out: Array = pd.to_numeric(table[column], errors="coerce").to_numpy(
        dtype="float64", na_value=np.nan
    )
    return out


def _weights(area: Array, scored: npt.NDArray[np.bool_]) -> Array:
    good = scored & np.isfinite(area) & (area > 0)
    usual = float(np.median(area[good])) if good.any() else 1.0
    return np.where(np.isfinite(area) & (area > 0), area, usual)


def _sum_or_nan(values: Array, group: npt.NDArray[np.int64], n: int) -> Array:
    known = np.isfinite(values)
    total = np.bincount(group[known], values[known], minlength=n)
    return np.where(np.bincount(group[known], minlength=n) > 0, total, np.nan)


def _measure_intervals(
    measure: Measure,
    values: Array,
    se: Array,
    weight: Array,
    group: npt.NDArray[np.int64],
    n_visits: int,
) -> tuple[Array, Array, Array]:
    if measure.kind == "size":
        return _largest(values, se, group, n_visits)
    sample = _summarise(values, se, weight, group, n_visits)
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = _interval(measure, sample)
    unknown = sample.n < 1
    return (
        np.where(unknown, np.nan, low),
        sample.mean,
        np.where(unknown, np.nan, high),
    )


def _summarise(
    values: Array, se: Array, weight: Array, group: npt.NDArray[np.int64], n_visits: int
) -> _Sample:
    known = np.isfinite(values)
    g, y, w = group[known], values[known], weight[known]

    def total(x: Array) -> Array:
        out: Array = np.bincount(g, x, minlength=n_visits).astype(np.float64)
        return out

    n, sum_w = total(np.ones_like(y)), total(w)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = total(w * y) / sum_w
        scatter = total(w * (y - mean[g]) ** 2) / sum_w
        variance = np.where(n > 1, scatter * n / (n - 1), np.nan)
        fourth = total(w * (y - mean[g]) ** 4) / sum_w
        n_effective = sum_w**2 / total(w**2)
    shared = np.nan_to_num(_shared_se(values, se, group, n_visits))
    return _Sample(n, mean, variance, fourth, n_effective, sum_w, shared)


def _shared_se(values: Array, se: Array, group: npt.NDArray[np.int64], n_visits: int) -> Array:
    """Return the root mean square of the photos' errors by visit; NaN where none is stated."""
    has = np.isfinite(values) & np.isfinite(se)
    total = np.bincount(group[has], se[has] ** 2, minlength=n_visits)
    with np.errstate(divide="ignore", invalid="ignore"):
        out: Array = np.sqrt(total / np.bincount(group[has], minlength=n_visits))
    return out


def _interval(measure: Measure, sample: _Sample) -> tuple[Array, Array]:
    if measure.kind == "share":
        return _share_interval(sample)
    if measure.kind == "density":
        return _density_interval(sample)
    return _plain_interval(measure, sample)


def _share_interval(sample: _Sample) -> tuple[Array, Array]:
    expected = sample.mean * (100 - sample.mean)
    unit, df = _moderated(sample, expected)
    # photos of nothing but 0 or 100 with nothing to borrow: the widest spread shares can have
    ends = np.isnan(unit) & (expected <= 0) & (sample.n > 1)
    unit, df = np.where(ends, 1.0, unit), np.where(ends, sample.n - 1, df)
    unit = np.minimum(unit, 1.0)
    factor = unit / sample.n_effective
    variance = factor * np.maximum(expected, 1.0)
    t = t_quantile(satterthwaite(variance, df, sample.shared_se**2))
    return _where_known(unit, score_share(sample.mean, factor, sample.shared_se, t))


def _density_interval(sample: _Sample) -> tuple[Array, Array]:
    per_photo = sample.area / sample.n
    poisson = sample.mean / per_photo
    clump = _clumping(sample, poisson)
    expected = poisson + clump * sample.mean**2
    unit, df = _moderated(sample, expected)
    none_seen = (sample.mean == 0) & (sample.n > 1)
    unit = np.where(none_seen & np.isnan(unit), 1.0, unit)
    df = np.where(none_seen & np.isnan(df), sample.n - 1, df)
    # never narrower than chance alone: fewer counts than a Poisson's spread are luck
    slope = np.maximum(unit * (1 + clump * sample.mean * per_photo), 1.0) / (
        per_photo * sample.n_effective
    )
    variance = slope * np.maximum(sample.mean, 1 / sample.area)
    t = t_quantile(satterthwaite(variance, df, sample.shared_se**2))
    return _where_known(unit, score_density(sample.mean, slope, sample.shared_se, t))


def _clumping(sample: _Sample, poisson: Array) -> float:
    # negative binomial 1 / k by moments over the round: how much casts keep together
    good = (sample.n > 1) & (sample.mean > 0)
    if not good.any():
        return 0.0
    weight = sample.n[good] - 1
    extra = np.sum(weight * (sample.variance[good] - poisson[good]))
    return float(max(extra / np.sum(weight * sample.mean[good] ** 2), 0.0))


def _plain_interval(measure: Measure, sample: _Sample) -> tuple[Array, Array]:
    unit, df = _moderated(sample, np.ones_like(sample.mean))
    variance = unit / sample.n_effective
    total = np.sqrt(variance + sample.shared_se**2)
    half = t_quantile(satterthwaite(variance, df, sample.shared_se**2)) * total
    low, high = sample.mean - half, sample.mean + half
    if measure.low is not None:
        low = np.maximum(low, measure.low)
    if measure.high is not None:
        high = np.minimum(high, measure.high)
    return _where_known(unit, (low, high))


def _moderated(sample: _Sample, expected: Array) -> tuple[Array, Array]:
    """Return unit variances (variance over ``expected``), moderated, and degrees of freedom."""
    own = np.where(expected > 0, sample.variance / expected, np.nan)
    tail = _excess_kurtosis(sample, expected)
    # long tails make a variance less sure: Var(s2) = s4 (2 / (n - 1) + kurtosis / n)
    df = np.where(sample.n > 1, 2 / (2 / np.maximum(sample.n - 1, 1) + tail / sample.n), 0.0)
    return fit_spread(own, df).moderate(own, df)


def _excess_kurtosis(sample: _Sample, expected: Array) -> float:
    good = (sample.n > 1) & (expected > 0)
    if good.sum() < 2:
        return 0.0
    n = sample.n[good]
    loss = n / (n - 1)  # departures from the sample's own mean are too small
    second = np.average(sample.variance[good] / expected[good], weights=n)
    fourth = np.average(sample.fourth[good] * loss**2 / expected[good] ** 2, weights=n)
    return float(np.clip(fourth / second**2 - 3, 0.0, MAX_KURTOSIS)) if second > 0 else 0.0


def _where_known(unit: Array, ends: tuple[Array, Array]) -> tuple[Array, Array]:
    return np.where(np.isnan(unit), np.nan, ends[0]), np.where(np.isnan(unit), np.nan, ends[1])


def _largest(
    values: Array, se: Array, group: npt.NDArray[np.int64], n_visits: int
) -> tuple[Array, Array, Array]:
    largest = np.full(n_visits, -np.inf)
    known = np.isfinite(values)
    np.maximum.at(largest, group[known], values[known])
    least = np.full(n_visits, -np.inf)
    np.maximum.at(
        least, group[known], np.maximum(values[known] - 1.645 * np.nan_to_num(se[known]), 0)
    )
    found = np.isfinite(largest)
    nothing = np.full(n_visits, np.nan)
    return np.where(found, least, np.nan), np.where(found, largest, np.nan), nothing


def _method(
    photos: pd.DataFrame, group: npt.NDArray[np.int64], scored: npt.NDArray[np.bool_], n: int
) -> dict[str, npt.NDArray[Any]]:
    out = {}
    for column in ("version", "settings_id", "card", "camera"):
        out[column] = _joined(photos, column, group, scored, n)
    worst = np.full(n, len(_REFERENCE_ORDER), np.int64)
    if "colour_reference" in photos:
        level = (
            photos["colour_reference"]
            .astype("object")
            .map({word: i for i, word in enumerate(_REFERENCE_ORDER)})
        )
        known = scored & level.notna().to_numpy()
        np.minimum.at(worst, group[known], level[known].to_numpy(np.int64))
    out["colour_reference"] = np.asarray([*_REFERENCE_ORDER, None], object)[worst]
    return out


def _lights(
    photos: pd.DataFrame, group: npt.NDArray[np.int64], scored: npt.NDArray[np.bool_], n: int
) -> Array:
    """Return the effective number of lights by visit; NaN where none says when."""
    if "taken_at" not in photos:
        return _effective(np.zeros(0, np.int64), np.zeros(0, np.int64), n)
    # the clock's own time: the offset, which some phones do not write, is no other light
    clock = pd.to_datetime(
        photos["taken_at"].astype("string").str.slice(0, 19), errors="coerce", format="ISO8601"
    )
    known = scored & clock.notna().to_numpy(bool)
    hours = clock.to_numpy("datetime64[s]")[known].astype(np.int64) / 3600
    order = np.lexsort((hours, group[known]))
    g, h = group[known][order], hours[order]
    other = np.ones(len(g), bool)
    other[1:] = (np.diff(g) != 0) | (np.diff(h) > LIGHT_HOURS)
    return _effective(g, np.cumsum(other), n)


def _phones(
    photos: pd.DataFrame, group: npt.NDArray[np.int64], scored: npt.NDArray[np.bool_], n: int
) -> Array:
    """Return the effective number of phones by visit; NaN where none says which."""
    if "camera" not in photos:
        return _effective(np.zeros(0, np.int64), np.zeros(0, np.int64), n)
    code = pd.factorize(photos["camera"].astype("object"))[0]
    known = scored & (code >= 0)
    return _effective(group[known], code[known], n)


def _effective(group: npt.NDArray[np.int64], part: npt.NDArray[np.int64], n: int) -> Array:
    """Return ``1 / sum of squared shares`` of a visit's photos over parts; NaN without any."""
    pairs, count = np.unique(np.stack([group, part]), axis=1, return_counts=True)
    total = np.bincount(pairs[0], count, minlength=n)
    squares = np.bincount(pairs[0], count.astype(float) ** 2, minlength=n)
    return np.where(total > 0, total**2 / np.maximum(squares, 1.0), np.nan)


def _joined(
    photos: pd.DataFrame,
    column: str,
    group: npt.NDArray[np.int64],
    scored: npt.NDArray[np.bool_],
    n: int,
) -> npt.NDArray[Any]:
    out = np.full(n, None, object)
    if column not in photos:
        return out
    values = photos[column].astype("object")
    known = scored & values.notna().to_numpy()
    pairs = pd.DataFrame({"g": group[known], "v": values[known].astype(str)}).drop_duplicates()
    many = pairs["g"].duplicated(keep=False)
    out[pairs["g"][~many]] = pairs["v"][~many]
    joined = pairs[many].groupby("g")["v"].agg(lambda texts: " ".join(sorted(texts)))
    out[joined.index.to_numpy()] = joined.to_numpy()
    return out
