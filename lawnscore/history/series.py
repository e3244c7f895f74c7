"""Tables as arrays: dates as days, places as numbers, occasions in order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row
from lawnscore.contract.tables import STAGE_ORDER, TASKS

Days = npt.NDArray[np.int64]
Array = npt.NDArray[np.float64]

"""Order of the stages within a visit."""

FAR_DAY = 900_000
"""A day beyond all others, in the year 4434."""
_DAY_SPAN = 1_000_000  # day numbers stay below this
_STAGE_SPAN = 4

MERGE_DAYS = 14
"""Renovation tasks this close together are one renovation; our choice."""


def day_numbers(dates: pd.Series) -> Days:
    """Return ISO dates as days since 1970-01-01.

    Raises
    ------
    LawnscoreError
        When a date is not of the form YYYY-MM-DD.
    """
    codes, unique = pd.factorize(dates.astype("string"))
    parsed = pd.to_datetime(pd.Series(unique), format="%Y-%m-%d", errors="coerce")
    wrong = parsed.isna().to_numpy()
    if wrong.any() or (codes < 0).any():
        shown = "empty" if not wrong.any() else f"`{unique[int(np.argmax(wrong))]}`"
        raise LawnscoreError(f"a date is {shown}", "Write dates as YYYY-MM-DD.")
    days = parsed.to_numpy().astype("datetime64[D]").astype(np.int64)
    return days[codes] if len(days) else np.zeros(0, np.int64)


def iso_date(day: float | int) -> str:
    """Return a day number as YYYY-MM-DD."""
    return str(np.datetime64(int(day), "D"))


def iso_dates(days: Days) -> npt.NDArray[np.object_]:
    """Return day numbers as an array of YYYY-MM-DD texts."""
    out: npt.NDArray[np.object_] = np.datetime_as_string(days.astype("datetime64[D]")).astype(
        object
    )
    return out


def moments(place: Days, day: Days, stage: Days | int = 0) -> Days:
    """Return one number for place, day and stage, in the order of the visit table."""
    return np.asarray((place * _DAY_SPAN + day) * _STAGE_SPAN + stage, np.int64)


@dataclass(frozen=True, eq=False)
class Occasions:
    """The visit table in order of place and time.

    Parameters
    ----------
    table
        Rows sorted by place, day and stage, index 0 to n - 1.
    place
        (n,) number of the lawn and zone.
    day
        (n,) days since 1970-01-01.
    stage
        (n,) 0 before, 1 check, 2 after.
    visit
        (n,) number of the place and day.
    places
        (p, 2) frame of lawn and zone by place number.
    """

    table: pd.DataFrame
    place: Days
    day: Days
    stage: Days
    visit: Days
    places: pd.DataFrame

    def values(self, column: str) -> Array:
        """Return a column as floats; NaN where the table lacks it."""
        if column not in self.table:
            return np.full(len(self.table), np.nan)
        out: Array = self.table[column].to_numpy(dtype="float64", na_value=np.nan)
        return out

    def moments(self, rows: Days | slice = slice(None)) -> Days:
        """Return the moments of some rows."""
        return moments(self.place[rows], self.day[rows], self.stage[rows])

    def last_before(self, rows: Days, place: Days, day: Days) -> Days:
        """Return where in ``rows`` a place was last seen before work that began on a day.

        Photos of the day itself count when they were taken before the work.

        Parameters
        ----------
        rows
            (m,) rows to look in, in order.
        place, day
            (r,) place and first day of the work.

        Returns
        -------
        ndarray
            (r,) position in ``rows``; -1 where there is none.
        """
        at = np.searchsorted(self.moments(rows), moments(place, day, STAGE_ORDER["check"])) - 1
        return np.where(self._is_at(rows, at, place), at, -1)

    def first_after(self, rows: Days, place: Days, day: Days) -> Days:
        """Return where in ``rows`` a place was first seen after work that ended on a day.

        Photos of the day itself count when they were taken after the work. Arguments and result
        as for :meth:`last_before`.
        """
        at = np.searchsorted(self.moments(rows), moments(place, day, STAGE_ORDER["after"]))
        return np.where(self._is_at(rows, at, place), at, -1)

    def within(self, rows: Days, place: Days, after: Days, until: Days) -> tuple[Days, Days]:
        """Return begin and end positions in ``rows`` of a place's rows, days in (after, until]."""
        days = moments(self.place[rows], self.day[rows])
        begin = np.searchsorted(days, moments(place, after + 1))
        end = np.searchsorted(days, moments(place, until + 1))
        return np.asarray(begin, np.int64), np.asarray(np.maximum(end, begin), np.int64)

    def nearest(self, rows: Days, place: Days, day: Days) -> Days:
        """Return where in ``rows`` a place was seen nearest to a day; -1 where it never was."""
        right = np.searchsorted(moments(self.place[rows], self.day[rows]), moments(place, day))
        best = np.full(len(place), -1, np.int64)
        least = np.full(len(place), FAR_DAY, np.int64)
        for at in (right - 1, right):
            known = self._is_at(rows, at, place)
            away = np.where(known, np.abs(self.day[rows[np.clip(at, 0, len(rows) - 1)]] - day), 0)
            closer = known & (away < least)
            best, least = np.where(closer, at, best), np.where(closer, away, least)
        return best

    def _is_at(self, rows: Days, at: Days, place: Days) -> npt.NDArray[np.bool_]:
        if not len(rows):
            return np.zeros(len(place), bool)
        inside = (at >= 0) & (at < len(rows))
        return np.asarray(inside & (self.place[rows[np.clip(at, 0, len(rows) - 1)]] == place))


