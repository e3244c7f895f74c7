"""Condition against its printed formula, by hand."""

from __future__ import annotations

import itertools
import math

import pytest

from lawnscore.contract.settings import ConditionWeights
from lawnscore.photo.condition import PARTS, condition, condition_se

GOOD = {
    "green_cover_pct": 96.0,
    "colour_index": 0.62,
    "evenness": 100.0,
    "bare_patch_pct": 0.0,
    "casts_per_m2": 0.0,
}
BAD = {
    "green_cover_pct": 30.0,
    "colour_index": 0.45,
    "evenness": 60.0,
    "bare_patch_pct": 15.0,
    "casts_per_m2": 80.0,
}
NO_ERROR = dict.fromkeys(GOOD, 0.0)


def test_best_and_worst() -> None:
    assert condition(GOOD, ConditionWeights()) == pytest.approx(100.0)
    assert condition(BAD, ConditionWeights()) == pytest.approx(0.0)


def test_worked_by_hand() -> None:
    values = GOOD | {"green_cover_pct": 63.0, "colour_index": 0.535, "casts_per_m2": 20.0}
    # 45 x 0.5 + 15 x 0.5 + 15 + 15 + 10 x 0.75
    assert condition(values, ConditionWeights()) == pytest.approx(67.5)


def test_only_proportions_of_weights_matter() -> None:
    values = GOOD | {"green_cover_pct": 50.0}
    once = condition(values, ConditionWeights(9, 3, 3, 3, 2))
    assert once == pytest.approx(condition(values, ConditionWeights()))


def test_a_weight_of_zero_leaves_the_part_out() -> None:
    weights = ConditionWeights(cover=1, colour=0, evenness=0, bare_patches=0, casts=0)
    assert condition(BAD | {"green_cover_pct": 63.0}, weights) == pytest.approx(50.0)


def test_unknown_colour_counts_nothing_and_unknown_cover_makes_it_unknown() -> None:
    weights = ConditionWeights()
    assert condition(GOOD | {"colour_index": math.nan}, weights) == pytest.approx(85.0)
    assert math.isnan(condition(GOOD | {"green_cover_pct": math.nan}, weights))


def test_more_casts_never_raise_it() -> None:
    weights = ConditionWeights()
    scores = [condition(GOOD | {"casts_per_m2": c}, weights) for c in range(0, 130, 5)]
    assert scores == sorted(scores, reverse=True)


USEFUL = {
    # what a year of lawns shows: the demo round, and standards where they go further
    "green_cover_pct": (34.0, 95.0),
    "colour_index": (0.48, 0.61),
    "evenness": (66.0, 99.0),
    "bare_patch_pct": (0.0, 14.0),
    "casts_per_m2": (0.0, 62.0),
}


@pytest.mark.parametrize("measure", USEFUL)
def test_each_part_moves_it_over_the_whole_useful_range(measure: str) -> None:
    low, high = USEFUL[measure]
    steps = [low + (high - low) * k / 10 for k in range(11)]
    scores = [condition(GOOD | {measure: value}, ConditionWeights()) for value in steps]
    moves = [abs(b - a) for a, b in itertools.pairwise(scores)]
    # no step of a tenth of the range is lost, and all weigh the same
    assert min(moves) > 0.5
    assert max(moves) == pytest.approx(min(moves))


@pytest.mark.parametrize(
    ("lawn", "low", "high"),
    [
        ("tired", 65.0, 82.0),
        ("full of casts", 75.0, 87.0),
        ("a third gone", 55.0, 70.0),
        ("good", 90.0, 98.0),
    ],
)
def test_it_neither_sits_at_100_nor_hides_a_loss(lawn: str, low: float, high: float) -> None:
    # figures of lawns of the demo round, which is invented
    measures = list(USEFUL)
    shown = {
        "tired": (77.6, 0.519, 89.9, 0.0, 0.3),
        "full of casts": (90.6, 0.544, 93.3, 0.0, 54.7),
        "a third gone": (66.2, 0.509, 77.8, 0.0, 0.6),
        "good": (94.4, 0.553, 100.0, 0.0, 0.1),
    }[lawn]
    value = condition(dict(zip(measures, shown, strict=True)), ConditionWeights())
    assert low < value < high


def test_error_adds_parts_that_err_together() -> None:
    values = GOOD | {"green_cover_pct": 60.0, "evenness": 70.0, "bare_patch_pct": 5.0}
    se = NO_ERROR | {"green_cover_pct": 1.32, "evenness": 0.8, "bare_patch_pct": 0.3}
    # 0.45 x 2 + 0.15 x 2 + 0.15 x 2
    assert condition_se(values, se, ConditionWeights()) == pytest.approx(1.5)


def test_error_of_casts_stands_alone() -> None:
    values = GOOD | {"casts_per_m2": 45.0, "green_cover_pct": 60.0}
    se = NO_ERROR | {"casts_per_m2": 8.0, "green_cover_pct": 1.32}
    expected = math.hypot(0.10 * 10.0, 0.45 * 2.0)
    assert condition_se(values, se, ConditionWeights()) == pytest.approx(expected)


def test_weights_must_make_sense() -> None:
    with pytest.raises(ValueError, match="weights of condition"):
        condition(GOOD, ConditionWeights(-1, 15, 15, 15, 10))
    with pytest.raises(ValueError, match="weights of condition"):
        condition(GOOD, ConditionWeights(0, 0, 0, 0, 0))


def test_every_weight_has_its_part() -> None:
    assert list(PARTS) == list(vars(ConditionWeights()))
