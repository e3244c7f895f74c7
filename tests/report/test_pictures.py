from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lawnscore.contract.settings import ScoringSettings
from lawnscore.report import pictures
from lawnscore.report.load import LawnRows, RoundRows
from lawnscore.report.pictures import (
    PictureBook,
    candidate_pairs,
    keep_pictures,
    picture_key,
)
from lawnscore.report.window import GRID_MM, common_window, seen_cells
from tests.report.invented import turf_picture


def lawn_of(rounds: RoundRows, name: str) -> LawnRows:
    return next(lawn for lawn in rounds.lawns if lawn.lawn == name)


def photo(sha: str, **more: Any) -> dict[str, Any]:
    row = {"sha256": sha, "settings_id": "s", "version": "v", "card": "c", "spot": "a"}
    return row | {"date": "2025-01-01", "photo": "photos/x.jpg", "status": "scored"} | more


def keep(book: PictureBook, row: dict[str, Any], ground: np.ndarray, origin: tuple[float, float]):
    keep_pictures(
        book.folder,
        picture_key(row),
        ground=ground,
        seen=ground,
        origin_mm=origin,
        mm_per_px=2.0,
    )


def test_the_pair_is_of_the_change_and_of_one_spot(rounds: RoundRows) -> None:
    lawn = lawn_of(rounds, "Orchard House")
    change = next(
        c
        for c in lawn.changes
        if c["kind"] == "since_renovation" and c["to_date"] == lawn.last_date
    )
    before, after = candidate_pairs(lawn, "all", change)[0]
    assert before is not None
    assert (before["date"], before["stage"]) == (change["from_date"], change["from_stage"])
    assert after["date"] == lawn.last_date
    assert before["spot"] == after["spot"] == "spot1"  # the one held most level


def test_one_occasion_gives_one_picture_and_none_gives_none(rounds: RoundRows) -> None:
    ((before, _),) = candidate_pairs(lawn_of(rounds, "First"), "all", None)
    assert before is None
    assert candidate_pairs(lawn_of(rounds, "Refused"), "all", None) == []


def test_both_pictures_show_the_same_ground(tmp_path: Path) -> None:
    """A mark at one place in the card's frame stands at one place in both pictures."""
    book = PictureBook(tmp_path, ScoringSettings())
    rows = [photo("1"), photo("2", date="2025-02-01")]
    for row, origin in zip(rows, [(-300.0, -200.0), (-180.0, -260.0)], strict=True):
        ground = np.full((400, 500, 3), 90, np.uint8)
        x, y = round((200.0 - origin[0]) / 2), round((100.0 - origin[1]) / 2)
        ground[y - 6 : y + 6, x - 6 : x + 6] = 250
        keep(book, row, ground, origin)
    pair = book.pair(rows[0], rows[1], budget_bytes=200_000)
    assert pair is not None
    assert pair.same_spot
    centres = []
    for jpeg in (pair.before_jpeg, pair.after_jpeg):
        picture = np.asarray(Image.open(io.BytesIO(jpeg)).convert("L"), float)
        assert picture.shape == (pair.height_px, pair.width_px)
        centres.append(np.argwhere(picture > 180).mean(axis=0))
    mm_per_px = pair.width_mm / pair.width_px
    assert np.abs(centres[0] - centres[1]).max() * mm_per_px < 2.0  # a pixel of the ground


def test_ground_outside_either_photo_is_cut_away(tmp_path: Path) -> None:
    book = PictureBook(tmp_path, ScoringSettings())
    ground = turf_picture(1, 60, size=(400, 500))
    ground[:, :100] = 0  # outside the photo
    keep(book, photo("1"), ground, (0.0, 0.0))
    keep(book, photo("2"), turf_picture(2, 60, size=(400, 500)), (0.0, 100.0))
    pair = book.pair(photo("1"), photo("2"), budget_bytes=200_000)
    assert pair is not None
    # 2 mm a pixel: left edge at 200 mm, right at 1000, top at 100, bottom at 800
    assert pair.width_mm == pytest.approx(800, abs=GRID_MM)
    assert pair.height_px / pair.width_px == pytest.approx(700 / 800, abs=0.06)


def test_no_common_ground_gives_no_pair(tmp_path: Path) -> None:
    book = PictureBook(tmp_path, ScoringSettings())
    keep(book, photo("1"), turf_picture(1, 60, size=(100, 100)), (0.0, 0.0))
    keep(book, photo("2"), turf_picture(2, 60, size=(100, 100)), (5000.0, 0.0))
    assert book.pair(photo("1"), photo("2"), budget_bytes=200_000) is None
    assert book.pair(photo("1"), photo("3"), budget_bytes=200_000) is None


def test_of_several_pairs_the_one_with_most_common_ground_is_shown(tmp_path: Path) -> None:
    book = PictureBook(tmp_path, ScoringSettings())
    places = {"1": (0.0, 0.0), "2": (0.0, 900.0), "3": (100.0, 100.0), "4": (0.0, 780.0)}
    for sha, origin in places.items():
        keep(book, photo(sha), turf_picture(int(sha), 60, size=(500, 500)), origin)
    pairs = [(photo("1"), photo("2")), (photo("1"), photo("3"))]
    best = book.best_pair(pairs, budget_bytes=200_000)
    assert best is not None
    assert best.after["sha256"] == "3"
    strip = book.best_pair([(photo("1"), photo("4"))], budget_bytes=200_000)  # 22 cm: too narrow
    assert strip is None


