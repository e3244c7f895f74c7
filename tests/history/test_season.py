from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.history.season import (
    day_length_h,
    growth_clock,
    growth_potential,
    read_weather,
)


def test_growth_potential_cool() -> None:
    # Gelernter & Stowell 2005, Golf Course Manag. 73(3): 20 degrees C, width 5.5
    t = [5, 8, 10, 12, 15, 18, 20, 22, 25, 30]
    expected = [0.024258, 0.092535, 0.191495, 0.347201, 0.661515, 0.936023, 1, 0.936023, 0.661515]
    assert np.allclose(growth_potential(t), [*expected, 0.191495], atol=1e-6)


def test_growth_potential_warm_is_held_above_the_optimum() -> None:
    # as above, later revision
    expected = [0.290924, 0.692569, 1, 1]
    assert np.allclose(growth_potential([20, 25, 31, 35], season="warm"), expected, atol=1e-6)


def test_day_length() -> None:
    # FAO-56, equations 24 to 34; worked example 20 S, 3 September: 11.7 h
    assert day_length_h(-20, 246) == pytest.approx(11.66559, abs=1e-4)
    expected = [11.949, 16.493, 11.125, 7.507]
    assert np.allclose(day_length_h(52, [80, 172, 276, 355]), expected, atol=2e-3)


def test_day_length_beyond_the_polar_circle() -> None:
    assert day_length_h(80, [172, 355]).tolist() == [24, 0]


def weather(days: int, start: str = "2024-01-01") -> pd.DataFrame:
    day = np.arange(days)
    mean = 11 - 8 * np.cos(2 * np.pi * (day - 15) / 365.25)
    dates = (np.datetime64(start) + day).astype(str)
    return pd.DataFrame({"date": dates, "mean_c": mean})


def test_usual_temperature_of_one_year_is_its_wave() -> None:
    record = read_weather(weather(366))
    assert record is not None
    assert record.usual_c[14] == pytest.approx(3.0, abs=0.1)
    assert record.usual_c[197] == pytest.approx(19.0, abs=0.1)


def test_gaps_in_the_weather_are_bridged() -> None:
    table = weather(400).drop(index=range(100, 105))
    record = read_weather(table)
    assert record is not None
    assert len(record.mean_c) == 400
    assert np.allclose(record.mean_c, weather(400)["mean_c"], atol=0.05)


def test_growth_clock_goes_there_and_back() -> None:
    record = read_weather(weather(800))
    assert record is not None
    clock = growth_clock(record, record.first_day, record.last_day)
    days = record.first_day + np.array([10.0, 200.0, 1200.0])
    assert np.allclose(clock.day_of(clock.at(days)), days)
    summer = clock.at(record.first_day + 200) - clock.at(record.first_day + 199)
    assert summer == pytest.approx(float(growth_potential(record.mean_c[199])), abs=1e-6)


def test_no_weather_is_none_and_a_missing_column_is_named() -> None:
    assert read_weather(None) is None
    with pytest.raises(LawnscoreError, match="no column `mean_c`"):
        read_weather(pd.DataFrame({"date": ["2024-01-01"]}))
