"""Real change told from noise: pairs of occasions, with intervals and corrected verdicts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import CHANGES, STAGE_ORDER
from lawnscore.history.change_error import (
    MADE_BY,
    change_error,
    made_otherwise,
    method_changed,
    renewed_between,
)
from lawnscore.history.intervals import t_quantile
from lawnscore.history.paired import PairedSpots, paired_spots
from lawnscore.history.renovated import BEFORE_DAYS, find_renovations
from lawnscore.history.sampling import ALPHA, POWER
from lawnscore.history.series import (
    Occasions,
    iso_dates,
    next_begun,
    occasions,
    renovations,
    work_at_places,
)

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

KINDS = ("work", "visit", "since_renovation", "since_before_work", "year")

YEAR_DAYS = 365
YEAR_SLACK_DAYS = 35
"""How far from a year apart two occasions may be to count as the same season; our choice."""
RENOVATION_START_DAYS = 14
"""How soon after the work the first occasion must be to stand for its start; our choice."""
BORROWED_DF = 4.0
"""Degrees of freedom counted for the spread a visit borrows from the round; our choice, low."""


@dataclass(frozen=True, eq=False)
class Pairs:
    """Pairs of occasions, (q,): rows of the visit table, kind, whether renovated in between."""

    first: Index
    second: Index
    kind: Index
    renewed: Flags


def changes(
    visit_scores: pd.DataFrame,
    *,
    photo_scores: pd.DataFrame | None = None,
    work: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return the change of every measure between pairs of photographed occasions.

    Parameters
    ----------
    visit_scores
        The table of visits (:data:`lawnscore.contract.tables.VISIT_SCORES`).
    photo_scores
        The table of photos. Where it names the spots, photos at the same spot are paired.
    work
        The table of work done; says when the renovations were.

    Returns
    -------
    DataFrame
        The columns of :data:`lawnscore.contract.tables.CHANGES`. Texts are categorical, since
        this is the longest table of a round.

    Notes
    -----
    ``kind`` is ``work`` (before to after, same date), ``visit`` (end of a visit to the start of
    the next), ``since_renovation`` (first occasion after the work, at most 14 days later, to the
    start of each later visit until the next renovation), ``since_before_work`` (last occasion
    before the work to the start of the last visit until the next renovation) and ``year`` (start
    of a visit to the start of the nearest visit 330 to 400 days before).

    *Interval.* Without spots the two visits are independent samples, and the interval of the
    difference is squared and added from their own intervals
    (:func:`lawnscore.history.intervals.difference_interval`), which keeps its lean near 0 and 100.
    With two or more spots photographed on both occasions it is that of the mean of their
    differences (:mod:`lawnscore.history.paired`). Of the errors common to one occasion's photos,
    what both occasions share is in neither (:mod:`lawnscore.history.change_error`): ``differs``
    says what makes it less, another card, phone or method.

    *Verdict.* By the interval, at the 5 % level after Holm's correction over the measures of the
    pair: the main measures are one family, the others another (Holm 1979 keeps the chance of any
    false claim in the family to 5 %, whatever ties the measures together; a practitioner acts on
    each claim, so a false one costs more than a share of them). A measure that is neither better
    nor worse when it rises (the leaf's L*, a*, b*) has no verdict, nor has one without interval.

    *Smallest detectable.* The change that these photos would have shown with a chance of 80 %:
    ``(t_0.975 + t_0.8) se``.
    """
    series = occasions(visit_scores)
    return _assemble(series, list(_blocks(series, photo_scores, work)))


def change_blocks(
    visit_scores: pd.DataFrame,
    *,
    photo_scores: pd.DataFrame | None = None,
    work: pd.DataFrame | None = None,
) -> Iterator[pd.DataFrame]:
    """Yield the rows of :func:`changes` some at a time, in their order.

    A round of a million visits has thirty million of them: what is written row by row need never
    lie in memory whole. Yields at least one table, so that an empty one has its columns.
    """
    series = occasions(visit_scores)
    any_yet = False
    for block in _blocks(series, photo_scores, work):
        yield _assemble(series, [block])
        any_yet = True
    if not any_yet:
        yield CHANGES.frame([])


