"""The page: blind, self-contained, small; and where its pictures come from."""

from __future__ import annotations

import base64
import io
import json
import re
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lawnscore.contract.errors import LawnscoreError
from lawnscore.photo.read import read_photo
from lawnscore.points.draw import draw_photos
from lawnscore.points.page import MOST_BYTES, PageSummary, close_up, write_page
from lawnscore.points.program import Program
from lawnscore.register.folder import open_round


def data_of(page: PageSummary) -> dict[str, Any]:
    html = page.path.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.S)
    assert found is not None
    data: dict[str, Any] = json.loads(found.group(1))
    return data


def test_the_page_holds_every_point_and_nothing_of_the_program(points_page: PageSummary) -> None:
    data = data_of(points_page)
    assert points_page.n_items == len(data["items"]) == len(data["pictures"]) == 3 * 4
    assert set(data) == {"draw", "mode", "words", "columns", "photos", "items", "pictures"}
    assert all(set(item) == {"p", "n", "x", "y", "side"} for item in data["items"])
    html = points_page.path.read_text(encoding="utf-8")
    assert not re.search(r"_pct|shares|probab|settings_id", html)


def test_pictures_carry_pixels_alone(points_page: PageSummary, casts_page: PageSummary) -> None:
    for page in (points_page, casts_page):
        assert page.n_bytes == page.path.stat().st_size < 5_000_000
        for text in data_of(page)["pictures"]:
            data = base64.b64decode(text)
            assert b"EXIF" not in data
            assert b"XMP " not in data
            with Image.open(io.BytesIO(data)) as picture:
                assert len(picture.getexif()) == 0
                assert picture.width == picture.height


def test_nothing_can_be_fetched(points_page: PageSummary) -> None:
    html = unescape(points_page.path.read_text(encoding="utf-8"))
    assert "default-src 'none'" in html
    assert not re.search(r"(src|href)=[\"']?https?:|url\(", html)


def test_photos_take_turns_and_all_points_are_there(scored: Path, tmp_path: Path) -> None:
    page = write_page(draw_photos(scored, 2, seed=3), tmp_path / "a.html", points=25)
    items = data_of(page)["items"]
    assert {item["p"] for item in items[:20]} == {0, 1}
    assert [i["p"] for i in items[:10]] == [0] * 10
    for photo in (0, 1):
        assert sorted(i["n"] for i in items if i["p"] == photo) == list(range(1, 26))


def test_tiles_cover_the_measured_ground(scored: Path, casts_page: PageSummary) -> None:
    data = data_of(casts_page)
    program = Program(open_round(scored))
    views = program.views(scored / data["photos"][0][0])
    area_mm2 = len(data["items"]) * 250.0**2
    assert area_mm2 > views.ground.area_m2 * 1e6
    assert len({(i["x"], i["y"]) for i in data["items"]}) == len(data["items"])


def test_a_close_up_shows_the_ground_at_its_place(scored: Path) -> None:
    """The same ground as the flattened one, to a pixel of it, and colours corrected alike."""
    program = Program(open_round(scored))
    relative = next(iter(program.current.values()))
    views = program.views(scored / relative)
    photo = read_photo(scored / relative, reduction=1)
    ground = views.ground
    height, width = ground.mask.shape
    row, col = height // 2, width // 3
    x, y = (o + k * ground.mm_per_px for o, k in zip(ground.origin_mm, (col, row), strict=True))
    n = 21
    cut = close_up(photo, views, (x, y), n * ground.mm_per_px, n)
    from lawnscore.photo.overlay import _daylight

    half = n // 2
    flat = ground.rgb[row - half : row + half + 1, col - half : col + half + 1]
    gap = cut.astype(float) - _daylight(np.ascontiguousarray(flat), views)
    assert np.abs(gap).mean() < 6.0
    shifted = np.roll(cut.astype(float), 3, axis=1) - _daylight(np.ascontiguousarray(flat), views)
    assert np.abs(gap).mean() < 0.7 * np.abs(shifted).mean()


def test_a_name_cannot_break_out_of_the_page(scored: Path, tmp_path: Path) -> None:
    draw = draw_photos(scored, 1, seed=1)
    object.__setattr__(draw.photos[0], "photo", "photos/</script><b>x")
    page = write_page(draw, tmp_path / "a.html", points=1)
    html = page.path.read_text(encoding="utf-8")
    assert "</script><b>" not in html
    assert data_of(page)["photos"][0][0] == "photos/</script><b>x"


def test_what_will_not_do_is_said(own_round: Path, tmp_path: Path) -> None:
    draw = draw_photos(own_round, 2, seed=1)
    path = tmp_path / "a.html"
    path.write_text("somebody's")
    with pytest.raises(LawnscoreError, match="there already"):
        write_page(draw, path)
    assert path.read_text() == "somebody's"
    with pytest.raises(LawnscoreError, match="too many for one page"):
        write_page(draw, tmp_path / "b.html", points=2000)
    draw.photos[0].path.write_bytes(draw.photos[1].path.read_bytes())
    with pytest.raises(LawnscoreError, match="has changed since it was scored"):
        write_page(draw, tmp_path / "c.html", points=1)
    assert not (tmp_path / "c.html").exists()


def test_a_page_is_made_smaller_until_it_fits(
    scored: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import lawnscore.points.page as module

    draw = draw_photos(scored, 2, seed=1)
    full = write_page(draw, tmp_path / "a.html", points=10)
    monkeypatch.setattr(module, "MOST_BYTES", int(0.7 * full.n_bytes))
    small = write_page(draw_photos(scored, 2, seed=1), tmp_path / "b.html", points=10)
    assert small.n_bytes <= 0.7 * full.n_bytes < MOST_BYTES
    monkeypatch.setattr(module, "MOST_BYTES", 1000)
    with pytest.raises(LawnscoreError, match="too many"):
        write_page(draw_photos(scored, 2, seed=1), tmp_path / "c.html", points=10)