def occasions(visit_scores: pd.DataFrame) -> Occasions:
    """Return the visit table as occasions in order.

    Raises
    ------
    LawnscoreError
        When a column that says place and time is missing, or a date or stage is not known.
    """
    for column in ("lawn", "zone", "date", "stage"):
        if column not in visit_scores:
            raise LawnscoreError(
                f"the visit table has no column `{column}`", "Write it anew with `lawnscore score`."
            )
    day = day_numbers(visit_scores["date"])
    stage = visit_scores["stage"].astype("object").map(STAGE_ORDER)
    if stage.isna().any():
        odd = visit_scores.loc[stage.isna(), "stage"].iloc[0]
        raise LawnscoreError(f"a stage is `{odd}`", "Use before, after or check.")
    place, places = place_numbers(visit_scores)
    stages: Days = np.asarray(stage, np.int64)
    order = np.lexsort((stages, day, place))
    place, day, stages = place[order], day[order], stages[order]
    new = np.ones(len(order), np.int64)
    new[1:] = (np.diff(place) != 0) | (np.diff(day) != 0)
    table = visit_scores.take(order).reset_index(drop=True)
    return Occasions(table, place, day, stages, np.asarray(np.cumsum(new) - 1, np.int64), places)


def place_numbers(table: pd.DataFrame) -> tuple[Days, pd.DataFrame]:
    """Return a number for each row's lawn and zone, in alphabetical order, and the places."""
    lawn, lawns = pd.factorize(table["lawn"].astype("object"), sort=True)
    zone, zones = pd.factorize(table["zone"].astype("object"), sort=True)
    pair, pairs = pd.factorize(lawn.astype(np.int64) * (len(zones) + 1) + zone, sort=True)
    places = pd.DataFrame(
        {
            "lawn": np.asarray(lawns, object)[pairs // (len(zones) + 1)],
            "zone": np.asarray(zones, object)[pairs % (len(zones) + 1)],
        }
    )
    return pair.astype(np.int64), places


def work_at_places(work: pd.DataFrame | None, places: pd.DataFrame) -> pd.DataFrame:
    """Return the work with the number of the place, one row for each zone it touched.

    Work on zone ``all`` (or with no zone) of a lawn that has zones counts for each of them.

    Returns
    -------
    DataFrame
        Columns ``place``, ``day``, ``task``, in order of place and day.
    """
    empty = pd.DataFrame(
        {"place": np.zeros(0, np.int64), "day": np.zeros(0, np.int64), "task": np.zeros(0, object)}
    )
    if work is None or work.empty:
        return empty
    zone = work["zone"] if "zone" in work else pd.Series("all", index=work.index)
    rows = pd.DataFrame(
        {
            "lawn": work["lawn"].astype("object").to_numpy(),
            "zone": zone.astype("object").fillna("all").to_numpy(),
            "task": work["task"].astype("object").to_numpy(),
            "day": day_numbers(work["date"]),
        }
    )
    numbered = places.assign(place=np.arange(len(places), dtype=np.int64))
    exact = rows.merge(numbered, on=["lawn", "zone"])
    whole = rows[rows["zone"] == "all"].drop(columns="zone")
    spread = whole.merge(numbered[numbered["zone"] != "all"], on="lawn")
    both = pd.concat([exact, spread], ignore_index=True)
    if both.empty:
        return empty
    return both.sort_values(["place", "day"], kind="stable")[["place", "day", "task"]].reset_index(
        drop=True
    )


def renovations(work: pd.DataFrame) -> pd.DataFrame:
    """Return one row a renovation from the work at places.

    Renovation tasks within :data:`MERGE_DAYS` of the first are one renovation.

    Returns
    -------
    DataFrame
        Columns ``place``, ``day`` (first), ``last_day``, ``task`` (tasks joined by `` + ``).
    """
    marked = work.loc[np.array([TASKS.get(str(t), False) for t in work["task"]], dtype=bool)]
    rows: list[Row] = []
    for place, day, task in zip(marked["place"], marked["day"], marked["task"], strict=True):
        last = rows[-1] if rows else None
        if last is not None and last["place"] == place and day - last["day"] <= MERGE_DAYS:
            last["last_day"] = max(last["last_day"], day)
            if task not in last["task"].split(" + "):
                last["task"] += f" + {task}"
        else:
            rows.append({"place": place, "day": day, "last_day": day, "task": str(task)})
    return pd.DataFrame(rows, columns=["place", "day", "last_day", "task"]).astype(
        {"place": np.int64, "day": np.int64, "last_day": np.int64}
    )


def set_back(series: Occasions, place: Days, begin: Days, end: Days) -> npt.NDArray[np.bool_]:
    """Return which occasions lie after the start of a work and no later than its ``end`` day.

    The ``before`` photos of the first day itself still tell of the lawn as it was.

    Parameters
    ----------
    place, begin, end
        (r,) place number, first day and last day of each time.
    """
    key = series.moments()
    edge = np.zeros(len(key) + 1, np.int64)
    np.add.at(edge, np.searchsorted(key, moments(place, begin, STAGE_ORDER["check"])), 1)
    np.add.at(edge, np.searchsorted(key, moments(place, end, STAGE_ORDER["after"] + 1)), -1)
    return np.asarray(np.cumsum(edge)[:-1] > 0)


def next_begun(done: pd.DataFrame) -> Days:
    """Return the first day of the renovation after each; :data:`FAR_DAY` after a place's last."""
    place, day = done["place"].to_numpy(np.int64), done["day"].to_numpy(np.int64)
    following = np.full(len(done), FAR_DAY, np.int64)
    same = place[1:] == place[:-1]
    following[:-1][same] = day[1:][same]
    return following
