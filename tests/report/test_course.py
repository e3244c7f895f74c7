from __future__ import annotations

from lawnscore.contract.settings import Settings
from lawnscore.report.course import course_of
from lawnscore.report.load import LawnRows, arrange
from tests.report.invented import RoundMaker


def lawn_with(points: list[dict]) -> LawnRows:
    from pathlib import Path

    import pandas as pd

    maker = RoundMaker()
    maker.lawn("L")
    frames = maker.frames() | {"courses": pd.DataFrame(points)}
    return arrange(Path("r"), Settings(), frames).lawns[0]


def point(day: int, cover: float, begun: str = "2025-08-07") -> dict:
    return {"lawn": "L", "zone": "all", "renovation_date": begun, "days": day, "cover": cover,
            "low": cover - 5, "high": cover + 5}  # fmt: skip


def test_the_course_is_the_one_the_history_fits() -> None:
    lawn = lawn_with([point(0, 40.0), point(30, 70.0), point(0, 1.0, "2020-01-01")])
    course = course_of(lawn, lawn.recovery[-1])
    assert course is not None
    assert (course.x, course.value) == ((0.0, 30.0), (40.0, 70.0))
    assert (course.low, course.high) == ((35.0, 65.0), (45.0, 75.0))


def test_where_the_history_fits_none_there_is_none() -> None:
    lawn = lawn_with([point(0, 40.0)])
    assert course_of(lawn, lawn.recovery[-1]) is None
