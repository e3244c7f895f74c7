"""Drawing: the same chance for all, spread, on the ground, and what is refused."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.points.draw import draw_photos, draw_points, pivoted, spread_sample
from lawnscore.points.score import score_round

GROUND = SimpleNamespace(origin_mm=(-100.0, 50.0), mm_per_px=1.25)


def photos(n: int, lawns: int) -> pd.DataFrame:
    rng = np.random.default_rng(0)
    columns = ("shade_pct", "green_cover_pct", "straw_cover_pct", "straw_cover_pct_se",
               "straw_soil_confidence")  # fmt: skip
    frame = pd.DataFrame({name: rng.random(n) for name in columns})
    return frame.assign(lawn=[f"lawn {k % lawns}" for k in range(n)], zone="all")


def test_every_photo_has_the_same_chance() -> None:
    """Grafstrom, Lundstrom & Schelin 2012, Biometrics 68:514: the chances are kept."""
    n, draws = 5, 1500
    rng = np.random.default_rng(1)
    marks = rng.normal(size=(20, 3))
    hits = np.zeros(20)
    for _ in range(draws):
        drawn = pivoted(marks, n, rng)
        assert drawn.sum() == n
        hits += drawn
    p = n / 20
    assert np.abs(hits / draws - p).max() < 4.5 * np.sqrt(p * (1 - p) / draws)


def test_lawns_are_spread_better_than_by_chance() -> None:
    table = photos(40, 8)
    rng = np.random.default_rng(2)
    seen = [table["lawn"].iloc[spread_sample(table, 8, rng)].nunique() for _ in range(40)]
    # eight of forty by chance alone: 8 (1 - C(35, 8) / C(40, 8)) lawns, about 5.6
    assert np.mean(seen) > 7.3


def test_all_photos_when_there_are_fewer_than_asked_for() -> None:
    assert spread_sample(photos(3, 2), 12, np.random.default_rng(0)).tolist() == [0, 1, 2]


def test_points_lie_on_the_ground_and_evenly() -> None:
    keep = np.ones((200, 300), bool)
    keep[:, :100] = False
    keep[:40, 200:] = False
    middles = []
    for seed in range(60):
        points = draw_points(keep, GROUND, 50, np.random.default_rng(seed))  # type: ignore[arg-type]
        assert points.shape == (50, 2)
        pixel = np.floor((points - np.array(GROUND.origin_mm)) / GROUND.mm_per_px + 0.5)
        assert keep[pixel[:, 1].astype(int), pixel[:, 0].astype(int)].all()
        middles.append(pixel.mean(axis=0))
    rows, cols = np.nonzero(keep)
    wanted, spread = (cols.mean(), rows.mean()), (cols.std(), rows.std())
    # unbiased, and a grid scatters less than 50 points by chance, though a few are left out
    assert np.abs(np.mean(middles, axis=0) - wanted).max() < 2.0
    assert (np.std(middles, axis=0) < 0.75 * np.array(spread) / np.sqrt(50)).all()


def test_ground_too_small_for_the_points_gives_fewer() -> None:
    keep = np.zeros((10, 10), bool)
    keep[4, 4:7] = True
    assert draw_points(keep, GROUND, 9, np.random.default_rng(0)).shape == (3, 2)  # type: ignore[arg-type]
    none = np.zeros((5, 5), bool)
    assert draw_points(none, GROUND, 9, np.random.default_rng(0)).shape == (0, 2)  # type: ignore[arg-type]


def test_the_same_seed_draws_the_same(scored: Path) -> None:
    first, again = draw_photos(scored, 2, seed=5), draw_photos(scored, 2, seed=5)
    assert first.id == again.id
    assert [p.photo for p in first.photos] == [p.photo for p in again.photos]
    assert draw_photos(scored, 2, seed=6).id != first.id
    assert draw_photos(scored, 2).id != draw_photos(scored, 2).id


def test_only_of_a_lawn(scored: Path) -> None:
    drawn = draw_photos(scored, 9, lawns=["elm-row"], seed=1)
    assert {p.photo.split("/")[1] for p in drawn.photos} == {"elm-row"}
    with pytest.raises(LawnscoreError, match=r"no lawn `elm-rov`\. Did you mean `elm-row`"):
        draw_photos(scored, 2, lawns=["elm-rov"])


def test_a_round_without_scored_photos(scored: Path, tmp_path: Path) -> None:
    base = tmp_path / "round"
    shutil.copytree(scored, base)
    shutil.rmtree(base / "photos")
    with pytest.raises(LawnscoreError, match="no scored photo"):
        draw_photos(base, 2)
    shutil.rmtree(base / "reports")
    with pytest.raises(LawnscoreError, match="no table photo_scores"):
        draw_photos(base, 2)


def test_the_same_content_twice_is_one_photo(own_round: Path) -> None:
    visit = own_round / "photos" / "elm-row" / "all" / "2026-05-02-check"
    shutil.copy2(visit / "a.jpg", visit / "b.jpg")
    summary = score_round(own_round, today="2026-06-03")
    assert (summary.n_photos, summary.n_new) == (5, 0)
    drawn = draw_photos(own_round, 9, seed=1).photos
    assert len({photo.sha256 for photo in drawn}) == len(drawn) == 4