def _blocks(
    series: Occasions, photo_scores: pd.DataFrame | None, work: pd.DataFrame | None
) -> Iterator[dict[str, Any]]:
    pairs = find_pairs(series, work)
    spots = None if photo_scores is None else paired_spots(photo_scores, series)
    for start in range(0, len(pairs.first), _BLOCK_PAIRS):
        part = _take(pairs, slice(start, start + _BLOCK_PAIRS))
        yield _compact(series, part, _block(series, part, spots))


def find_pairs(series: Occasions, work: pd.DataFrame | None) -> Pairs:
    """Return the pairs of occasions to compare, in order of kind, place and time."""
    photographed = np.flatnonzero(_has_photos(series))
    starts, ends = _visit_ends(series, photographed)
    found = (
        _within_visits(series, photographed),
        _next_visits(series, starts, ends),
        _since_renovations(series, photographed, starts, work),
        _since_before_work(series, photographed, starts, work),
        _years(series, starts),
    )
    first = np.concatenate([first for first, _ in found])
    second = np.concatenate([second for _, second in found])
    kind = np.concatenate([np.full(len(f[0]), i, np.int64) for i, f in enumerate(found)])
    done = renovations(work_at_places(work, series.places))
    return Pairs(first, second, kind, renewed_between(series, first, second, done))


def _take(pairs: Pairs, rows: slice) -> Pairs:
    return Pairs(pairs.first[rows], pairs.second[rows], pairs.kind[rows], pairs.renewed[rows])


def _has_photos(series: Occasions) -> npt.NDArray[np.bool_]:
    if "photos" not in series.table:
        return np.isfinite(series.values("green_cover_pct"))
    return np.asarray(series.values("photos") > 0)


def _visit_ends(series: Occasions, rows: Index) -> tuple[Index, Index]:
    # first and last photographed occasion of each visit
    visit = series.visit[rows]
    new = np.ones(len(rows), bool)
    new[1:] = np.diff(visit) != 0
    last = np.ones(len(rows), bool)
    last[:-1] = new[1:]
    return rows[new], rows[last]


def _within_visits(series: Occasions, rows: Index) -> tuple[Index, Index]:
    before = rows[series.stage[rows] == 0]
    after = rows[series.stage[rows] == 2]
    _, i, j = np.intersect1d(series.visit[before], series.visit[after], return_indices=True)
    return before[i], after[j]


def _next_visits(series: Occasions, starts: Index, ends: Index) -> tuple[Index, Index]:
    same = series.place[ends[:-1]] == series.place[starts[1:]]
    return ends[:-1][same], starts[1:][same]


def _since_renovations(
    series: Occasions, rows: Index, starts: Index, work: pd.DataFrame | None
) -> tuple[Index, Index]:
    done = renovations(work_at_places(work, series.places))
    none = np.zeros(0, np.int64)
    if done.empty or not len(rows):
        return none, none
    place, day = done["place"].to_numpy(), done["last_day"].to_numpy()
    # an `after` photo of the day itself is the start; a `before` photo of it is not
    at = series.first_after(rows, place, day)
    baseline = rows[np.maximum(at, 0)]
    good = (at >= 0) & (series.day[baseline] - day <= RENOVATION_START_DAYS)
    # the visit on the day of the next renovation still shows where this one got to
    begin, end = series.within(starts, place, series.day[baseline], next_begun(done))
    count = np.where(good, end - begin, 0)
    first = np.repeat(baseline, count)
    offset = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return first, starts[np.repeat(begin, count) + offset]


def _since_before_work(
    series: Occasions, rows: Index, starts: Index, work: pd.DataFrame | None
) -> tuple[Index, Index]:
    done = find_renovations(series, work)
    none = np.zeros(0, np.int64)
    if done.empty or not len(rows):
        return none, none
    place, day = done["place"].to_numpy(np.int64), done["day"].to_numpy(np.int64)
    at = series.last_before(rows, place, day)
    baseline = rows[np.maximum(at, 0)]
    good = (at >= 0) & (day - series.day[baseline] <= BEFORE_DAYS)
    begin, end = series.within(starts, place, done["last_day"].to_numpy(), next_begun(done))
    good &= end > begin
    return baseline[good], starts[end[good] - 1]


