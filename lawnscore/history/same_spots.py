"""How far a visit's figure scatters where the same spots are photographed each time.

What differs from spot to spot and stays there is no part of how a zone moves. Per photo::

    value = spot + visit + what is left

and a visit's figure moves by chance by what is left over its photos. What they share comes on top.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd

from lawnscore.history.series import Occasions, iso_dates

Array = npt.NDArray[np.float64]

OWN_DF = 2
"""Degrees of freedom from which a place's own scatter counts; our choice."""
BORROWED_DF = 4.0
"""Degrees of freedom that the round's scatter is worth beside it; our choice."""
_VISIT = ["lawn", "zone", "date", "stage"]


def spot_se(
    photo_scores: pd.DataFrame | None,
    series: Occasions,
    measure: str,
    scale: Callable[[Array], Array],
) -> Array:
    """Return the error of each visit where spots were photographed again and again, (n,).

    Parameters
    ----------
    photo_scores
        The table of photos; ``None`` knows no spots.
    series
        The visits.
    measure, scale
        What is compared, and the scale on which it is.

    Returns
    -------
    ndarray
        Standard error on that scale, without what the photos share; NaN at places whose photos
        name no spots, or too few.
    """
    nothing = np.full(len(series.day), np.nan)
    if photo_scores is None or "spot" not in photo_scores or measure not in photo_scores:
        return nothing
    photos = photo_scores[photo_scores["spot"].notna() & photo_scores[measure].notna()]
    if photos.empty:
        return nothing
    keys = photos[[*_VISIT, "spot"]].astype("object")
    y = pd.Series(scale(photos[measure].to_numpy(float)), index=photos.index)
    place = [keys["lawn"], keys["zone"]]
    left = (
        y
        - y.groupby([*place, keys["spot"]]).transform("mean")
        - y.groupby([keys[k] for k in _VISIT]).transform("mean")
        + y.groupby(place).transform("mean")
    )
    own = keys.assign(left=left**2).groupby(["lawn", "zone"])
    counted = own.agg(squares=("left", "sum"), n=("left", "size"), spots=("spot", "nunique"))
    counted["visits"] = keys.drop_duplicates(_VISIT).groupby(["lawn", "zone"]).size()
    counted["df"] = counted["n"] - counted["spots"] - counted["visits"] + 1
    counted = counted[(counted["df"] >= OWN_DF) & (counted["spots"] >= 2)]
    if counted.empty:
        return nothing
    usual = counted["squares"].sum() / counted["df"].sum()
    variance = (BORROWED_DF * usual + counted["squares"]) / (BORROWED_DF + counted["df"])
    return _by_visit(series, variance)


def _by_visit(series: Occasions, variance: pd.Series) -> Array:
    names = series.places.iloc[series.place].reset_index(drop=True)
    names["date"] = iso_dates(series.day)
    found = names.merge(variance.rename("variance").reset_index(), on=["lawn", "zone"], how="left")
    n = np.maximum(series.values("photos"), 1.0)
    return np.asarray(np.sqrt(found["variance"].to_numpy(float) / n))
