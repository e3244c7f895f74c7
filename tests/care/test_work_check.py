from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.care.work_check import work_problems
from lawnscore.register.register import read_register

HEAD = "product,registration_no,start_time,date,lawn,zone,task,rate,rate_unit,n_pct,who\n"


def found(tmp_path: Path, *rows: str) -> list[str]:
    (tmp_path / "lawns.csv").write_text("lawn,zone,area_m2\nelm,front,80\nelm,back,40\n")
    (tmp_path / "work.csv").write_text(
        HEAD + "".join(f"invented,000-00,08:15,2026-03-05,elm,{row}\n" for row in rows)
    )
    return [problem.line() for problem in work_problems(read_register(tmp_path))]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("front,feed,35,grams,5,", "`grams` is no unit of a rate"),
        ("front,feed,35,m2,5,", "`m2` is no unit of a rate"),
        ("front,feed,350,g/m2,5,", "far above what labels of feed usually ask (up to 100 g/m2)"),
        ("front,feed,60,g/m2,20,", "12 g/m2 of N at once"),
        ("front,spray,5000,l/ha,,Sam", "far above what labels of spray usually ask"),
        ("front,spray,200,l/ha,,", "row 2, column who: spray without who did it"),
        ("front,overseed,3,kg/m2,,", "far above"),
    ],
)
def test_what_is_odd_is_said_with_its_row(tmp_path: Path, row: str, said: str) -> None:
    (line,) = found(tmp_path, row)
    assert said in line


@pytest.mark.parametrize(
    "row",
    [
        "front,feed,35,g/m2,5,",
        "front,feed,350,kg/ha,10,",
        "front,feed,4,lb/1000 sq ft,20,",
        "front,spray,200,l/ha,,Sam",
        "front,spray,3,gal/acre,,Sam",
        "front,overseed,35,g/m2,,",
        "front,mow,,,,",
    ],
)
def test_what_is_usual_passes(tmp_path: Path, row: str) -> None:
    assert found(tmp_path, row) == []


def test_work_on_a_whole_lawn_is_told_once(tmp_path: Path) -> None:
    assert len(found(tmp_path, "all,spray,200,l/ha,,")) == 1
