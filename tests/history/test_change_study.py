"""The arithmetic of the studies of a change's error, on published and on made errors."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchmarks.studies.change_fit import compared_takings, components, fit
from benchmarks.studies.variance_parts import variance_parts
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.history.change_error import LEAF_COLOUR

DYESTUFF = (
    (1545, 1440, 1440, 1520, 1580), (1540, 1555, 1490, 1560, 1495), (1595, 1550, 1605, 1510, 1560),
    (1445, 1440, 1595, 1465, 1545), (1595, 1630, 1515, 1635, 1625), (1520, 1455, 1450, 1480, 1445),
)  # fmt: skip
"""Yields of dyestuff by batch: Davies & Goldsmith 1972, as lme4 ships them (from memory)."""


def test_reml_gives_the_published_parts_of_dyestuff() -> None:
    # lme4 prints 42.00 and 49.51 as standard deviations of batch and residual (from memory)
    rows = [{"batch": b, "y": float(y)} for b, ys in enumerate(DYESTUFF) for y in ys]
    parts = variance_parts(pd.DataFrame(rows), "y", {"batch": "batch"})
    assert parts["batch"] ** 0.5 == pytest.approx(42.00, abs=0.05)
    assert parts["residual"] ** 0.5 == pytest.approx(49.51, abs=0.05)


def test_reml_of_a_balanced_crossed_design_is_that_of_its_mean_squares() -> None:
    # Searle, Casella & McCulloch 1992: balanced data, positive estimates, REML equals ANOVA
    rng = np.random.default_rng(3)
    a, b, n = 12, 9, 2
    y = rng.normal(0, 3, (a, 1, 1)) + rng.normal(0, 2, (1, b, 1)) + rng.normal(0, 1, (a, b, n))
    rows_ms = b * n * y.mean(axis=(1, 2)).var(ddof=1)
    columns_ms = a * n * y.mean(axis=(0, 2)).var(ddof=1)
    total = ((y - y.mean()) ** 2).sum()
    left = (total - (a - 1) * rows_ms - (b - 1) * columns_ms) / (a * b * n - a - b + 1)
    i, j, _ = np.indices(y.shape)
    table = pd.DataFrame({"row": i.ravel(), "column": j.ravel(), "y": y.ravel()})
    parts = variance_parts(table, "y", {"row": "row", "column": "column"})
    assert parts["row"] == pytest.approx((rows_ms - left) / (b * n), rel=2e-3)
    assert parts["column"] == pytest.approx((columns_ms - left) / (a * n), rel=2e-3)
    assert parts["residual"] == pytest.approx(left, rel=2e-3)


def test_groups_that_share_nothing_may_be_solved_apart() -> None:
    rng = np.random.default_rng(4)
    rows = [
        {"g": f"g{g}", "p": f"g{g} {p}", "y": rng.normal(g, 1)}
        for g in range(6) for p in range(3) for _ in range(3)
    ]  # fmt: skip
    table = pd.DataFrame(rows)
    whole = variance_parts(table, "y", {"g": "g", "p": "p"})
    apart = variance_parts(table, "y", {"g": "g", "p": "p"}, within="g")
    assert apart == pytest.approx(whole, rel=1e-3, abs=1e-4)


def made_rows(lawns: int, *, day: float, phone: float, photo: float, point: float) -> pd.DataFrame:
    """Return rows of lawns that err by known parts; green is lost in each later state."""
    rng = np.random.default_rng(5)
    rows = []
    for lawn in range(lawns):
        make, slope = rng.normal(0, 6), rng.normal(0, point)
        phones, days = rng.normal(0, phone, 3), rng.normal(0, day, 60)
        taken = [(0, p, d, k) for p, d, k in ((0, 0, "own"), (0, 1, "own"), (0, 2, "own"),
                 (1, 0, "own"), (2, 0, "own"), (0, 0, "other"), (1, 3, "other"))]  # fmt: skip
        taken += [(s, p, 10 * s + p, "own") for s in (1, 2) for p in (0, 1)]
        for state, p, d, card in taken:
            lost = 20.0 * state
            for spot in "AB":
                true = dict.fromkeys(SURFACE_SHARES, 10.0)
                true |= {"green_cover_pct": 70.0 - lost, "straw_cover_pct": 10.0 + lost}
                row = {"lawn": f"l{lawn}", "world": "made", "state": state, "phone": p, "day": d,
                       "print": card, "spot": spot, "source": "nominal",
                       "status": "scored"}  # fmt: skip
                for name in MEASURES:
                    row[f"{name}_true"] = true.get(name, 10.0)
                    error = make + slope * lost + phones[p] + days[d] + rng.normal(0, photo)
                    # the leaf's colour is seen as it is, so that it tells nothing of the error
                    error = 0.0 if name in LEAF_COLOUR else error
                    row |= {name: row[f"{name}_true"] + error, f"{name}_se": 6.0}
                rows.append(row)
    table = pd.DataFrame(rows)
    return pd.concat([table, table.assign(source="measured")])


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    return made_rows(24, day=1.0, phone=1.6, photo=0.5, point=0.1)


def test_the_parts_of_an_error_are_found(rows: pd.DataFrame) -> None:
    own = rows[(rows["state"] == 0) & (rows["source"] == "nominal")]
    error = own["green_cover_pct"] - own["green_cover_pct_true"]
    parts = components(own.assign(error=error), ("lawn", "phone", "day"))
    assert parts["lawn"] == pytest.approx(6.0, rel=0.3)
    assert parts["day"] == pytest.approx(1.0, rel=0.3)
    assert parts["phone"] == pytest.approx(1.6, rel=0.3)
    assert parts["residual"] == pytest.approx(0.5, rel=0.1)


def test_what_a_point_of_change_adds_is_found(rows: pd.DataFrame, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr("benchmarks.studies.change_fit.MEASURES", {"green_cover_pct": None})
    constants, _ = fit(rows)
    assert constants["green_cover_pct"]["point"] == pytest.approx(0.1, rel=0.3)
    assert constants["green_cover_pct"]["phone"] > constants["green_cover_pct"]["day"]


def test_a_pair_of_takings_is_of_one_lawn_and_over_its_spots(rows: pd.DataFrame) -> None:
    pairs = compared_takings(rows[rows["source"] == "nominal"])
    # eleven takings a lawn, each with each other one
    assert len(pairs.table) == 24 * 55
    error, stated, _, n = pairs.of["green_cover_pct"]
    assert set(n) == {2}
    assert set(stated) == {6.0}
    same = pairs.table["found"].to_numpy()
    # 20 points lost, each counted where it went and where it came from
    assert pairs.table["moved"][~same].median() == pytest.approx(20 / 2**0.5, abs=6)
    assert error[same].std() < 6  # what lasts of the lawn is in none of them
    assert error[same].std() < error[~same].std()


def test_a_lawn_that_the_stated_error_doubts_sets_no_width(rows: pd.DataFrame, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr("benchmarks.studies.change_fit.MEASURES", {"green_cover_pct": None})
    usual = fit(rows)[0]["green_cover_pct"]
    blind = rows["lawn"] == "l3"  # its changes are not seen at all
    doubted = rows.assign(green_cover_pct_se=rows["green_cover_pct_se"].where(~blind, 30.0))
    unseen = doubted["green_cover_pct"].where(~blind | (doubted["state"] == 0), 70.0)
    found = fit(doubted.assign(green_cover_pct=unseen))[0]["green_cover_pct"]
    assert found["point"] == pytest.approx(usual["point"], rel=0.35)
    trusted = fit(rows.assign(green_cover_pct=unseen))[0]["green_cover_pct"]
    assert trusted["point"] > 1.5 * found["point"]
