"""How many photos a zone needs to show a change, or for an interval of a given width."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from lawnscore.care.detectable import detectable_changes
from lawnscore.care.units import positive, significant
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.contract.rows import Row
from lawnscore.history.change_error import alike_sd
from lawnscore.history.intervals import NORMAL_975
from lawnscore.history.sampling import (
    POWER,
    detectable_change,
    photos_for_halfwidth,
)

if TYPE_CHECKING:
    from pandas._libs.missing import NAType

MIN_DF = 4
"""Degrees of freedom before a spread is trusted (five photos of one visit); our choice."""

DEFAULT_SD = {"share": 8.0, "index": 0.04}
"""Spread from photo to photo by kind of measure before any is known, in its unit; our choice."""

DEFAULT_CORRELATION = 0.5
"""Correlation of one spot's photos at two visits before any is known; our choice. It makes the
spread of differences the same as that of single photos."""

MOST_PHOTOS = 40
"""Photos a zone beyond which a plan says that the goal is out of reach; our choice."""

_VISIT = ["lawn", "zone", "date", "stage"]

NEED_COLUMNS = (
    "lawn",
    "zone",
    "area_m2",
    "measure",
    "goal",
    "goal_size",
    "photos",
    "photos_low",
    "photos_high",
    "photos_new_spots",
    "sd",
    "sd_low",
    "sd_high",
    "sd_df",
    "sd_from",
    "shows",
    "at_best",
    "last_photos",
    "last_shows",
    "cover_photos",
    "note",
)
"""Columns of :func:`photos_needed`."""


@dataclass(frozen=True)
class Goal:
    """What the photos are to show.

    Parameters
    ----------
    measure
        One of :data:`lawnscore.contract.measures.MEASURES`.
    size
        The change, or the half width of the 95 % interval, in the measure's unit.
    kind
        ``change`` between two visits, or ``interval`` of one visit.
    power
        Chance of showing the change when it is there.

    Raises
    ------
    LawnscoreError
        When the measure is not known, the size not above 0 or the power not between 0 and 1.
    """

    measure: str = "green_cover_pct"
    size: float = 5.0
    kind: Literal["change", "interval"] = "change"
    power: float = POWER

    def __post_init__(self) -> None:
        if self.measure not in MEASURES:
            raise LawnscoreError(
                f"measure {self.measure!r} is not known", f"Use one of: {', '.join(MEASURES)}."
            )
        positive(self.kind, self.size)
        if not 0.05 < self.power < 1:
            raise LawnscoreError(f"power is {self.power:g}", "Choose it from 0.5 to 0.95.")

    @property
    def words(self) -> str:
        """The goal for people."""
        size = significant(self.size, 3)
        if self.kind == "change":
            return f"to show a change of {size}"
        return f"for an interval of +-{size}"


@dataclass(frozen=True)
class SpreadEstimate:
    """A standard deviation from photo to photo, its degrees of freedom and its source."""

    sd: float
    df: float
    source: str

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval by the chi-square distribution; NaN when nothing was measured."""
        if not self.df >= 1:
            return math.nan, math.nan
        from scipy.stats import chi2

        upper, lower = float(chi2.ppf(0.975, self.df)), float(chi2.ppf(0.025, self.df))
        return self.sd * math.sqrt(self.df / upper), self.sd * math.sqrt(self.df / lower)


