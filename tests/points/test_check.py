"""How right the numbers are: biases by hand, groups, and what is said when there is little."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lawnscore.contract.settings import Settings
from lawnscore.points import check as module
from lawnscore.points.check import as_dict, check_points
from tests.points.fakes import FakeProgram, photo_table, point_rows

SHARES = np.tile([0.7, 0.1, 0.2, 0, 0], (8, 1))


@pytest.fixture
def round_of(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """Return a function that checks points against a program that always says the same."""

    def checked(points: pd.DataFrame) -> Any:
        cells = {f"{k:064x}": np.tile(SHARES[k], (100, 1)) for k in range(8)}
        fake = FakeProgram(photo_table(SHARES), cells)
        (tmp_path / "points.csv").write_text("x")
        opened = SimpleNamespace(path=tmp_path, settings=Settings())
        monkeypatch.setattr(module, "open_round", lambda *_: opened)
        monkeypatch.setattr(module, "read_points", lambda *_: points)
        monkeypatch.setattr(module, "Program", lambda *_: fake)
        return check_points(tmp_path)

    return checked


def seen(n_straw: int, n: int = 20) -> list[int]:
    """Return points: straw, two fifths of the rest soil, the rest green."""
    return [1] * n_straw + [2] * 4 + [0] * (n - n_straw - 4)


def test_the_bias_is_program_less_eye_with_the_photos_as_the_sample(round_of: Any) -> None:
    counts = [2, 4, 6, 4, 4, 4, 2, 6]
    points = pd.concat([point_rows(f"{k:064x}", seen(c)) for k, c in enumerate(counts)])
    found = round_of(points)
    straw = found.shares[1]
    gaps = 100 * (0.1 - np.array(counts) / 20)
    assert straw.measure == "straw_cover_pct"
    assert straw.bias.value == pytest.approx(gaps.mean()) == pytest.approx(-10)
    assert straw.bias.se >= gaps.std(ddof=1) / np.sqrt(8)  # never less than the photos show
    assert straw.bias.se < 0.05 * 100
    assert straw.bias.clear
    assert straw.program == pytest.approx(10.0)
    assert straw.eye.value == pytest.approx(20.0)
    assert not found.shares[2].bias.clear  # soil: 20 % either way
    assert straw.more_photos > 8
    assert found.n_points == 160
    assert found.agreement == pytest.approx((96 * 0.7 + 32 * 0.1 + 32 * 0.2) / 160)
    assert found.confusion.sum() == pytest.approx(160)


def test_an_interval_where_nothing_was_hit_is_not_nothing(round_of: Any) -> None:
    points = pd.concat([point_rows(f"{k:064x}", [0] * 20) for k in range(4)])
    litter = round_of(points).shares[4]
    assert litter.eye.value == 0
    assert litter.eye.high > 2.0
    assert litter.bias.low < -1.0 < 1.0 < litter.bias.high


def test_by_light_and_lawn_only_where_photos_are_enough(round_of: Any) -> None:
    points = pd.concat([point_rows(f"{k:064x}", seen(2)) for k in range(7)])
    groups = {(g.kind, g.name): g for g in round_of(points).groups}
    assert set(groups) == {("light", "open light"), ("light", "part in shade"), ("lawn", "lawn 0")}
    assert groups["light", "open light"].n_photos == 4
    assert groups["lawn", "lawn 0"].n_points == 60


def test_few_photos_have_no_interval_and_no_points_no_shares(round_of: Any) -> None:
    few = round_of(pd.concat([point_rows(f"{k:064x}", seen(2)) for k in range(2)]))
    assert math.isnan(few.shares[0].bias.low)
    assert few.shares[0].more_photos is None
    assert not few.shares[0].bias.clear
    none = round_of(point_rows(f"{0:064x}", [5, 5]))
    assert (none.n_points, none.n_untold, none.shares) == (0, 2, ())
    assert as_dict(none)["shares"] == {}


def test_points_of_photos_that_are_gone_are_counted_apart(round_of: Any) -> None:
    points = pd.concat([point_rows(f"{k:064x}", seen(2)) for k in range(4)])
    found = round_of(pd.concat([points, point_rows("f" * 64, [0, 0])]))
    assert found.n_stale == 2
    assert found.n_points == 80


def test_without_points_csv_there_is_nothing_to_say(scored: Path) -> None:
    assert check_points(scored) is None
