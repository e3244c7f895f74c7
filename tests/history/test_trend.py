from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
from scipy import stats

from lawnscore.history.trend import mann_kendall, median_shift, pseudomedian, theil_sen

SERIES = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
GILBERT = [20, 20, 20, 20, 15, 20, 20, 30, 27, 26, 23, 35, 25, 28, 70, 26, 24, 34, 32, 23, 50, 30]


def test_mann_kendall_with_a_tie() -> None:
    # hand-worked university example: S 54, Z 2.9058, one-sided p 0.0018
    found = mann_kendall(SERIES)
    assert found.score == 54
    assert found.variance == pytest.approx(332.666667, abs=1e-5)
    assert found.z == pytest.approx(2.9058, abs=1e-4)
    assert found.p / 2 == pytest.approx(0.0018, abs=1e-4)


def test_mann_kendall_of_gilbert() -> None:
    # Gilbert 1987, p 212: Z = 3.1
    assert mann_kendall(GILBERT).z == pytest.approx(3.1, abs=0.05)


@pytest.mark.parametrize("series", [SERIES, GILBERT, [3, 2, 1], [1.0, 1, 1, 1]])
def test_mann_kendall_agrees_with_pymannkendall(series: list[float]) -> None:
    found, other = mann_kendall(series), pymannkendall.original_test(series)
    assert (found.score, found.variance) == pytest.approx((other.s, other.var_s))
    assert (found.z, found.p) == pytest.approx((other.z, other.p))


def test_theil_sen() -> None:
    # Theil 1950, Sen 1968; SciPy and pymannkendall agree
    found = theil_sen(SERIES)
    assert (found.slope, found.intercept) == pytest.approx((0.566667, 11.966667), abs=1e-5)
    assert (found.low, found.high) == pytest.approx((0.325, 0.866667), abs=1e-5)


def test_too_short_a_series_is_refused() -> None:
    with pytest.raises(ValueError, match="two values"):
        theil_sen([1.0])
    with pytest.raises(ValueError, match="three values"):
        mann_kendall([1.0, 2.0])


def test_hodges_lehmann() -> None:
    # Hollander & Wolfe 1973, depression scale factors and permeability constants
    x = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
    y = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])
    assert pseudomedian(x - y) == pytest.approx(0.46, abs=1e-6)
    assert stats.wilcoxon(x, y, alternative="greater").pvalue == pytest.approx(0.01953125)
    a = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    b = [1.15, 0.88, 0.90, 0.74, 1.21]
    assert median_shift(b, a) == pytest.approx(0.305, abs=1e-6)
    assert pseudomedian([1, 2, 3]) == 2
