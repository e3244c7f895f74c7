from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from lawnscore.history.change_error import OF_LEAF, change_error, error_parts
from lawnscore.history.series import occasions
from lawnscore.history.visit_errors import OTHER_LEAF, visit_errors
from tests.history.rounds import day, visit, visits

RENOVATED = pd.DataFrame({"lawn": ["l0"], "zone": ["all"], "renovation_date": [day(40)]})
NONE = RENOVATED.iloc[:0]
MADE = {"camera": "phone 1", "card": "card a", "version": "1", "settings_id": "s"}


def two(**second: Any) -> pd.DataFrame:
    """Return two visits of one lawn; shares are the same, so that no point has changed."""
    stated = {f"{name}_shared_se": parts.typical * 1.2 for name, parts in error_parts().items()}
    rows = [visit("l0", n, 80.0, colour_reference="nominal", **MADE, **stated) for n in (0, 80)]
    rows[1] |= second
    return visits(rows)


@pytest.mark.parametrize("measure", ["green_cover_pct", "colour_index", "casts_per_m2"])
@pytest.mark.parametrize(
    ("second", "renovated"),
    [
        ({}, False),
        ({"camera": "phone 2"}, False),
        ({"card": "card b"}, False),
        ({"camera": None}, False),
        ({}, True),
        ({"camera": "phone 2", "card": "card b"}, True),
    ],
)
def test_two_visits_differ_by_what_a_change_errs_by(
    measure: str, second: dict[str, Any], renovated: bool
) -> None:
    series = occasions(two(**second))
    i, j = np.array([0]), np.array([1])
    change = change_error(series, i, j, renewed=np.array([renovated])).variance(measure)[0]
    errors = visit_errors(series, measure, RENOVATED if renovated else NONE)
    variance = (errors.new**2).sum()
    for part in errors.shared:
        if part.code[0] == part.code[1]:
            variance += (part.sd[0] - part.sd[1]) ** 2
        else:
            variance += (part.sd**2).sum()
    # a change is never said to be less sure than two levels that share nothing
    apart = 2 * (1.2 * error_parts()[measure].typical) ** 2
    unsaid = "camera" in second and second["camera"] is None
    # of two visits one phone of which is not said, that one alone is taken as new
    slack = (1.2 * error_parts()[measure].phone) ** 2 * 2 if unsaid else 0.0
    # a change has the colour of its leaf measured; of a lawn's past other grass has any
    parts = error_parts()[measure]
    leaf = parts.leaf * OTHER_LEAF * parts.size(1.2 * parts.typical)
    unmeasured = 2 * leaf**2 if renovated and measure in OF_LEAF else 0.0
    expected = min(change + unmeasured, apart)
    assert min(variance, apart) == pytest.approx(expected, abs=slack + 1e-9, rel=1e-6)
    assert variance > 0


def test_a_phone_that_is_not_said_is_new_at_its_visit() -> None:
    measure = "leaf_L"  # a measure that another phone moves much
    parts = error_parts()[measure]
    errors = visit_errors(occasions(two(camera=None)), measure, NONE)
    size = parts.size(1.2 * parts.typical)
    assert errors.new[0] == pytest.approx(size * parts.day)
    assert errors.new[1] == pytest.approx(size * np.hypot(parts.day, parts.phone))
    assert parts.phone > parts.day


def test_a_card_fades_with_the_seasons_it_is_used() -> None:
    """A slow fall of the colour index may be the card's: it is no step of the lawn."""
    rows = [visit("l0", n, 80.0, **MADE) for n in (0, 90, 180, 900)]
    errors = visit_errors(occasions(visits(rows)), "colour_index", NONE)
    faded = next(p for p in errors.shared if (np.diff(p.sd) > 0).any())
    sd = error_parts()["colour_index"].faded
    assert sd > 0
    assert faded.sd == pytest.approx([0.0, sd / 2, sd, 2 * sd])
    assert len(set(faded.code)) == 1


def test_grass_of_two_sides_of_a_renovation_is_told_apart_by_stage() -> None:
    rows = [visit("l0", 40, 80.0, stage) for stage in ("before", "after")]
    series = occasions(visits(rows))
    grass = visit_errors(series, "colour_index", RENOVATED).shared[0]
    assert grass.code[0] != grass.code[1]
    assert (grass.sd > 0).all()


def test_another_version_shares_nothing() -> None:
    errors = visit_errors(occasions(two(version="2")), "green_cover_pct", NONE)
    method = errors.shared[-1]
    assert method.code[0] != method.code[1]
    assert method.sd == pytest.approx(1.2 * error_parts()["green_cover_pct"].typical)


def test_a_measure_that_was_not_studied_shares_nothing() -> None:
    unknown = visit_errors(occasions(two()), "no such measure", NONE)
    assert unknown.shared == ()
    assert unknown.point == 0.0
