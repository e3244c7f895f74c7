"""An ageing card is noticed from the photos that are scored anyway."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from lawnscore.card.design import card_design
from lawnscore.scoring.card_watch import card_warnings

DESIGN = card_design("turf-a5")


class KeptScores:
    """Stands in for the ledger: what it kept of a series of photos."""

    def __init__(self, residuals: list[np.ndarray], card: str = "turf-a5") -> None:
        self.residuals = residuals
        self.card = card

    def extras(self, _method: Any) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
        for n, residual in enumerate(self.residuals):
            row = {
                "status": "scored",
                "card": self.card,
                "taken_at": f"2025-{1 + n // 3:02d}-0{1 + n % 3}",
            }
            yield str(n), row, {"patch_residual_lab": residual.tolist()}


def series(*, fade: float) -> list[np.ndarray]:
    """Residuals of 24 photos; the green patches yellow by `fade` b* in the later half."""
    rng = np.random.default_rng(5)
    turf = np.array([p.name.startswith("turf") for p in DESIGN.patches])
    out = []
    for n in range(24):
        residual = rng.normal(0, 0.4, (len(DESIGN.patches), 3))
        if n >= 12:
            residual[turf] += fade * np.array([0.6, 0.4, 1.0])
        out.append(residual)
    return out


def warnings(kept: KeptScores) -> tuple[str, ...]:
    return card_warnings(kept, SimpleNamespace(), None)  # type: ignore[arg-type]


def test_a_steady_card_is_not_warned_of() -> None:
    assert warnings(KeptScores(series(fade=0.0))) == ()


def test_a_faded_card_is_warned_of_once_with_figures_and_advice() -> None:
    (line,) = warnings(KeptScores(series(fade=2.0)))
    assert line.startswith("card turf-a5: its colour figures have moved, the colour index by 0.")
    assert "Print a new card" in line
    assert "\n" not in line


@pytest.mark.parametrize("n", [0, 5])
def test_too_few_photos_say_nothing(n: int) -> None:
    assert warnings(KeptScores(series(fade=2.0)[:n])) == ()


def test_a_card_that_is_not_known_says_nothing() -> None:
    assert warnings(KeptScores(series(fade=2.0), card="somebody's card")) == ()
