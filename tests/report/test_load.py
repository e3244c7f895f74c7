from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.contract.settings import Settings
from lawnscore.contract.tables import ATTENTION
from lawnscore.report.load import RoundRows, arrange, file_stems, read_round

FORBIDDEN = set('/\\<>:"|?*%#') | {chr(c) for c in range(32)}


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=90), unique=True))
def test_stems_are_safe_and_never_shared(names: list[str]) -> None:
    stems = file_stems(names)
    assert len({stem.casefold() for stem in stems.values()}) == len(names)
    for stem in stems.values():
        assert stem
        assert not FORBIDDEN & set(stem)
        assert stem.strip(" .") == stem
        assert len(stem.encode()) < 120


@pytest.mark.parametrize("name", ["../../etc/passwd", "..", ".", "/", "C:\\x", "con", "a\x00b"])
def test_a_name_cannot_leave_its_folder(name: str, tmp_path: Path) -> None:
    target = tmp_path / f"{file_stems([name])[name]}.html"
    assert target.resolve().parent == tmp_path.resolve()


def test_names_people_use_stay_as_they_are() -> None:
    names = ["12 Elm Road", "Müller", "O'Neill & Sons"]
    assert file_stems(names) == {name: name for name in names}


def test_names_that_differ_in_case_alone_get_files_of_their_own() -> None:
    stems = file_stems(["Elm", "elm"])
    assert stems["Elm"].casefold() != stems["elm"].casefold()


def test_rows_are_sorted_by_time_and_lawns_by_number() -> None:
    from tests.report.invented import RoundMaker

    maker = RoundMaker()
    for lawn in ("lawn 10", "lawn 2"):
        maker.lawn(lawn, n_visits=2)
    rounds = arrange(Path("r"), Settings(), maker.frames())
    assert [lawn.lawn for lawn in rounds.lawns] == ["lawn 2", "lawn 10"]
    assert [v["date"] for v in rounds.lawns[0].visits] == ["2025-03-10", "2025-04-09"]


def test_a_lawn_of_the_register_without_photos_is_there(rounds: RoundRows) -> None:
    never = next(lawn for lawn in rounds.lawns if lawn.lawn == "Never")
    assert never.photos == ()
    assert never.zones == ("all",)
    assert never.last_date is None
    assert never.area_m2 == 90.0


def test_unknown_becomes_none(rounds: RoundRows) -> None:
    refused = next(lawn for lawn in rounds.lawns if lawn.lawn == "Refused")
    assert refused.visits[0]["green_cover_pct"] is None
    assert refused.photos[0]["spot"] == "spot1"


def test_no_visit_is_suggested_for_the_day_of_the_last_one(tmp_path: Path) -> None:
    from tests.report.invented import RoundMaker, write_round

    maker = RoundMaker()
    maker.lawn("elm", n_visits=2)
    frames = maker.frames()
    newest = str(frames["photo_scores"]["date"].max())
    flag = {
        "rank": 1,
        "lawn": "elm",
        "zone": str(frames["visit_scores"]["zone"].iloc[0]),
        "flag": "cover falling",
        "since": newest,
        "evidence": "invented",
        "next_step": "look",
        "urgency": 50.0,
    }
    frames["attention"] = ATTENTION.frame([flag])
    lawn = read_round(write_round(tmp_path / "round", frames)).lawns[0]
    assert lawn.next_visits
    assert all(row["date"] > newest for row in lawn.next_visits)
