from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.tables import TASKS
from lawnscore.demo import round_plan
from lawnscore.demo.check import compare
from lawnscore.demo.demo_round import make_demo_round
from lawnscore.demo.round_people import PLACES, SURVEYED, complaint_rows
from lawnscore.register.folder import open_round
from lawnscore.register.programme import programme_problems
from lawnscore.register.register import read_register


def test_the_story_has_what_was_promised() -> None:
    jobs = round_plan.jobs(seed=1)
    lawns = {job.lawn for job in jobs}
    zones = {(job.lawn, job.zone) for job in jobs}
    assert len(lawns) >= 6
    assert sum(len([z for z in zones if z[0] == lawn]) == 2 for lawn in lawns) >= 2
    days = sorted({job.date for job in jobs})
    assert (pd.Timestamp(days[-1]) - pd.Timestamp(days[0])).days >= 360
    visits = pd.DataFrame([(j.lawn, j.zone, j.date, j.stage) for j in jobs]).value_counts()
    assert visits.between(2, 3).all()
    assert {job.stage for job in jobs} == {"before", "after", "check"}
    assert {job.flaw for job in jobs} - {""} <= set(REASONS)
    assert len({job.relative for job in jobs}) == len(jobs)


def test_same_spot_same_lawn_at_every_visit() -> None:
    jobs = [j for j in round_plan.jobs(seed=1) if (j.lawn, j.spot) == ("brook-end", "A")]
    assert len({job.lawn_seed for job in jobs}) == 1
    assert len({job.seed for job in jobs}) == len(jobs)


def test_work_is_in_the_words_of_the_contract() -> None:
    rows = round_plan.work_rows()
    assert {str(row["task"]) for row in rows} <= set(TASKS)
    assert any(TASKS[str(row["task"])] for row in rows)


@pytest.mark.parametrize("small", [False, True])
def test_complaints_and_places_are_of_the_lawns_of_the_round(small: bool) -> None:
    jobs = round_plan.jobs(seed=1, small=small)
    lawns = {job.lawn for job in jobs}
    rows = complaint_rows(jobs, small=small)
    assert {row["lawn"] for row in rows} <= lawns <= set(PLACES)
    assert SURVEYED[small] in lawns
    assert {row["photos"] for row in rows if "photos" in row} <= {job.relative for job in jobs}


def test_weather_is_one_row_a_day() -> None:
    days = [str(row["date"]) for row in round_plan.weather_rows(seed=1)]
    assert len(days) == len(set(days)) > 365


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small round cut down to two photos, one of which lacks the card."""
    folder = tmp_path_factory.mktemp("demo") / "round"
    every = round_plan.jobs(seed=3, small=True)
    chosen = [next(j for j in every if not j.flaw), next(j for j in every if j.flaw)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(round_plan, "jobs", lambda **_: chosen)
        made = make_demo_round(folder, seed=3, small=True, workers=1)
        assert made.n_made == 2
        again = make_demo_round(folder, seed=3, small=True, workers=1)
        assert again.n_made == 0
        assert again.rows == made.rows
    return folder


def test_round_is_one_that_can_be_opened(tiny: Path) -> None:
    opened = open_round(tiny)
    assert len(opened.photos) == 2
    assert not opened.misplaced
    assert opened.settings.scoring.card == "card.txt"
    register = read_register(tiny)
    assert register.problems == ()
    assert len(register.complaints) == 1
    assert register.lawns["latitude_deg"].notna().all()
    assert programme_problems(tiny) == []
    assert opened.settings.rates.hour_price is not None


def test_truth_has_a_row_a_photo(tiny: Path) -> None:
    with (tiny / "truth.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["status"] for row in rows] == ["scored", "refused"]
    assert 50 < float(rows[0]["green_cover_pct"]) <= 100
    assert rows[1]["green_cover_pct"] == ""
    assert all((tiny / row["photo"]).is_file() for row in rows)


def test_it_says_that_it_is_invented(tiny: Path) -> None:
    for name in ("round.toml", "README.md"):
        assert "invented" in (tiny / name).read_text(encoding="utf-8").lower()


def test_a_folder_of_somebody_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(LawnscoreError, match="not a demo round"):
        make_demo_round(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_small_and_full_do_not_mix(tiny: Path) -> None:
    with pytest.raises(LawnscoreError, match="small demo round"):
        make_demo_round(tiny, small=False)


def frame(*rows: tuple[str, str, float, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["photo", "status", "green_cover_pct", "casts_per_m2"])


def test_comparison_by_hand() -> None:
    nan = float("nan")
    truth = frame(("a", "scored", 80, 20), ("b", "scored", 60, 0), ("c", "refused", nan, nan),
                  ("d", "scored", 50, 0), ("e", "scored", 50, 0),
                  ("f", "refused", nan, nan))  # fmt: skip
    scores = frame(("a", "scored", 83, 15), ("b", "scored", 56, 0), ("c", "refused", nan, nan),
                   ("d", "refused", nan, nan), ("f", "scored", 9, 9))  # fmt: skip
    check = compare(truth, scores)
    assert check.cover_rmse == pytest.approx(((9 + 16) / 2) ** 0.5)
    assert check.cover_bias == pytest.approx(-0.5)
    assert (check.cast_photos, check.cast_rmse_pct) == (1, pytest.approx(25.0))
    assert check.refused_rightly == 1
    assert (check.missing, check.refused_wrongly, check.scored_wrongly) == (("e",), ("d",), ("f",))
    assert not check.as_meant
