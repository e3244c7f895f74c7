"""A small scored round with photos that can be read, shared by the tests of points."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from PIL import Image

from lawnscore.points.draw import draw_photos
from lawnscore.points.page import PageSummary, write_page
from lawnscore.points.score import score_round
from tests.scoring.rounds import new_round, put_lawn_photo

VISITS = (
    ("oak-lane", "front", "2026-05-01"),
    ("oak-lane", "front", "2026-06-01"),
    ("elm-row", "all", "2026-05-02"),
    ("elm-row", "all", "2026-06-02"),
)


@pytest.fixture(scope="session")
def scored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A scored round of four photos; tests read it and leave it as it is."""
    base = new_round(tmp_path_factory.mktemp("points") / "round")
    rows = ("lawn,zone,area_m2", "oak-lane,front,120", "elm-row,all,80")  # others are not scored
    (base / "lawns.csv").write_text("\n".join((*rows, "")))
    first = put_lawn_photo(base, "first.jpg", visit="made")
    with Image.open(first) as picture:
        for number, (lawn, zone, day) in enumerate(VISITS):
            target = base / "photos" / lawn / zone / f"{day}-check" / "a.jpg"
            target.parent.mkdir(parents=True)
            box = (8 * number, 0, 1120 + 8 * number, 900)  # so that no two are the same file
            exif = Image.Exif()
            exif[0x010F] = "a maker"
            picture.crop(box).save(target, "JPEG", quality=90, exif=exif)
    shutil.rmtree(base / "made")
    summary = score_round(base, today="2026-06-03")
    assert summary.n_scored == len(VISITS)
    return base


@pytest.fixture
def own_round(scored: Path, tmp_path: Path) -> Path:
    """A copy of the scored round that a test may change."""
    return Path(shutil.copytree(scored, tmp_path / "round", copy_function=shutil.copy2))


@pytest.fixture(scope="session")
def points_page(scored: Path, tmp_path_factory: pytest.TempPathFactory) -> PageSummary:
    draw = draw_photos(scored, 3, seed=1)
    return write_page(draw, tmp_path_factory.mktemp("page") / "points.html", points=4)


@pytest.fixture(scope="session")
def casts_page(scored: Path, tmp_path_factory: pytest.TempPathFactory) -> PageSummary:
    draw = draw_photos(scored, 1, seed=2)
    return write_page(draw, tmp_path_factory.mktemp("page") / "casts.html", mode="casts")
