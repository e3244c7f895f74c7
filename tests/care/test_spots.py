from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from scipy.stats import qmc

from lawnscore.care.photos_needed import photos_needed
from lawnscore.care.plan_sheet import draw_plan
from lawnscore.care.spots import EDGE, Spot, known_spots, spread_spots, where_to_stand
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import LAWNS


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 40), st.text(min_size=1, max_size=12))
def test_spots_are_inside_named_once_and_walked_along(n: int, place: str) -> None:
    spots = spread_spots(n, place=place)
    assert len(spots) == n
    assert len({spot.name for spot in spots}) == n
    along = [spot.along for spot in spots]
    assert along == sorted(along)
    assert all(EDGE <= s.along <= 1 - EDGE and EDGE <= s.across <= 1 - EDGE for s in spots)


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 20), st.integers(1, 20))
def test_more_photos_later_move_no_spot(n: int, more: int) -> None:
    first = {(s.name, s.along, s.across) for s in spread_spots(n, place="elm-3/front")}
    later = {(s.name, s.along, s.across) for s in spread_spots(n + more, place="elm-3/front")}
    assert first <= later


def test_every_quarter_gets_its_share() -> None:
    for place in ("a/b", "elm-3/front", "mill/all"):
        names = [spot.name[0] for spot in spread_spots(8, place=place)]
        assert sorted(names) == sorted("AABBCCDD")


def test_spread_is_more_even_than_chance() -> None:
    def discrepancy(points: list[tuple[float, float]]) -> float:
        return float(qmc.discrepancy(np.array(points), method="WD"))

    ours = [
        discrepancy([(s.along, s.across) for s in spread_spots(12, place=f"lawn {k}")])
        for k in range(30)
    ]
    rng = np.random.default_rng(5)
    chance = [
        discrepancy([tuple(p) for p in EDGE + (1 - 2 * EDGE) * rng.random((12, 2))])
        for _ in range(200)
    ]
    assert max(ours) < np.median(chance)


def test_every_stretch_is_equally_likely_over_many_zones() -> None:
    """The random shift makes one spot uniform along and across (Kolmogorov-Smirnov)."""
    from scipy.stats import kstest

    spots = [spread_spots(1, place=f"lawn {k}")[0] for k in range(400)]
    for side in ("along", "across"):
        inside = (np.array([getattr(s, side) for s in spots]) - EDGE) / (1 - 2 * EDGE)
        assert kstest(inside, "uniform").pvalue > 0.01


def test_spots_of_earlier_visits_are_kept_and_named_first() -> None:
    spots = spread_spots(4, place="elm-3/front", known=["gate", "A1"])
    by_name = {spot.name: spot for spot in spots}
    assert len(spots) == 4
    assert by_name["gate"].known
    assert math.isnan(by_name["gate"].along)
    assert by_name["A1"].known
    assert by_name["A1"].along == pytest.approx(
        next(s.along for s in spread_spots(4, place="elm-3/front") if s.name == "A1")
    )


def test_no_known_spot_is_dropped_when_fewer_are_needed() -> None:
    spots = spread_spots(2, place="elm-3/front", known=["x", "y", "z"])
    assert [spot.name for spot in spots] == ["x", "y", "z"]


def test_known_spots_are_those_of_the_last_visit() -> None:
    photos = pd.DataFrame(
        {
            "lawn": ["elm-3"] * 4,
            "zone": ["front"] * 4,
            "date": ["2025-04-02", "2025-05-02", "2025-05-02", "2025-06-02"],
            "spot": ["old", "b", "a", None],
        }
    )
    assert known_spots(photos) == {("elm-3", "front"): ["a", "b"]}
    assert known_spots(None) == {}


def test_where_to_stand_in_words() -> None:
    assert where_to_stand(Spot("A1", 0.25, 0.5), 20, 8) == "5.0 m along, 4.0 m across"
    assert where_to_stand(Spot("gate", math.nan, math.nan)) == "where you stood before"


def test_no_photos_is_refused() -> None:
    with pytest.raises(LawnscoreError, match="more than 0"):
        spread_spots(0, place="a/b")


def test_the_sheet_names_every_zone_and_spot(tmp_path: Path) -> None:
    lawns = LAWNS.frame([{"lawn": f"lawn-{k}", "zone": "all", "area_m2": 90} for k in range(9)])
    needs = photos_needed(None, lawns)
    spots = {
        (row["lawn"], row["zone"]): spread_spots(5, place=row["lawn"])
        for row in needs.to_dict("records")
    }
    pages = draw_plan(needs, spots, tmp_path / "plan.pdf")
    reader = PdfReader(tmp_path / "plan.pdf")
    assert pages == len(reader.pages) == 2
    text = "".join(page.extract_text() for page in reader.pages)
    assert all(f"lawn-{k} / all" in text for k in range(9))
    assert text.count("A1") >= 9


def test_a_sheet_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    needs = photos_needed(None, LAWNS.frame([{"lawn": "a", "zone": "all"}]))
    (tmp_path / "file").write_text("")
    with pytest.raises(LawnscoreError, match="cannot be written"):
        draw_plan(needs, {}, tmp_path / "file" / "plan.pdf")


def test_a_name_prints_as_it_is_written_and_within_its_box(tmp_path: Path) -> None:
    names = ("Żółwia Grządka 7", "Łąka świętej Łucji", "przed-domem-" * 9)
    lawns = LAWNS.frame([{"lawn": name, "zone": "Süd", "area_m2": 90} for name in names])
    needs = photos_needed(None, lawns)
    spots = {(names[0], "Süd"): spread_spots(3, place="a")}
    draw_plan(needs, spots, tmp_path / "plan.pdf")
    page = PdfReader(tmp_path / "plan.pdf").pages[0]
    text = page.extract_text()
    assert f"{names[0]} / Süd" in text
    assert f"{names[1]} / Süd" in text
    assert "przed-domem-przed" in text
    assert "…" in text  # the longest is cut off, not run into its neighbour
    fonts = [font.get_object() for font in page["/Resources"]["/Font"].values()]
    assert all("/FontFile2" in font["/FontDescriptor"] for font in fonts)
