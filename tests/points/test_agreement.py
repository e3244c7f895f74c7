"""Cohen's kappa beside a worked value and two reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from lawnscore.points.agreement import cohen_kappa, counts_of


def test_a_worked_value() -> None:
    """Counts [[20, 5], [10, 15]]: 0.70 observed, 0.50 by chance, kappa 0.40 (formula of Cohen
    1960, "A coefficient of agreement for nominal scales", Educ. Psychol. Meas. 20:37-46)."""
    found = cohen_kappa([[20, 5], [10, 15]])
    assert found.observed == pytest.approx(0.70, abs=1e-12)
    assert found.by_chance == pytest.approx(0.50, abs=1e-12)
    assert found.kappa == pytest.approx(0.40, abs=1e-12)
    assert found.n == 50


@pytest.mark.parametrize("seed", range(5))
def test_kappa_and_its_error_are_those_of_reference_libraries(seed: int) -> None:
    """statsmodels' `cohens_kappa` and scikit-learn's `cohen_kappa_score`."""
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 5, 300)
    second = np.where(rng.random(300) < 0.8, first, rng.integers(0, 5, 300))
    counts = counts_of(first, second, 5)
    found = cohen_kappa(counts)
    reference = cohens_kappa(counts)
    assert found.kappa == pytest.approx(reference.kappa, abs=1e-12)
    assert found.kappa == pytest.approx(cohen_kappa_score(first, second), abs=1e-12)
    assert found.kappa_se == pytest.approx(reference.std_kappa, rel=1e-9)


def test_one_class_alone_has_agreement_but_no_kappa() -> None:
    found = cohen_kappa([[30, 0], [0, 0]])
    assert found.observed == 1.0
    assert math.isnan(found.kappa)
    assert math.isnan(cohen_kappa(np.zeros((5, 5))).observed)
