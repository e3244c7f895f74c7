"""The tables corrected by points: off by default, said when on, and never in silence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import lawnscore
from lawnscore.contract.settings import ConditionWeights
from lawnscore.history.changes import changes
from lawnscore.history.visits import visit_scores
from lawnscore.photo.condition import condition
from lawnscore.points import correct
from lawnscore.points.compare import SHARE_COLUMNS
from lawnscore.points.correct import correct_photos
from lawnscore.points.draw import draw_photos, draw_points
from lawnscore.points.program import Program, measured_pixels
from lawnscore.points.record import FILE_NAME
from lawnscore.points.score import score_round
from lawnscore.register.folder import open_round
from lawnscore.scoring.tables import read_table
from tests.points.fakes import FakeProgram, photo_table, point_rows

YES = '[points]\ncorrect = "yes"\n'
TODAY = "2026-06-03"


def read_all(base: Path, seen: int = 1) -> int:
    """Read twenty points on each of three photos: all are called the same."""
    program = Program(open_round(base))
    draw = draw_photos(base, 3, seed=4)
    frames = []
    for photo in draw.photos:
        views = program.views(photo.path)
        keep = measured_pixels(views.ground, views.classes)
        places = draw_points(keep, views.ground, 20, draw.rng).round(2)
        rows = point_rows(photo.sha256, [seen] * len(places))
        frames.append(rows.assign(photo=photo.photo, x_mm=places[:, 0], y_mm=places[:, 1]))
    pd.concat(frames).to_csv(base / FILE_NAME, index=False)
    return sum(len(frame) for frame in frames)


def plain_and_corrected(base: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    score_round(base, today=TODAY, no_points=True)
    plain = read_table(base, "photo_scores")
    score_round(base, today=TODAY)
    return plain, read_table(base, "photo_scores")


def test_off_until_the_settings_say_yes(own_round: Path) -> None:
    before = (own_round / "reports" / "photo_scores.csv").read_bytes()
    read_all(own_round)
    summary = score_round(own_round, today=TODAY)
    assert summary.checked_points == 0
    assert (own_round / "reports" / "photo_scores.csv").read_bytes() == before


def test_yes_corrects_says_so_and_changes_the_settings_id(own_round: Path) -> None:
    n_points = read_all(own_round)
    (own_round / "round.toml").write_text(YES)
    plain, table = plain_and_corrected(own_round)
    assert (table["checked_points"] == n_points).all()
    assert table["checked_casts"].isna().all()
    assert plain["checked_points"].isna().all()
    assert set(table["settings_id"]) & set(plain["settings_id"]) == set()
    assert (table["straw_cover_pct"] > plain["straw_cover_pct"] + 3).all()
    total = table[list(SHARE_COLUMNS)].sum(axis=1)
    assert total.to_numpy() == pytest.approx(100.0, abs=0.01)
    for row in table.to_dict("records"):
        assert row["condition"] == pytest.approx(condition(row, ConditionWeights()), abs=0.01)
    for name in ("colour_index", "evenness", "bare_patch_pct", "area_m2"):
        assert table[name].equals(plain[name])
    visits = read_table(own_round, "visit_scores")
    assert (visits["checked_points"] == n_points).all()


def test_no_photo_is_opened_again_and_the_run_says_it(own_round: Path) -> None:
    read_all(own_round)
    (own_round / "round.toml").write_text(YES)
    first = lawnscore.score_round(own_round, today=TODAY)
    assert first.n_new == 0
    assert first.checked_points == first.as_dict()["checked_points"] > 0
    from lawnscore.scoring.summary import summary_lines

    assert "points read by eye" in summary_lines(first)[1]
    again = score_round(own_round, today=TODAY)
    table = read_table(own_round, "photo_scores")
    assert again.checked_points == first.checked_points
    score_round(own_round, today=TODAY)
    pd.testing.assert_frame_equal(table, read_table(own_round, "photo_scores"))


def test_other_points_are_another_method(own_round: Path) -> None:
    read_all(own_round)
    (own_round / "round.toml").write_text(YES)
    _, first = plain_and_corrected(own_round)
    read_all(own_round, seen=2)
    _, second = plain_and_corrected(own_round)
    assert set(first["settings_id"]) & set(second["settings_id"]) == set()


def test_a_photo_that_was_replaced_takes_its_points_with_it(own_round: Path) -> None:
    n_points = read_all(own_round)
    (own_round / "round.toml").write_text(YES)
    read = pd.read_csv(own_round / FILE_NAME)["photo"].iloc[0]
    path = own_round / read
    path.write_bytes(path.read_bytes() + b"\0")
    score_round(own_round, today=TODAY)
    table = read_table(own_round, "photo_scores")
    # forty points are too few to correct by
    assert n_points == 60
    assert table["checked_points"].isna().all()


@pytest.fixture
def spoilt(monkeypatch: pytest.MonkeyPatch) -> tuple[Any, pd.DataFrame, np.ndarray]:
    """Twenty photos of which half the straw is called soil; ten of them read without error."""
    rng = np.random.default_rng(0)
    truth = np.column_stack([0.9 - (s := rng.uniform(0.1, 0.5, 20)), s, 0 * s + 0.1, 0 * s, 0 * s])
    program = truth.copy()
    program[:, 1] /= 2
    program[:, 2] += program[:, 1]
    table = photo_table(program)
    cells, rows = {}, []
    for k in range(10):
        seen = rng.choice(5, 60, p=truth[k])
        cells[f"{k:064x}"] = np.tile(program[k], (60, 1))
        rows.append(point_rows(f"{k:064x}", seen))
    fake = FakeProgram(table, cells)
    monkeypatch.setattr(correct, "Program", lambda *_: fake)
    monkeypatch.setattr(correct, "read_points", lambda *_: pd.concat(rows))
    from types import SimpleNamespace

    from lawnscore.contract.settings import PointsSettings, Settings

    settings = Settings(points=PointsSettings("yes"))
    return SimpleNamespace(path=Path("x"), settings=settings), table, truth


def test_straw_that_was_called_soil_comes_back(
    spoilt: tuple[Any, pd.DataFrame, np.ndarray],
) -> None:
    opened, table, truth = spoilt
    out = correct_photos(opened, table)
    before, after = (
        np.sqrt(np.mean((frame["straw_cover_pct"] - 100 * truth[:, 1]) ** 2))
        for frame in (table, out)
    )
    assert after < before / 3
    z = (out["straw_cover_pct"] - 100 * truth[:, 1]) / out["straw_cover_pct_se"]
    assert np.sqrt(np.mean(z**2)) < 1.5


def test_refused_photos_and_the_table_given_stay_as_they_are(
    spoilt: tuple[Any, pd.DataFrame, np.ndarray],
) -> None:
    opened, table, _ = spoilt
    table.loc[19, "status"] = "refused"
    table.loc[19, [*SHARE_COLUMNS, "condition"]] = np.nan
    before = table.copy()
    out = correct_photos(opened, table)
    pd.testing.assert_frame_equal(table, before)
    assert out.loc[19, "settings_id"] == "aaaa"
    assert pd.isna(out.loc[19, "checked_points"])
    assert pd.isna(out.loc[19, "straw_cover_pct"])
    assert (out.loc[:18, "checked_points"] == 600).all()


def test_a_change_across_the_correction_is_said_and_nothing_is_taken_to_last(
    spoilt: tuple[Any, pd.DataFrame, np.ndarray],
) -> None:
    opened, table, _ = spoilt
    corrected = correct_photos(opened, table)
    later = corrected.assign(date="2026-06-01")
    for first, changed in ((table, True), (corrected, False)):
        photos = pd.concat([first, later], ignore_index=True)
        found = changes(visit_scores(photos), photo_scores=photos)
        straw = found[(found["measure"] == "straw_cover_pct") & (found["kind"] == "visit")]
        assert (straw["method_changed"] == changed).all()
    plain = pd.concat([table, table.assign(date="2026-06-01")], ignore_index=True)
    both = pd.concat([corrected, later], ignore_index=True)
    both = both.assign(**{name: plain[name] for name in both if name.endswith("_se")})
    widths = []
    for photos in (plain, both):  # the same stated errors: only what lasts of them differs
        found = changes(visit_scores(photos), photo_scores=photos)
        straw = found[(found["measure"] == "straw_cover_pct") & (found["kind"] == "visit")]
        widths.append((straw["high"] - straw["low"]).mean())
    assert widths[1] > 1.1 * widths[0]