def test_without_a_change_to_tell_the_last_picture_stands_alone(rounds: RoundRows) -> None:
    lawn = lawn_of(rounds, "No Renovation")
    ((before, after),) = candidate_pairs(lawn, "all", None)
    assert before is None
    assert after["date"] == lawn.last_date


def test_pictures_carry_nothing_but_pixels_and_keep_to_their_budget(tmp_path: Path) -> None:
    book = PictureBook(tmp_path, ScoringSettings())
    keep(book, photo("1"), turf_picture(1, 60, size=(900, 1200)), (0.0, 0.0))
    pair = book.pair(None, photo("1"), budget_bytes=60_000)
    assert pair is not None
    assert len(pair.after_jpeg) <= 60_000
    opened = Image.open(io.BytesIO(pair.after_jpeg))
    assert dict(opened.getexif()) == {}
    assert b"Exif" not in pair.after_jpeg
    assert b"http" not in pair.after_jpeg


def test_a_picture_is_as_large_as_what_shows_it(tmp_path: Path) -> None:
    book = PictureBook(tmp_path, ScoringSettings())
    keep(book, photo("1"), np.full((1300, 2600, 3), 90, np.uint8), (0.0, 0.0))
    seen = book.seen(photo("1"))
    assert seen is not None
    # the column is 30 to 36 rem wide, and screens have up to two dots a pixel
    with Image.open(seen) as picture:
        assert picture.size == (1200, 600)
    with Image.open(seen.with_name(seen.name.replace("-seen", "-ground"))) as picture:
        assert picture.size == (2400, 1200)


@pytest.mark.parametrize("budget", [90_000, 45_000, 20_000])
def test_of_the_qualities_that_fit_the_best_is_taken(budget: int) -> None:
    picture = Image.fromarray(turf_picture(3, 60, size=(300, 400)))
    data = pictures._jpeg_within(picture, budget)
    sizes = [len(pictures._jpeg(picture, quality=q)) for q in pictures._QUALITIES]
    fitting = [size for size in sizes if size <= budget]
    if fitting:
        assert len(data) == max(fitting)
    else:
        assert len(data) <= budget
        with Image.open(io.BytesIO(data)) as smaller:
            assert smaller.width < 400


def test_the_largest_rectangle_is_found() -> None:
    cells = [[r, c] for r in range(4) for c in range(6) if not (r == 0 and c < 2)]
    window = common_window([{"seen": cells}])
    assert window is not None
    assert (window.left, window.top) == (0.0, GRID_MM)  # 3 x 6 beats 4 x 4
    assert (window.right, window.bottom) == (6 * GRID_MM, 4 * GRID_MM)


def test_the_cells_that_are_seen_come_back_as_they_were_told() -> None:
    ground = np.zeros((100, 140, 3), np.uint8)
    ground[25:85, 10:] = 90  # 2 mm a pixel: from (20, 50) mm, cells of 20 mm
    seen = seen_cells(ground, (-45.0, -33.0), 2.0)
    cells = [[r, c] for r in range(1, 6) for c in range(-1, 11)]
    window = common_window([{"seen": seen}])
    assert window is not None
    assert window == common_window([{"seen": cells}])  # as they were kept before
    assert window == common_window([{"seen": seen}, {"seen": cells}])
    bare = seen_cells(np.zeros((4, 4, 3), np.uint8), (0.0, 0.0), 1.0)
    assert common_window([{"seen": bare}]) is None


def test_a_path_out_of_the_round_is_not_read(tmp_path: Path) -> None:
    outside = tmp_path / "secret.jpg"
    outside.write_bytes(b"x")
    (tmp_path / "round").mkdir()
    book = PictureBook(tmp_path / "round", ScoringSettings())
    assert book.draw([photo("9", photo="../secret.jpg"), photo("8", photo=str(outside))]).n == 0


def test_two_stages_of_one_day_are_told_apart_in_the_caption(rounds: RoundRows, words) -> None:
    from lawnscore.report.customer import pair_caption
    from lawnscore.report.pictures import Pair

    photos = [p for p in lawn_of(rounds, "Day Of Work").photos if p["spot"] == "spot1"][-2:]
    caption = pair_caption(
        Pair(photos[0], photos[1], b"", b"", 10, 10, 1000.0, True), "work", words
    )
    assert "7 August 2025, before the work and just after the work" in caption
    assert "100 cm across" in caption


def dies_on_b(job: tuple[str, str, str, str, ScoringSettings]) -> None:
    """Stand in for what draws one photo, and take the process down at one of them."""
    path, _, key, folder, _ = job
    if Path(path).name == "b.jpg":
        os._exit(3)
    (Path(folder) / f"{key}.json").write_text("{}")


def test_a_photo_that_ends_its_process_costs_its_own_picture_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "photos" / "elm-row" / "all" / "2025-01-01-check"
    place.mkdir(parents=True)
    rows = []
    for name in ("a", "b", "c"):
        (place / f"{name}.jpg").write_bytes(b"x")
        rows.append(photo(name, photo=f"photos/elm-row/all/2025-01-01-check/{name}.jpg"))
    monkeypatch.setattr(pictures, "_draw_one", dies_on_b)
    book = PictureBook(tmp_path, ScoringSettings())
    drawn = book.draw(rows, workers=2)
    assert drawn.n == 3
    (line,) = drawn.lost
    assert "2025-01-01-check/b.jpg: no picture" in line
    assert "2 times" in line
    there = {row["sha256"] for row in rows if (book.folder / f"{picture_key(row)}.json").exists()}
    assert there == {"a", "c"}