def _years(series: Occasions, starts: Index) -> tuple[Index, Index]:
    none = np.zeros(0, np.int64)
    if len(starts) < 2:
        return none, none
    wanted = series.day[starts] - YEAR_DAYS
    at = series.nearest(starts, series.place[starts], wanted)
    near = starts[np.maximum(at, 0)]
    good = (at >= 0) & (np.abs(series.day[near] - wanted) <= YEAR_SLACK_DAYS)
    return near[good], starts[good]


def _block(series: Occasions, pairs: Pairs, spots: PairedSpots | None) -> dict[str, Array]:
    """Return (q, measures) arrays for some pairs: change, low, high, p, detectable, n_paired."""
    photos = series.values("photos")
    df = np.maximum(photos[pairs.first] + photos[pairs.second] - 2, 0) + BORROWED_DF
    shape = (len(pairs.first), len(MEASURES))
    out = {name: np.full(shape, np.nan) for name in ("change", "low", "high", "p", "least")}
    out["n_paired"] = np.zeros(shape)
    error = change_error(series, pairs.first, pairs.second, renewed=pairs.renewed)
    for column, name in enumerate(MEASURES):
        variance, unchanged = error.variance(name), error.variance(name, unchanged=True)
        change, low, high = error.interval(name, variance)
        ends = error.interval(name, unchanged)[1:]
        null = np.where(change >= 0, change - ends[0], ends[1] - change)
        freedom = df
        if spots is not None:
            paired = spots.differences(
                name, pairs.first, pairs.second, variance, error.mixed(name), unchanged
            )
            out["n_paired"][:, column] = paired.n
            use = np.isfinite(paired.low)
            change = np.where(use, paired.change, change)
            low, high = np.where(use, paired.low, low), np.where(use, paired.high, high)
            null = np.where(use, paired.null, null)
            freedom = np.where(use, paired.df, df)
        p, out["least"][:, column] = _test(change, null, freedom)
        sure = p < ALPHA  # which way it went is known, however far
        low = np.where(sure & (change > 0), np.maximum(low, 0.0), low)
        high = np.where(sure & (change < 0), np.minimum(high, 0.0), high)
        out["change"][:, column], out["low"][:, column], out["high"][:, column] = change, low, high
        out["p"][:, column] = p
    return out


def _test(change: Array, half: Array, df: Array) -> tuple[Array, Array]:
    """Return p of no change, and the least change that shows; ``half`` is the width there."""
    t975 = t_quantile(df)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(half > 0, np.abs(change) / (half / t975), np.where(change == 0, 0.0, np.inf))
    p = np.where(np.isfinite(half), 2 * special.stdtr(df, -t), np.nan)
    least = (t975 + t_quantile(df, POWER)) * half / t975
    return p, least


def holm(p: Array) -> Array:
    """Return p-values adjusted by Holm's method along the last axis; NaN are passed over.

    Holm 1979, Scand. J. Stat. 6:65-70.
    """
    known = np.isfinite(p)
    order = np.argsort(np.where(known, p, np.inf), axis=-1, kind="stable")
    ranked = np.take_along_axis(np.where(known, p, 1.0), order, -1)
    left = np.maximum(known.sum(axis=-1, keepdims=True) - np.arange(p.shape[-1]), 0)
    stepped = np.maximum.accumulate(ranked * left, axis=-1)
    out = np.empty_like(stepped)
    np.put_along_axis(out, order, np.minimum(stepped, 1.0), -1)
    return np.where(known, out, np.nan)


_BLOCK_PAIRS = 50_000
"""Pairs worked on at once: enough to be quick, few enough for little memory."""
_MAIN = np.array([m.main for m in MEASURES.values()])
_BETTER = np.array([m.better for m in MEASURES.values()])
_VERDICTS = ("better", "worse", "no clear change")


def _verdict_codes(change: Array, p: Array, main: Flags, better: Index) -> npt.NDArray[np.int8]:
    adjusted = np.full_like(p, np.nan)
    for family in (main & (better != 0), ~main & (better != 0)):
        adjusted[:, family] = holm(p[:, family])
    clear = adjusted < ALPHA
    good = np.sign(change) * better > 0
    codes = np.where(clear, np.where(good, 0, 1), 2)
    return np.where(np.isnan(adjusted), -1, codes).astype(np.int8)


