"""Photos of one visit in several lights err apart: the visit knows, and its changes are surer."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lawnscore import visit_scores
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import PHOTO_SCORES
from lawnscore.history import change_error
from lawnscore.history.change_error import Parts
from lawnscore.history.changes import changes
from tests.history.rounds import photo

DAY = 2.0


def told(*moments: object, camera: str | None = "one") -> pd.Series:
    rows = [photo("a", 0, taken_at=at, camera=camera) for at in moments]
    return visit_scores(PHOTO_SCORES.frame(rows)).loc[0]


@pytest.mark.parametrize(
    ("hours", "lights"),
    [
        ((10, 10, 10, 10), 1.0),
        ((10, 11, 12, 13), 1.0),  # each within two hours of the last
        ((10, 10, 13, 13), 2.0),
        ((10, 13, 13, 13), 1.6),  # 16 / (1 + 9)
        ((8, 11, 14, 17), 4.0),
    ],
)
def test_photos_hours_apart_are_of_several_lights(hours: tuple, lights: float) -> None:
    moments = [f"2024-05-01T{hour:02d}:00:00+02:00" for hour in hours]
    assert told(*moments)["lights"] == pytest.approx(lights)
    # what a phone does not write of its offset makes no other light
    assert told(*(m[:19] for m in moments[:2]), *moments[2:])["lights"] == pytest.approx(lights)


def test_what_is_not_said_is_not_known() -> None:
    row = told(None, None, camera=None)
    assert np.isnan(row["lights"])
    assert np.isnan(row["phones"])
    assert told(None, "2024-05-01T10:00:00")["lights"] == 1


def mixed(rng: np.random.Generator, lawns: int, *, apart: bool) -> pd.DataFrame:
    """Return visits of four photos, each in a light of its own or all in one; nothing changed."""
    rows = []
    for lawn in range(lawns):
        for visit in (0, 1):
            lights = rng.normal(0, DAY, 4) if apart else np.repeat(rng.normal(0, DAY), 4)
            for spot, light in zip("ABCD", lights, strict=True):
                hour = 7 + 3 * "ABCD".index(spot) if apart else 10
                rows.append(
                    photo(f"l{lawn}", 30 * visit, spot=spot, camera="one", card="c",
                          colour_reference="measured", version="1", settings_id="a",
                          green_cover_pct=80 + light + rng.normal(0, 0.3), green_cover_pct_se=8.0,
                          taken_at=f"2024-05-01T{hour:02d}:00:00")
                )  # fmt: skip
    return PHOTO_SCORES.frame(rows)


def test_a_change_of_visits_in_many_lights_is_narrower_and_still_holds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    parts = Parts(DAY, 1.0, 1.0, 1.0, 0.0, 0.0, 8.0, 0.0)
    monkeypatch.setattr(change_error, "error_parts", lambda: dict.fromkeys(MEASURES, parts))
    rng, half = np.random.default_rng(5), {}
    for apart in (False, True):
        photos = mixed(rng, 400, apart=apart)
        found = changes(visit_scores(photos), photo_scores=photos)
        found = found[found["measure"] == "green_cover_pct"]
        held = ((found["low"] <= 0) & (found["high"] >= 0)).mean()
        # 400 lawns: 95 % is known to 2 points either way
        assert 0.93 <= held <= 0.995
        half[apart] = float((found["high"] - found["low"]).median() / 2)
    assert half[False] == pytest.approx(1.96 * np.sqrt(2) * DAY, rel=0.05)
    assert half[True] < 0.65 * half[False]
