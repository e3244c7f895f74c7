"""`lawnscore score`: exit status, what is printed where, and 40 kinds of bad file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from lawnscore.commands import main
from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.measures import SURFACE_SHARES
from lawnscore.photo import read
from lawnscore.scoring.tables import read_table, table_path
from tests.photo.bad_files import BAD
from tests.scoring.rounds import VISIT, new_round, put_lawn_photo, put_photo

NAMES = {"odd name": "ü 🌱.jpg", "dash": "-rf.jpg", "lines": "two\nlines.jpg", "long": "x" * 240}


def run(arguments: Sequence[str | Path]) -> Result:
    return CliRunner().invoke(build_app(), ["score", *(str(a) for a in arguments)])


@pytest.fixture(scope="module")
def bad_round(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """Return a round of every kind of bad file, with one good photo, and its first scoring."""
    base = new_round(tmp_path_factory.mktemp("bad") / "round")
    put_lawn_photo(base)
    folder = base / VISIT
    for number, (make, _words) in enumerate(BAD.values()):
        (folder / f"{number:02d}.jpg").write_bytes(make())
    for name in NAMES.values():
        (folder / name).write_bytes(b"\xff\xd8\xff")
    (folder / "folder.jpg").mkdir()
    (folder / "broken.jpg").symlink_to(folder / "nowhere.jpg")
    (folder / "loop.jpg").symlink_to(folder / "loop.jpg")
    return base, run([base])


def test_every_kind_of_bad_file_gives_one_line_and_the_good_photo_is_scored(
    bad_round: tuple[Path, Result],
) -> None:
    base, result = bad_round
    assert result.exit_code == 1
    n_bad = len(BAD) + len(NAMES) + 3
    assert n_bad >= 30
    lines = [line for line in result.stdout.splitlines() if ": unreadable: " in line]
    assert len(lines) == n_bad
    assert all("Copy the original from the phone again" in line for line in lines)
    assert f"{n_bad + 1} photos, 1 scored, {n_bad} refused" in result.stdout
    photos = read_table(base, "photo_scores").set_index("photo")
    assert len(photos) == n_bad + 1
    good = photos.loc[f"{VISIT}/lawn.jpg"]
    assert good["status"] == "scored"
    assert abs(good[list(SURFACE_SHARES)].sum() - 100) < 0.01
    assert photos.loc[photos["status"] == "refused", "green_cover_pct"].isna().all()


@pytest.mark.parametrize("number", range(len(BAD)), ids=list(BAD))
def test_the_line_says_what_the_file_is(bad_round: tuple[Path, Result], number: int) -> None:
    words = list(BAD.values())[number][1]
    (line,) = (n for n in bad_round[1].stdout.splitlines() if f"/{number:02d}.jpg: " in n)
    assert words in line


def test_a_second_run_decodes_nothing_and_says_the_same(
    bad_round: tuple[Path, Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    base, first = bad_round
    before = table_path(base, "photo_scores").read_bytes()

    def no_decoding(*_args: object) -> object:
        raise AssertionError("a photo was decoded")

    monkeypatch.setattr(read, "_read", no_decoding)
    second = run([base])
    assert second.exit_code == 1
    assert second.stdout.splitlines()[1:] == first.stdout.splitlines()[1:]
    assert table_path(base, "photo_scores").read_bytes() == before


def test_json_is_one_document_and_nothing_else(bad_round: tuple[Path, Result]) -> None:
    result = run([bad_round[0], "--json"])
    found = json.loads(result.stdout)
    assert result.exit_code == 1
    assert found["scored"] == 1
    assert found["photos"] == found["scored"] + len(found["refused"])
    assert {one["reason"] for one in found["refused"]} == {"unreadable"}
    assert set(found["tables"]) >= {"photo_scores", "visit_scores", "changes", "recovery"}


def test_a_round_that_goes_well(tmp_path: Path) -> None:
    base = new_round(tmp_path)
    put_lawn_photo(base)
    result = run([base, "--parquet"])
    assert result.exit_code == 0
    assert "1 photo, 1 scored, 0 refused." in result.stdout
    assert "Tables in" in result.stdout
    assert f"1 of 1: {VISIT}/lawn.jpg" in result.stderr
    assert table_path(base, "photo_scores", suffix=".parquet").is_file()


def test_a_photo_without_a_card_is_refused_with_advice(tmp_path: Path) -> None:
    base = new_round(tmp_path)
    path = put_photo(base)
    result = run([base])
    assert result.exit_code == 1
    assert f"{path.relative_to(base)}: cardless: " in result.stdout
    assert "Lay the card flat" in result.stdout


def test_misplaced_photos_give_status_one(tmp_path: Path) -> None:
    base = new_round(tmp_path)
    put_lawn_photo(base)
    put_photo(base, visit="photos/oak-lane")
    assert run([base]).exit_code == 1


def test_a_round_without_photos_gives_status_two(tmp_path: Path) -> None:
    result = run([new_round(tmp_path)])
    assert result.exit_code == 2
    assert "There are no photos. Put them in photos/LAWN/ZONE" in result.stdout


@pytest.mark.parametrize("arguments", [["nowhere"], ["nowhere", "--add"]])
def test_what_cannot_be_done_is_one_line(tmp_path: Path, arguments: list[str]) -> None:
    result = run([tmp_path / arguments[0], *arguments[1:]])
    assert isinstance(result.exception, LawnscoreError)
    assert len(str(result.exception).splitlines()) == 1


def test_an_error_ends_with_status_two(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["lawnscore", "score", str(tmp_path / "nowhere")])
    with pytest.raises(SystemExit) as ended:
        main.run()
    assert ended.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_ctrl_c_says_that_nothing_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    base = new_round(tmp_path)
    put_photo(base)

    def stopped(*_args: object, **_options: object) -> object:
        raise KeyboardInterrupt

    monkeypatch.setattr("lawnscore.scoring.batch.each_scored", stopped)
    result = run([base])
    assert result.exit_code == 130
    assert "run the same command again" in result.stderr
