"""Seed and top-dressing by arithmetic: 1 mm on 1 m2 is 1 litre. Densities are from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.care.seed import seed_kg, top_dressing
from lawnscore.contract.errors import LawnscoreError


def test_seed_for_an_area() -> None:
    assert seed_kg(35, 140) == pytest.approx(4.9)
    assert seed_kg(17.5, 140, passes=2) == pytest.approx(4.9)


def test_a_millimetre_on_a_square_metre_is_a_litre() -> None:
    dressing = top_dressing(140, 3, bulk_density_t_m3=1.5)
    assert dressing.litres == 420
    assert dressing.tonnes == pytest.approx(0.63)
    assert dressing.kg_per_m2 == pytest.approx(4.5)
    assert dressing.warnings == ()


def test_deep_dressing_is_told() -> None:
    assert "3 goes" in top_dressing(100, 13).warnings[0]


@pytest.mark.parametrize(("area", "depth"), [(0, 3), (100, 0), (-1, 3)])
def test_impossible_dressings_are_refused(area: float, depth: float) -> None:
    with pytest.raises(LawnscoreError, match="must be more than 0"):
        top_dressing(area, depth)


@given(st.floats(1, 1e4), st.floats(0.1, 20), st.floats(0.1, 20))
def test_depths_add_up(area: float, depth: float, more: float) -> None:
    both = top_dressing(area, depth + more).litres
    assert both == pytest.approx(top_dressing(area, depth).litres + top_dressing(area, more).litres)
