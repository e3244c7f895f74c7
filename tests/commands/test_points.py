"""`lawnscore points`: a page is made, a file is read, and what is wrong takes one line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.points.program import current_photos
from lawnscore.points.score import score_round
from lawnscore.register.folder import open_round
from tests.points.fakes import point_rows
from tests.scoring.rounds import new_round, put_lawn_photo

APP = build_app()


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = new_round(tmp_path_factory.mktemp("command") / "round")
    put_lawn_photo(made)
    score_round(made, today="2026-06-03")
    return made


def download(base: Path, path: Path, n: int = 6) -> Path:
    sha256, photo = next(iter(current_photos(open_round(base)).items()))
    rows = point_rows(sha256, [5, 1, 2, 0, 0, 0][:n]).assign(photo=photo)
    rows["x_mm"] = [-140.0 + 30 * k for k in range(n)]
    rows.to_csv(path, index=False)
    return path


def test_a_page_is_made_and_says_what_to_do(base: Path, tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    result = CliRunner().invoke(
        APP, ["points", "new", str(base), "--points", "3", "--out", str(out), "--seed", "1"]
    )
    assert result.exit_code == 0, result.output
    assert "3 points on 1 photos" in result.stdout
    assert "lawnscore points read" in result.stdout
    assert "only 1 photos to draw from" in result.stderr
    assert out.stat().st_size > 5000
    again = CliRunner().invoke(APP, ["points", "new", str(base), "--out", str(out)])
    assert isinstance(again.exception, LawnscoreError)
    assert "there already" in again.exception.line()


def test_casts_as_json_under_a_name_of_its_own(
    base: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(APP, ["points", "new", str(base), "--casts", "--json"])
    found = json.loads(result.stdout)
    assert found["mode"] == "casts"
    assert Path(found["path"]).name == f"casts-{found['draw']}.html"
    assert Path(found["path"]).is_file()


def test_reading_keeps_and_says(base: Path, tmp_path: Path) -> None:
    own = Path(shutil.copytree(base, tmp_path / "round", copy_function=shutil.copy2))
    result = CliRunner().invoke(
        APP, ["points", "read", str(own), str(download(own, tmp_path / "a.csv"))]
    )
    assert result.exit_code == 0, result.output
    assert "6 rows taken, 6 of them new" in result.stdout
    assert "could not be told" in result.stdout
    assert "not corrected" in result.stdout
    found = json.loads(CliRunner().invoke(APP, ["points", "read", str(own), "--json"]).stdout)
    assert found["cannot_tell"] == 1
    assert found["taken"] is None
    assert found["shares"]["green_cover_pct"]["bias"]["low"] is None  # one photo says no interval
    assert found["corrects_the_tables"] is False


def test_rows_that_were_left_out_give_status_1(base: Path, tmp_path: Path) -> None:
    own = Path(shutil.copytree(base, tmp_path / "round", copy_function=shutil.copy2))
    path = download(own, tmp_path / "a.csv")
    path.write_text(path.read_text().replace("soil", "sole", 1))
    result = CliRunner().invoke(APP, ["points", "read", str(own), str(path)])
    assert result.exit_code == 1
    assert "`sole` is no class. Did you mean `soil`?" in result.stderr


def test_nothing_read_yet_and_not_scored_yet(base: Path, tmp_path: Path) -> None:
    result = CliRunner().invoke(APP, ["points", "read", str(base)])
    assert isinstance(result.exception, LawnscoreError)
    assert "no points have been read yet" in result.exception.line()
    bare = new_round(tmp_path / "bare")
    result = CliRunner().invoke(APP, ["points", "new", str(bare)])
    assert isinstance(result.exception, LawnscoreError)
    assert "lawnscore score" in result.exception.line()


def test_score_can_leave_the_points_out(base: Path) -> None:
    result = CliRunner().invoke(APP, ["score", str(base), "--no-points", "--json"])
    assert result.exit_code == 0
    assert json.loads(result.stdout)["checked_points"] == 0
