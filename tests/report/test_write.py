from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import ReportSettings, ScoringSettings, Settings
from lawnscore.report import lawn_files, write, write_reports
from lawnscore.report.language import words_for
from lawnscore.report.lawn_page import lawn_page
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.load import RoundRows, arrange, read_round
from lawnscore.report.pictures import PictureBook, picture_key
from lawnscore.scoring.tables import write_table
from tests.report.invented import LAST_DAY, RoundMaker, keep_turf_pictures, write_round


@pytest.fixture
def small(tmp_path: Path) -> tuple[Path, RoundMaker]:
    maker = RoundMaker()
    maker.lawn("A", n_visits=2, renovate=False)
    maker.lawn("B", n_visits=2, renovate=False)
    folder = write_round(tmp_path / "round", maker.frames())
    return folder, maker


def names(paths: tuple[Path, ...]) -> set[str]:
    return {f"{path.parent.name}/{path.name}" for path in paths}


def contents(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Return when each file of the reports was written, and what it holds."""
    reports = folder / "reports"
    found = [path for path in sorted(reports.rglob("*")) if path.is_file()]
    return {
        path.relative_to(reports).as_posix(): (path.stat().st_mtime_ns, path.read_bytes())
        for path in found
    }


def differing(before: dict[str, tuple[int, bytes]], after: dict[str, tuple[int, bytes]]) -> set:
    return {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}


def test_a_second_run_writes_nothing(small: tuple[Path, RoundMaker]) -> None:
    folder, maker = small
    keep_turf_pictures(folder, maker.frames())
    first = write_reports(folder, pdf=True, xlsx=True)
    assert {"customers/A.html", "customers/A.pdf"} <= names(first.written)
    before = contents(folder)
    second = write_reports(folder, pdf=True, xlsx=True)
    assert second.written == ()
    assert second.unchanged == len(first.written)
    assert differing(before, contents(folder)) == set()


def test_only_the_lawn_that_changed_is_written_again(small: tuple[Path, RoundMaker]) -> None:
    folder, maker = small
    keep_turf_pictures(folder, maker.frames())
    write_reports(folder, today=LAST_DAY)
    row = next(r for r in reversed(maker.rows["visit_scores"]) if r["lawn"] == "B")
    row["condition"] += 1
    write_table(folder, "visit_scores", maker.frames()["visit_scores"])
    before = contents(folder)
    again = names(write_reports(folder, today=LAST_DAY).written)
    assert again == {"customers/B.html", "lawns/B.html", "reports/index.html"}
    changed = differing(before, contents(folder))
    assert changed == {"customers/B.html", "lawns/B.html", "index.html"}


def test_a_visit_to_one_lawn_leaves_the_pages_of_the_others(tmp_path: Path) -> None:
    """What is fitted to a lawn leans on all of them, by hundredths that no page shows."""
    maker = RoundMaker()
    for name in "ABCDEF":
        maker.lawn(name, n_visits=8)
    folder = write_round(tmp_path / "round", maker.frames())
    write_reports(folder, today=LAST_DAY, pictures="none")
    before = read_round(folder, today=LAST_DAY)
    row = next(r for r in reversed(maker.rows["visit_scores"]) if r["lawn"] == "B")
    for column in ("green_cover_pct", "green_cover_pct_low", "green_cover_pct_high"):
        row[column] += 0.02
    write_table(folder, "visit_scores", maker.frames()["visit_scores"])
    after = read_round(folder, today=LAST_DAY)
    moved = [
        x.lawn for x, y in zip(before.lawns, after.lawns, strict=True) if x.courses != y.courses
    ]
    assert moved == list("ABCDEF")
    again = names(write_reports(folder, today=LAST_DAY, pictures="none").written)
    assert {"customers/B.html", "lawns/B.html"} <= again
    of_all = {"reports/index.html", "reports/visits.ics"}
    assert again <= {"customers/B.html", "lawns/B.html"} | of_all


def test_a_day_or_a_point_that_can_be_read_brings_a_page_up_to_date(rounds: RoundRows) -> None:
    files = lawn_files.LawnFiles(
        Path("reports"), words_for(ReportSettings()), Letterhead(),
        PictureBook(Path("round"), ScoringSettings()), False,
    )  # fmt: skip
    plain = next(lawn for lawn in rounds.lawns if lawn.recovery)
    told = dict(plain.recovery[0]) | {"days_to_95": 98.63}
    course = {"zone": "all", "renovation_date": "2025-04-01", "low": 40.0, "high": 50.0}

    def digest(days: float, cover: float) -> str:
        rows = (told | {"days_to_95": days}, *plain.recovery[1:])
        lawn = replace(plain, recovery=rows, courses=(course | {"cover": cover},))
        return files.digest(lawn, {})

    assert digest(98.63, 43.506) == digest(98.68, 43.508)
    assert digest(98.63, 43.506) != digest(98.43, 43.506)
    assert digest(98.63, 43.506) != digest(98.63, 43.4)


def test_the_picture_of_a_photo_that_was_removed_goes(small: tuple[Path, RoundMaker]) -> None:
    folder, maker = small
    keep_turf_pictures(folder, maker.frames())
    write_reports(folder, today=LAST_DAY)
    rows = maker.rows["photo_scores"]
    gone = next(row for row in rows if row["lawn"] == "B")
    rows.remove(gone)
    write_table(folder, "photo_scores", maker.frames()["photo_scores"])
    places = (folder / "reports" / "lawns" / "pictures", folder / ".lawnscore" / "pictures")
    n_before = [len(list(place.iterdir())) for place in places]
    write_reports(folder, today=LAST_DAY)
    for place, n, n_each in zip(places, n_before, (1, 3), strict=True):
        assert not list(place.glob(f"{picture_key(gone)}*"))
        assert len(list(place.iterdir())) == n - n_each


def test_what_a_killed_run_left_is_repaired(
    small: tuple[Path, RoundMaker], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, maker = small
    write_reports(folder, today=LAST_DAY)
    wanted = contents(folder)
    row = maker.rows["visit_scores"][0]
    row["green_cover_pct"] += 5
    write_table(folder, "visit_scores", maker.frames()["visit_scores"])
    real = lawn_files.write_whole

    def cut_off(path: Path, data: bytes) -> None:
        if path.parent.name == "lawns":
            raise KeyboardInterrupt
        real(path, data)

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(lawn_files, "write_whole", cut_off)
        write_reports(folder, today=LAST_DAY)
    page = folder / "reports" / "customers" / "A.html"
    assert page.read_bytes() != wanted["customers/A.html"][1]
    # The table is as it was, as far as the notes on the last run know; the page is not.
    row["green_cover_pct"] -= 5
    write_table(folder, "visit_scores", maker.frames()["visit_scores"])
    (folder / "reports" / "lawns" / "B.html").write_bytes(b"<html>half a pa")
    assert names(write_reports(folder, today=LAST_DAY).written) == {
        "customers/A.html",
        "lawns/B.html",
    }
    repaired = contents(folder)
    assert {name: held for name, (_, held) in repaired.items()} == {
        name: held for name, (_, held) in wanted.items()
    }


def test_processes_write_what_one_process_writes(
    small: tuple[Path, RoundMaker], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, maker = small
    keep_turf_pictures(folder, maker.frames())
    write_reports(folder, today=LAST_DAY)
    wanted = contents(folder)
    (folder / ".lawnscore" / "reports.json").unlink()
    for name in ("A", "B"):
        (folder / "reports" / "customers" / f"{name}.html").unlink()
    monkeypatch.setattr(write, "LAWNS_FOR_PROCESSES", 1)
    written = names(write_reports(folder, today=LAST_DAY).written)
    assert written == {"customers/A.html", "customers/B.html"}
    made = contents(folder)
    assert {name: held for name, (_, held) in made.items()} == {
        name: held for name, (_, held) in wanted.items()
    }


def test_a_picture_that_came_later_brings_the_page_up_to_date(
    small: tuple[Path, RoundMaker],
) -> None:
    folder, maker = small
    write_reports(folder)
    keep_turf_pictures(folder, maker.frames())
    assert "customers/A.html" in names(write_reports(folder).written)
    page = (folder / "reports/customers/A.html").read_text(encoding="utf-8")
    assert page.count("data:image/jpeg") == 2
    links = list((folder / "reports/lawns/pictures").glob("*.jpg"))
    assert len(links) == 16


def test_the_report_of_a_lawn_that_left_goes_too(small: tuple[Path, RoundMaker]) -> None:
    folder, maker = small
    keep_turf_pictures(folder, maker.frames())
    write_reports(folder)
    places = (folder / "reports/lawns/pictures", folder / ".lawnscore/pictures")
    n_before = [len(list(place.iterdir())) for place in places]
    stays = RoundMaker()
    stays.lawn("A", n_visits=2, renovate=False)
    write_round(folder, stays.frames())
    mine = folder / "reports" / "customers" / "note.html"
    mine.write_text("kept", encoding="utf-8")
    write_reports(folder)
    assert not (folder / "reports/customers/B.html").exists()
    assert (folder / "reports/customers/A.html").exists()
    assert mine.exists()  # only files this program wrote are removed
    assert [2 * len(list(place.iterdir())) for place in places] == n_before


def test_one_lawn_alone(small: tuple[Path, RoundMaker]) -> None:
    folder, _ = small
    summary = write_reports(folder, lawns=["B"])
    assert summary.lawns == 1
    assert summary.opens.name == "B.html"
    assert not (folder / "reports/customers/A.html").exists()
    assert summary.index.exists()


def test_an_unknown_lawn_is_one_clear_line(small: tuple[Path, RoundMaker]) -> None:
    with pytest.raises(LawnscoreError, match=r"there is no lawn `Bb`.*`B`"):
        write_reports(small[0], lawns=["Bb"])


def test_a_round_that_was_not_scored_says_so(tmp_path: Path) -> None:
    (tmp_path / "round.toml").write_text("", encoding="utf-8")
    with pytest.raises(LawnscoreError, match="lawnscore score"):
        write_reports(tmp_path)


def test_a_broken_state_file_costs_time_and_nothing_else(small: tuple[Path, RoundMaker]) -> None:
    folder, _ = small
    write_reports(folder)
    (folder / ".lawnscore" / "reports.json").write_text("{", encoding="utf-8")
    (folder / "reports" / "customers" / "A.html").unlink()
    assert names(write_reports(folder).written) == {"customers/A.html"}


def test_an_empty_round_has_its_pages(tmp_path: Path) -> None:
    folder = write_round(tmp_path / "round", RoundMaker().frames())
    summary = write_reports(folder, pdf=True)
    assert "There is no lawn in this round yet" in summary.index.read_text(encoding="utf-8")


def test_progress_counts_every_lawn(small: tuple[Path, RoundMaker]) -> None:
    seen: list[tuple[int, int, str]] = []
    write_reports(small[0], progress=lambda *step: seen.append(step))
    assert seen == [(1, 2, "A"), (2, 2, "B")]


def test_a_logo_is_drawn_anew_and_must_be_a_picture_of_the_round(tmp_path: Path) -> None:
    from PIL import Image

    from lawnscore.contract.settings import ReportSettings
    from lawnscore.report.letterhead import read_letterhead

    exif = Image.Exif()
    exif[0x010E] = "secret place"
    Image.new("RGB", (900, 300), "navy").save(tmp_path / "logo.jpg", exif=exif)
    head = read_letterhead(ReportSettings(logo="logo.jpg"), tmp_path)
    assert head.logo_png.startswith(b"\x89PNG")
    assert b"secret" not in head.logo_png
    (tmp_path / "text.png").write_text("no picture", encoding="utf-8")
    for logo, match in (
        ("gone.png", "is not there"),
        ("text.png", "not a picture"),
        ("../logo.jpg", "outside the round"),
    ):
        with pytest.raises(LawnscoreError, match=match):
            read_letterhead(ReportSettings(logo=logo), tmp_path)


@pytest.mark.parametrize(("language", "words"), [("en", "stricter"), ("de", "strenger")])
def test_the_glance_says_that_verdicts_are_stricter_than_intervals(
    tmp_path: Path, language: str, words: str
) -> None:
    """“No clear change” stands beside intervals without 0: a reader must be told why."""
    maker = RoundMaker()
    maker.lawn("A", n_visits=2, renovate=False)
    folder = write_round(tmp_path / "round", maker.frames())
    (folder / "round.toml").write_text(f'[report]\nlanguage = "{language}"\n', encoding="utf-8")
    write_reports(folder)
    for page in ("index.html", "lawns/A.html"):
        assert words in (folder / "reports" / page).read_text(encoding="utf-8")


def test_a_recovery_that_may_never_end_says_so_in_its_range() -> None:
    maker = RoundMaker()
    maker.lawn("A", n_visits=8)
    row = maker.rows["recovery"][0]
    row.update(days_to_95=308.0, days_to_95_low=250.0, days_to_95_high=None)
    lawn = arrange(Path("r"), Settings(), maker.frames()).lawns[0]
    assert "250</data> or more" in lawn_page(lawn, words_for(ReportSettings()))


def test_amounts_of_work_are_written_as_people_write_them(tmp_path: Path) -> None:
    maker = RoundMaker()
    maker.lawn("A", n_visits=2, renovate=False)
    maker.rows["work"].append(
        {"date": "2025-04-15", "lawn": "A", "zone": "all", "task": "feed",
         "product": "invented feed", "rate": 30.0, "rate_unit": "g/m2"}
    )  # fmt: skip
    folder = write_round(tmp_path / "round", maker.frames())
    write_reports(folder)
    for page in ("lawns/A.html", "customers/A.html"):
        assert "30 g/m²" in (folder / "reports" / page).read_text(encoding="utf-8")
