"""Printed cards age: what the residuals of successive photos of one card tell of it.

A fit takes up much of what fading does; what it cannot take up stays in the patches' residuals.
With rendered inks that fade (magenta and yellow lose strength, the paper yellows), the change of
the dark green colour index over the turf patches' residuals was 0.8 to 1.3 times the error that
the colour index of leaf got from it, up to an error of 0.06; `tests/card/test_drift.py` keeps it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import encode_srgb, lab_to_linear, linear_to_lab
from lawnscore.contract.errors import LawnscoreError

Array = NDArray[np.float64]
Verdict = Literal["steady", "may have moved", "moved", "too few photos"]

INDEX_LIMIT = 0.02
"""Shift of the colour index that is warned of."""
_MIN_FIRST, _MAX_PERIODS = 4, 5
_RESAMPLES = 200
_TURF = "turf"

_ADVICE: dict[Verdict, str] = {
    "steady": "The card looks as it did; go on.",
    "may have moved": "Photograph the card beside a 24-patch chart or a new card to be sure.",
    "moved": "Print a new card and link it: photograph old and new card together (`card-learn`).",
    "too few photos": "Come back when there are at least eight photos of this card.",
}


@dataclass(frozen=True, eq=False)
class CardResiduals:
    """Residuals of one card over photos.

    Parameters
    ----------
    patches
        Names of the n patches.
    reference_linear
        ``(n, 3)`` linear sRGB of the reference that all were fitted to.
    dates
        Of the m photos, ISO text that sorts.
    residual_lab
        ``(m, n, 3)`` CIELAB, corrected less reference; NaN where not read.
    """

    patches: tuple[str, ...]
    reference_linear: Array
    dates: tuple[str, ...]
    residual_lab: Array


@dataclass(frozen=True)
class DriftPeriod:
    """One stretch of photos against the first ones.

    Parameters
    ----------
    first_date, last_date, n_photos
        The stretch.
    mean_L, mean_a, mean_b
        Mean change of the residuals over the patches, CIELAB.
    worst_patch, worst_change
        Patch that changed most and by how much (CIE 1976 difference).
    index_shift, index_shift_low, index_shift_high
        Shift of the colour index that the residuals speak of, with its 90 % interval.
    """

    first_date: str
    last_date: str
    n_photos: int
    mean_L: float  # noqa: N815 - the name of the CIE
    mean_a: float
    mean_b: float
    worst_patch: str
    worst_change: float
    index_shift: float
    index_shift_low: float
    index_shift_high: float


@dataclass(frozen=True)
class DriftReport:
    """What became of a card: the periods after the first, a verdict, what to do."""

    verdict: Verdict
    advice: str
    periods: tuple[DriftPeriod, ...]

    def as_dict(self) -> dict[str, object]:
        """Return plain types."""
        return asdict(self)

    def table_rows(self) -> list[tuple[object, ...]]:
        """Return a row a period for print: dates, photos, L, a, b, worst patch, index shift."""
        return [
            (
                f"{p.first_date} to {p.last_date}",
                p.n_photos,
                f"{p.mean_L:+.1f}",
                f"{p.mean_a:+.1f}",
                f"{p.mean_b:+.1f}",
                f"{p.worst_patch} ({p.worst_change:.1f})",
                f"{p.index_shift:.3f} ({p.index_shift_low:.3f} to {p.index_shift_high:.3f})",
            )
            for p in self.periods
        ]


def dark_green_index(linear: Array) -> Array:
    """Return the dark green colour index of linear sRGB (Karcher & Richardson 2003).

    Examples
    --------
    >>> import numpy as np
    >>> from lawnscore.card.colourspace import decode_srgb
    >>> round(float(dark_green_index(decode_srgb(np.array([70, 110, 50]) / 255))), 4)
    0.5633
    """
    rgb = np.clip(encode_srgb(linear), 0.0, 1.0)
    most, least = rgb.max(axis=-1), rgb.min(axis=-1)
    span = np.maximum(most - least, 1e-9)
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    sector = np.where(
        most == g, 2 + (b - r) / span, np.where(most == r, ((g - b) / span) % 6, 4 + (r - g) / span)
    )
    saturation = span / np.maximum(most, 1e-9)
    return np.asarray((sector - 1 + 1 - saturation + 1 - most) / 3, dtype=np.float64)


def _change(first: Array, later: Array) -> Array:
    """Return the change of the mean residual of each patch, ``(n, 3)``; 0 where unknown."""
    means = [_mean(a) for a in (first, later)]
    return np.nan_to_num(means[1] - means[0])


def _mean(residuals: Array) -> Array:
    seen = np.isfinite(residuals)
    n = seen.sum(axis=0)
    total = np.where(seen, residuals, 0.0).sum(axis=0)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan)


def _index_square(change: Array, lab: Array, turf: NDArray[np.bool_]) -> float:
    moved = dark_green_index(lab_to_linear(lab[turf] + change[turf]))
    still = dark_green_index(lab_to_linear(lab[turf]))
    return float(np.mean((moved - still) ** 2))


def _shifts(first: Array, later: Array, lab: Array, turf: NDArray[np.bool_]) -> Array:
    """Return the shift of the index with its 90 % interval, by resampling photos.

    Resampled photos differ by chance alone, too: their mean excess is taken off the square.
    """
    rng = np.random.default_rng(20)
    found = _index_square(_change(first, later), lab, turf)
    again = np.empty(_RESAMPLES)
    for k in range(_RESAMPLES):
        rows = [rng.integers(0, len(a), len(a)) for a in (first, later)]
        again[k] = _index_square(_change(first[rows[0]], later[rows[1]]), lab, turf)
    excess = max(float(again.mean()) - found, 0.0)
    squares = np.array([found - excess, *(np.percentile(again, [5, 95]) - 2 * excess)])
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)), dtype=np.float64)


def _period(data: CardResiduals, first: Array, rows: NDArray[np.int_]) -> DriftPeriod:
    later = data.residual_lab[rows]
    change = _change(first, later)
    size = np.linalg.norm(change, axis=1)
    worst = int(size.argmax())
    turf = np.array([name.startswith(_TURF) for name in data.patches])
    shift, low, high = _shifts(first, later, linear_to_lab(data.reference_linear), turf)
    mean = change.mean(axis=0)
    return DriftPeriod(
        data.dates[rows[0]],
        data.dates[rows[-1]],
        len(rows),
        float(mean[0]),
        float(mean[1]),
        float(mean[2]),
        data.patches[worst],
        float(size[worst]),
        float(shift),
        float(min(low, shift)),
        float(max(high, shift)),
    )


def card_drift(data: CardResiduals) -> DriftReport:
    """Compare a card's later photos with its first ones.

    Parameters
    ----------
    data
        Residuals of photos of one card, all fitted to the same reference, in any order.

    Returns
    -------
    DriftReport
        ``too few photos`` below eight: a pattern needs several photos before and after.

    Raises
    ------
    LawnscoreError
        When the card has no turf patches (a classic chart).
    """
    if not any(name.startswith(_TURF) for name in data.patches):
        raise LawnscoreError("a classic chart has no turf patches", "Name a turf card.")
    m = len(data.dates)
    order = np.argsort(np.array(data.dates), kind="stable")
    n_first = max(_MIN_FIRST, m // 4)
    if m - n_first < _MIN_FIRST:
        return DriftReport("too few photos", _ADVICE["too few photos"], ())
    first = data.residual_lab[order[:n_first]]
    rest = order[n_first:]
    groups = np.array_split(rest, min(_MAX_PERIODS, len(rest) // _MIN_FIRST))
    periods = tuple(_period(data, first, rows) for rows in groups)
    last = periods[-1]
    verdict: Verdict = "steady"
    if last.index_shift > INDEX_LIMIT:
        verdict = "moved"
    elif last.index_shift_high > INDEX_LIMIT:
        verdict = "may have moved"
    return DriftReport(verdict, _ADVICE[verdict], periods)