def verdicts(names: list[str], change: Array, p: Array) -> list[str | None]:
    """Return the verdict of each measure of one comparison, corrected by Holm's method.

    Parameters
    ----------
    names
        Measures, k of them.
    change, p
        (k,) change and two-sided p-value; NaN gives no verdict.
    """
    main = np.array([MEASURES[name].main for name in names])
    better = np.array([MEASURES[name].better for name in names])
    codes = _verdict_codes(change[None], p[None], main, better)[0]
    return [None if code < 0 else _VERDICTS[code] for code in codes]


def _compact(series: Occasions, pairs: Pairs, block: dict[str, Array]) -> dict[str, Any]:
    """Return a block's columns in order of the rows, texts as small numbers."""
    change = block["change"].ravel()
    keep = np.flatnonzero(np.isfinite(change))
    pair, measure = keep // len(MEASURES), keep % len(MEASURES)
    first, second = pairs.first[pair], pairs.second[pair]
    verdict = _verdict_codes(block["change"], block["p"], _MAIN, _BETTER)
    return {
        "place": series.place[first].astype(np.int32),
        "measure": measure.astype(np.int8),
        "kind": pairs.kind[pair].astype(np.int8),
        "from_date": series.day[first].astype(np.int32),
        "from_stage": series.stage[first].astype(np.int8),
        "to_date": series.day[second].astype(np.int32),
        "to_stage": series.stage[second].astype(np.int8),
        "change": change[keep],
        "low": block["low"].ravel()[keep],
        "high": block["high"].ravel()[keep],
        "verdict": verdict.ravel()[keep],
        "smallest_detectable": block["least"].ravel()[keep],
        "n_paired_spots": block["n_paired"].ravel()[keep].astype(np.int16),
        "method_changed": method_changed(series, pairs.first, pairs.second)[pair],
        "differs": _word_codes(made_otherwise(series, pairs.first, pairs.second))[pair],
    }


_DIFFERENCES = tuple(
    ", ".join(words)
    for n in range(1, len(MADE_BY) + 1)
    for words in combinations(MADE_BY.values(), n)
)


def _word_codes(words: npt.NDArray[np.object_]) -> npt.NDArray[np.int8]:
    code = {word: i for i, word in enumerate(_DIFFERENCES)}
    return np.array([code.get(word, -1) for word in words], np.int8)


def _assemble(series: Occasions, blocks: list[dict[str, Any]]) -> pd.DataFrame:
    if not blocks:
        return CHANGES.frame([])

    def gathered(name: str) -> Any:
        # taken out of the blocks one by one, so that the table is never held twice
        return np.concatenate([block.pop(name) for block in blocks])

    place = gathered("place")
    stages = list(STAGE_ORDER)
    columns = {
        "lawn": _categorical(series.places["lawn"].to_numpy(), place),
        "zone": _categorical(series.places["zone"].to_numpy(), place),
        "measure": _category(gathered("measure"), list(MEASURES)),
        "kind": _category(gathered("kind"), list(KINDS)),
        "from_date": _date_categorical(gathered("from_date")),
        "from_stage": _category(gathered("from_stage"), stages),
        "to_date": _date_categorical(gathered("to_date")),
        "to_stage": _category(gathered("to_stage"), stages),
        "change": gathered("change"),
        "low": gathered("low"),
        "high": gathered("high"),
        "verdict": _category(gathered("verdict"), list(_VERDICTS)),
        "smallest_detectable": gathered("smallest_detectable"),
        "n_paired_spots": pd.array(gathered("n_paired_spots"), dtype="Int16"),
        "method_changed": pd.array(gathered("method_changed"), dtype="boolean"),
        "differs": _category(gathered("differs"), list(_DIFFERENCES)),
    }
    return pd.DataFrame({name: columns[name] for name in CHANGES.column_names}, copy=False)


def _category(codes: npt.NDArray[Any], words: list[Any]) -> Any:
    return pd.Categorical.from_codes(codes, words)  # type: ignore[call-overload]


def _categorical(names: npt.NDArray[Any], place: npt.NDArray[Any]) -> Any:
    code_of, unique = pd.factorize(names, sort=True)
    return _category(code_of.astype(np.int32)[place], list(unique))


def _date_categorical(day: npt.NDArray[Any]) -> Any:
    unique, code_of = np.unique(day, return_inverse=True)
    return _category(code_of.astype(np.int32), list(iso_dates(unique.astype(np.int64))))