def photos_needed(
    photo_scores: pd.DataFrame | None,
    lawns: pd.DataFrame | None = None,
    goal: Goal | None = None,
    *,
    changes: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return how many photos each zone needs for a goal.

    Parameters
    ----------
    photo_scores
        The table of photos so far; ``None`` or empty before any.
    lawns
        The register, for zones without photos and for areas.
    goal
        What is to be shown; a change of 5 points of green cover by default.
    changes
        The table of changes. Where it says what a zone's last visits could have shown, that is
        where the plan starts from, so that plan and reports speak of the same smallest change.

    Returns
    -------
    DataFrame
        :data:`NEED_COLUMNS`, one row a zone. ``photos`` at the same spots on both visits, with
        the range that the uncertain spread leaves (``photos_low`` to ``photos_high``) and the
        number when the spots change (``photos_new_spots``). ``shows`` is what that many photos
        show, ``at_best`` what no number of photos can better, because card and model errors are
        common to them. ``last_shows`` is what the last visit's photos could show. A number over
    :data:`MOST_PHOTOS` is NA.

    Notes
    -----
    The spread is the pooled standard deviation within visits: of the zone itself, else of the
    lawn, else of the round, as soon as it has :data:`MIN_DF` degrees of freedom; else a stated
    default. For a change it is the spread of the differences of spots photographed twice.

    Raises
    ------
    LawnscoreError
        When there is neither photo nor lawn, or no spread is known and the measure has no default.
    """
    wanted = goal or Goal()
    photos = _scored(photo_scores, wanted.measure)
    places = _places(photo_scores, lawns)
    if not places:
        raise LawnscoreError("there is no lawn to plan for", "Write lawns and zones in lawns.csv.")
    single = _scatter(photos)
    paired = _paired_scatter(photos) if wanted.kind == "change" else None
    told = changes if wanted.kind == "change" else None
    shown = detectable_changes(told, wanted.measure, wanted.power)
    rows = [
        _row(place, area, wanted, photos, _spreads(place, wanted, single, paired), shown.get(place))
        for place, area in places.items()
    ]
    counts = ["photos", "photos_low", "photos_high", "photos_new_spots", "last_photos"]
    out = pd.DataFrame(rows, columns=list(NEED_COLUMNS))
    return out.astype(dict.fromkeys([*counts, "cover_photos"], "Int64"))


def _scored(photo_scores: pd.DataFrame | None, measure: str) -> pd.DataFrame:
    columns = [*_VISIT, "spot", "area_m2"]
    if photo_scores is None or photo_scores.empty:
        return pd.DataFrame(columns=[*columns, "value", "se"])
    frame = photo_scores.reindex(
        columns=photo_scores.columns.union([*columns, "status", f"{measure}_se", measure])
    )
    frame = frame[(frame["status"] == "scored").fillna(False) & frame[measure].notna()]
    out = frame[columns].astype(dict.fromkeys([*_VISIT, "spot"], "object"))
    return out.assign(
        value=frame[measure].astype("float64"), se=frame[f"{measure}_se"].astype("float64")
    )


def _places(
    photo_scores: pd.DataFrame | None, lawns: pd.DataFrame | None
) -> dict[tuple[str, str], float]:
    places: dict[tuple[str, str], float] = {}
    if lawns is not None:
        for lawn, zone, area in zip(lawns["lawn"], lawns["zone"], lawns["area_m2"], strict=True):
            places[str(lawn), str(zone)] = float(area)
    if photo_scores is not None and len(photo_scores):
        for lawn, zone in sorted(set(zip(photo_scores["lawn"], photo_scores["zone"], strict=True))):
            places.setdefault((str(lawn), str(zone)), math.nan)
    return places


def _scatter(photos: pd.DataFrame) -> pd.DataFrame:
    """Sum of squares about the visit's mean and its degrees of freedom, by lawn and zone."""
    if photos.empty:
        return pd.DataFrame(columns=["lawn", "zone", "squares", "df"])
    away = photos["value"] - photos.groupby(_VISIT)["value"].transform("mean")
    squares = photos.assign(squares=away**2).groupby(_VISIT)["squares"].agg(["size", "sum"])
    visits = squares.reset_index().rename(columns={"sum": "squares"})
    visits["df"] = visits["size"] - 1
    return visits.groupby(["lawn", "zone"], as_index=False)[["squares", "df"]].sum()


def _paired_scatter(photos: pd.DataFrame) -> pd.DataFrame:
    """Return the same of the differences of spots between one visit and the next."""
    named = photos[photos["spot"].notna() & (photos["spot"] != "")]
    rows = []
    for place, zone_photos in named.groupby(["lawn", "zone"]):
        table = zone_photos.pivot_table(index=["date", "stage"], columns="spot", values="value")
        steps = table.sort_index().diff().iloc[1:]
        seen = steps.notna().sum(axis=1).to_numpy()
        squares = np.nansum((steps.sub(steps.mean(axis=1), axis=0) ** 2).to_numpy())
        rows.append((*place, float(squares), int(np.maximum(seen - 1, 0).sum())))
    return pd.DataFrame(rows, columns=["lawn", "zone", "squares", "df"])


def _spreads(
    place: tuple[str, str], goal: Goal, single: pd.DataFrame, paired: pd.DataFrame | None
) -> tuple[SpreadEstimate, SpreadEstimate]:
    """Return the spread of single photos, and that of differences at the same spots."""
    one = _pooled(place, single) or _default(goal.measure)
    both = None if paired is None else _pooled(place, paired)
    if both is None:
        sd = one.sd * math.sqrt(2 * (1 - DEFAULT_CORRELATION))
        both = SpreadEstimate(sd, one.df, f"{one.source}, spots not photographed twice yet")
    return one, both


def _pooled(place: tuple[str, str], scatter: pd.DataFrame) -> SpreadEstimate | None:
    lawn, zone = place
    of_lawn = scatter["lawn"] == lawn
    for chosen, source in (
        (of_lawn & (scatter["zone"] == zone), "this zone"),
        (of_lawn, "this lawn"),
        (scatter["lawn"].notna(), "the round"),
    ):
        df = float(scatter.loc[chosen, "df"].sum())
        if df >= MIN_DF:
            squares = float(scatter.loc[chosen, "squares"].sum())
            return SpreadEstimate(math.sqrt(squares / df), df, source)
    return None


def _default(measure: str) -> SpreadEstimate:
    kind = MEASURES[measure].kind
    if kind not in DEFAULT_SD:
        raise LawnscoreError(
            f"nothing is known yet of the spread of {measure}",
            "Photograph a zone five times at one visit and score it, or plan by green_cover_pct.",
        )
    return SpreadEstimate(DEFAULT_SD[kind], math.nan, "default")


def _row(
    place: tuple[str, str],
    area: float,
    goal: Goal,
    photos: pd.DataFrame,
    spreads: tuple[SpreadEstimate, SpreadEstimate],
    seen: tuple[int, float] | None,
) -> Row:
    single, both = spreads
    change = goal.kind == "change"
    spread = both if change else single
    own = photos[(photos["lawn"] == place[0]) & (photos["zone"] == place[1])]
    at_best = _at_best(goal, own if own["se"].notna().any() else photos)
    if seen is not None and change:
        spread, at_best = _as_seen(spread, goal, *seen)
    reached = _number(spread.sd, goal, at_best, paired=change)
    # Out of reach: no more than what chance alone would need; the rest would be wasted walking.
    counted = at_best if reached else 0.0
    n = reached or _number(spread.sd, goal, counted, paired=change) or MOST_PHOTOS
    low, high = spread.interval
    known = math.isfinite(low)
    others = _number(single.sd, goal, counted, paired=False) if change else n
    last, last_shows = _last(own, spread.sd, goal, at_best)
    if seen is not None and change:
        last, last_shows = seen
    cover = _cover_photos(area, photos)
    return {
        "lawn": place[0],
        "zone": place[1],
        "area_m2": area,
        "measure": goal.measure,
        "goal": goal.words,
        "goal_size": goal.size,
        "photos": n,
        "photos_low": _number(low, goal, counted, paired=change) if known else pd.NA,
        "photos_high": _number(high, goal, counted, paired=change) if known else pd.NA,
        "photos_new_spots": others,
        "sd": spread.sd,
        "sd_low": low,
        "sd_high": high,
        "sd_df": spread.df,
        "sd_from": spread.source,
        "shows": math.hypot(_shows(spread.sd, n, goal, paired=change), at_best),
        "at_best": at_best,
        "last_photos": last,
        "last_shows": last_shows,
        "cover_photos": cover,
        "note": _note(n, reached is not None, goal, at_best, cover),
    }


def _as_seen(
    spread: SpreadEstimate, goal: Goal, n: int, shows: float
) -> tuple[SpreadEstimate, float]:
    """Return spread and shared error with which ``n`` photos show just what was told of them."""
    chance = _shows(spread.sd, n, goal, paired=True)
    if not chance > 0:
        return spread, shows
    if chance <= shows:
        return spread, math.sqrt(shows**2 - chance**2)
    return SpreadEstimate(spread.sd * shows / chance, spread.df, spread.source), 0.0


def _number(sd: float, goal: Goal, at_best: float, *, paired: bool) -> int | None:
    """Return the photos that reach the goal, the error they share counted in; None is too many."""
    if at_best >= goal.size:
        return None
    size = math.sqrt(goal.size**2 - at_best**2)
    if goal.kind == "interval":
        n = photos_for_halfwidth(sd, size)
        return n if n <= MOST_PHOTOS else None
    effects = _detectable(goal.power, paired)
    return next((n for n, effect in effects.items() if effect * sd <= size), None)


@cache
def _detectable(power: float, paired: bool) -> dict[int, float]:
    """Return the detectable change, in standard deviations, by number of photos."""
    counts = range(2, MOST_PHOTOS + 1)
    return {n: detectable_change(1.0, n, power=power, paired=paired) for n in counts}


def _shows(sd: float, n: int, goal: Goal, *, paired: bool) -> float:
    if n < 2:
        return math.nan
    if goal.kind == "change":
        return detectable_change(sd, n, power=goal.power, paired=paired)
    from scipy.stats import t

    return float(t.ppf(0.975, n - 1)) * sd / math.sqrt(n)


def _at_best(goal: Goal, photos: pd.DataFrame) -> float:
    """Return the change or half width that is left with endless photos: the shared error.

    A change with the same card and phone is asked for, as the reports tell it
    (:mod:`lawnscore.history.change_error`).
    """
    errors = photos["se"].dropna()
    shared = math.sqrt(float((errors**2).mean())) if len(errors) else 0.0
    if goal.kind == "interval":
        return NORMAL_975 * shared
    from scipy.stats import norm

    if not shared:
        return 0.0
    share = goal.measure in SURFACE_SHARES
    left = alike_sd(goal.measure, goal.size if share else 0.0, stated=shared)
    apart = math.sqrt(2) * shared
    left = apart if math.isnan(left) else min(left, apart)
    return (NORMAL_975 + float(norm.ppf(goal.power))) * left


def _last(own: pd.DataFrame, sd: float, goal: Goal, at_best: float) -> tuple[int | NAType, float]:
    if own.empty:
        return pd.NA, math.nan
    n = int((own["date"] == own["date"].max()).groupby(own["stage"]).sum().max())
    shows = _shows(sd, n, goal, paired=goal.kind == "change")
    return n, math.hypot(shows, at_best) if math.isfinite(shows) else math.nan


def _cover_photos(area: float, photos: pd.DataFrame) -> int | NAType:
    size = photos["area_m2"].astype("float64").median() if len(photos) else math.nan
    return math.ceil(area / size) if area > 0 and size > 0 else pd.NA


def _note(n: int, within: bool, goal: Goal, at_best: float, cover: int | NAType) -> str:
    if pd.notna(cover) and n > cover:
        return f"{cover} photos show the whole zone: photograph all of it"
    if within:
        return ""
    what = "show a change" if goal.kind == "change" else "give an interval"
    if at_best >= goal.size:
        least = ("" if goal.kind == "change" else "+-") + significant(at_best, 2)
        return f"no number of photos can {what} under {least}: card and model err alike in all"
    return f"more than {MOST_PHOTOS} photos would be needed; {n} are for chance alone"
