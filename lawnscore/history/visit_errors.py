"""What the visits of a place err by, and what of it they share: the error of a change, by visit.

The same model as that of a change between two visits (:mod:`lawnscore.history.change_error`), for
many visits at once: the difference of two visits that are made of these parts has the variance
that is told there, but for what each point of change brings. That part is nothing while a lawn
does not change, so it is left to where a change is looked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.contract.measures import SURFACE_SHARES
from lawnscore.contract.tables import STAGE_ORDER
from lawnscore.history.change_error import (
    METHOD,
    MOST_SEASONS,
    OF_LEAF,
    SEASON_DAYS,
    checked_by_eye,
    colours_known,
    error_parts,
    shared_se,
)
from lawnscore.history.series import Occasions, day_numbers, moments
from lawnscore.history.steps import Shared

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

OTHER_LEAF = 5.0
"""By how much leaf of other grass differs in colour (CIE 1976 difference, 1 sigma): what it is read
otherwise by is in no change of the lawn's own grass. Our choice."""


@dataclass(frozen=True, eq=False)
class VisitErrors:
    """Errors of the rows of a series in the unit of a measure.

    Parameters
    ----------
    new
        (n,) standard deviation of what is new at each visit, the chance of its spots apart.
    shared
        What visits of one place share, codes and standard deviations (n,) each.
    point
        What each point of change of the ground adds.
    """

    new: Array
    shared: tuple[Shared, ...]
    point: float


def visit_errors(series: Occasions, measure: str, renovated: pd.DataFrame) -> VisitErrors:
    """Return what the visits of each place err by.

    Parameters
    ----------
    series
        Occasions in order.
    measure
        Column of the measure.
    renovated
        Table with ``lawn``, ``zone`` and ``renovation_date``: grass of two sides of a renovation
        is other grass.

    Notes
    -----
    A measure that was not studied shares nothing from visit to visit, nor does one across a change
    of program, settings or reference. A phone that is not said counts as another at each visit.
    """
    stated = shared_se(series, measure)
    parts = error_parts().get(measure)
    if parts is None:
        return VisitErrors(stated, (), 0.0)
    size = parts.size(stated)
    phone, unsaid = _words(series, ("camera",)), _unsaid(series, "camera")
    new = size * np.hypot(parts.day, np.where(unsaid, parts.phone, 0.0))
    if measure in (*SURFACE_SHARES, "condition"):
        new = np.where(checked_by_eye(series), np.maximum(new, stated), new)
    card, known = _words(series, ("card",)), colours_known(series)
    leaf = parts.leaf * OTHER_LEAF if measure in OF_LEAF else 0.0
    shared = (
        Shared(_grass(series, renovated), np.hypot(parts.grass, leaf) * size),
        Shared(phone, np.where(unsaid, 0.0, parts.phone * size)),
        Shared(card, np.where(known, parts.print_known, parts.print_nominal) * size),
        Shared(card, parts.faded * _seasons_of_use(series, card)),
        Shared(_words(series, METHOD), stated),
    )
    return VisitErrors(new, shared, parts.point)


def _seasons_of_use(series: Occasions, card: Index) -> Array:
    """Return how long each row's card has been in use in the round, in seasons, up to the most."""
    out = np.zeros(len(card))
    for code in np.unique(card):
        own = card == code
        out[own] = (series.day[own] - series.day[own].min()) / SEASON_DAYS
    return np.minimum(out, MOST_SEASONS)


def _unsaid(series: Occasions, column: str) -> npt.NDArray[np.bool_]:
    if column not in series.table:
        return np.ones(len(series.day), bool)
    words = series.table[column].astype("object")
    return np.asarray(words.isna() | (words == ""), bool)


def _words(series: Occasions, columns: tuple[str, ...]) -> Index:
    """Return the words of some columns as one number; those not said count as the same."""
    code = np.zeros(len(series.day), np.int64)
    for column in columns:
        if column in series.table:
            words = series.table[column].astype("object")
            own = pd.factorize(words.where(words != ""))[0]
            code = code * (own.max() + 2 if len(own) else 1) + own + 1
    return code


def _grass(series: Occasions, renovated: pd.DataFrame) -> Index:
    """Return how many renovations had been begun by each row, over all places before it too."""
    if renovated.empty:
        return np.zeros(len(series.day), np.int64)
    names = series.places.assign(place=np.arange(len(series.places)))
    joined = renovated[["lawn", "zone"]].astype(object).merge(names, on=["lawn", "zone"])
    place = joined["place"].to_numpy(np.int64)
    begun = np.sort(moments(place, day_numbers(renovated["renovation_date"]), STAGE_ORDER["check"]))
    return np.asarray(np.searchsorted(begun, series.moments()), np.int64)
