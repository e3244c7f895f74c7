"""What must hold of the tables of the history whatever stands in them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from lawnscore import attention, changes, recovery, visit_scores
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.contract.tables import PHOTO_SCORES
from tests.history.rounds import day, photo, work

SWARDS = {  # green, straw, soil, litter, casts: how much and, by the sum, how alike the photos are
    "check": (40.0, 10.0, 5.0, 1.0, 1.0),
    "before": (40.0, 10.0, 5.0, 1.0, 1.0),
    "after": (15.0, 20.0, 15.0, 1.0, 1.0),
}
HOW = {"card": "c", "version": "1", "settings_id": "s", "colour_reference": "measured"}


@st.composite
def photo_tables(draw: st.DrawFn) -> pd.DataFrame:
    """Photos of two lawns over four visits, the first renovated at the second; some refused."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    rows: list[dict[str, Any]] = []
    for lawn in ("a", "b"):
        for number, stage in ((0, "check"), (40, "before"), (40, "after"), (70, "check")):
            for k in range(draw(st.integers(1, 4))):
                shares = 100 * rng.dirichlet(SWARDS[stage])
                row = photo(lawn, number, stage, spot=f"s{k}", photo=f"{lawn}/{number}-{stage}-{k}")
                row |= HOW | dict(zip(SURFACE_SHARES, shares, strict=True))
                row |= {f"{name}_se": 2.0 for name in SURFACE_SHARES}
                row |= {"colour_index": rng.normal(0.42, 0.03), "colour_index_se": 0.02}
                row |= {"casts_per_m2": rng.gamma(2.0, 4.0), "casts_per_m2_se": 2.0}
                if draw(st.integers(0, 9)) == 0:
                    row = {key: row[key] for key in ("lawn", "zone", "date", "stage", "photo")}
                    row |= {"status": "refused", "reason": "blurred"}
                rows.append(row)
    return PHOTO_SCORES.frame(rows)


def all_tables(photos: pd.DataFrame) -> dict[str, pd.DataFrame]:
    done = work(("a", 40, "scarify"))
    visits = visit_scores(photos)
    return {
        "visits": visits,
        "changes": changes(visits, photo_scores=photos, work=done),
        "recovery": recovery(visits, done),
        "attention": attention(visits, done, photo_scores=photos, today=day(75)),
    }


# A table this size takes minutes to shrink, and says as much unshrunk.
@settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(photo_tables(), st.randoms(use_true_random=False))
def test_the_order_of_photos_and_visits_changes_nothing(photos: pd.DataFrame, random: Any) -> None:
    order = list(range(len(photos)))
    random.shuffle(order)
    straight, shuffled = all_tables(photos), all_tables(photos.iloc[order])
    for name, table in straight.items():
        assert_frame_equal(table, shuffled[name], rtol=1e-6, obj=name)
    visits = straight["visits"].iloc[::-1]
    assert_frame_equal(changes(visits, photo_scores=photos, work=work(("a", 40, "scarify"))),
                       straight["changes"], rtol=1e-6)  # fmt: skip


@settings(max_examples=8, deadline=None)
@given(photo_tables())
def test_shares_of_a_visit_add_up_to_100_when_those_of_its_photos_do(photos: pd.DataFrame) -> None:
    visits = visit_scores(photos)
    total = visits[list(SURFACE_SHARES)].sum(axis=1, skipna=False)
    assert np.allclose(total[visits["photos"] > 0], 100.0)
    assert total[visits["photos"] == 0].isna().all()


def interval(photos: pd.DataFrame, measure: str) -> tuple[float, float]:
    row = visit_scores(photos).iloc[0]
    return float(row[f"{measure}_low"]), float(row[f"{measure}_high"])


values = st.lists(st.floats(0.3, 0.6), min_size=2, max_size=8)


def of_colour(found: list[float], se: float = 0.02) -> list[dict[str, Any]]:
    how = HOW | {"colour_index_se": se}
    return [photo("a", 0, colour_index=value, **how) for value in found]


@settings(max_examples=12, deadline=None)
@given(values)
def test_a_photo_that_says_nothing_narrows_nothing(found: list[float]) -> None:
    before = interval(PHOTO_SCORES.frame(of_colour(found)), "colour_index")
    silent = [
        photo("a", 0, **HOW) | {"status": "refused", "reason": "blurred"},
        photo("a", 0, **HOW),  # scored, but its colour is not known
    ]
    for extra in silent:
        after = interval(PHOTO_SCORES.frame([*of_colour(found), extra]), "colour_index")
        assert after == pytest.approx(before, rel=1e-12)


@settings(max_examples=12, deadline=None)
@given(values, st.floats(0.005, 0.05))
def test_no_number_of_photos_narrows_below_what_they_share(found: list[float], se: float) -> None:
    many = PHOTO_SCORES.frame(of_colour(found * 12, se))
    low, high = interval(many, "colour_index")
    assert (high - low) / 2 >= 1.95 * se


@settings(max_examples=12, deadline=None)
@given(values)
def test_a_photo_far_from_the_others_widens_the_interval(found: list[float]) -> None:
    low, high = interval(PHOTO_SCORES.frame(of_colour(found)), "colour_index")
    far = 0.45 + 10 * (max(found) - min(found) + 0.05)
    wider = interval(PHOTO_SCORES.frame(of_colour([*found, far])), "colour_index")
    assert wider[1] - wider[0] > high - low


@settings(max_examples=8, deadline=None)
@given(photo_tables())
def test_every_interval_holds_its_own_estimate(photos: pd.DataFrame) -> None:
    visits = visit_scores(photos)
    for name in MEASURES:
        known = visits[visits[f"{name}_low"].notna() & visits[f"{name}_high"].notna()]
        assert (known[f"{name}_low"] <= known[name] + 1e-9).all()
        assert (known[f"{name}_high"] >= known[name] - 1e-9).all()
