"""The figures of the accuracy study are themselves right."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import accuracy_cases as cases
import accuracy_real as real
import accuracy_tables as tables
from accuracy_truth import match_casts

from lawnscore.demo.camera import CAMERAS
from lawnscore.photo.casts import Casts


def test_mask_figures_worked() -> None:
    # Definitions; Cohen 1960 for kappa. TP 80, FP 10, FN 20, TN 890.
    found = real.from_counts(80, 10, 20, 890)
    expected = {
        "precision": 0.888889,
        "recall": 0.8,
        "f1": 0.842105,
        "iou": 0.727273,
        "accuracy": 0.97,
        "kappa": 0.825581,
    }
    assert found == pytest.approx(expected, abs=1e-6)


def test_masks_are_counted_pixel_by_pixel() -> None:
    true = np.zeros((10, 10), bool)
    true[:5] = True
    found = np.zeros((10, 10), bool)
    found[:4] = True
    found[9] = True
    assert real.segmentation(found, true) == pytest.approx(real.from_counts(40, 10, 10, 40))


# Worked index values: Woebbecke 1995 (ExG), Meyer & Neto 2008 (ExGR with ExR = 1.4 r - g).
@pytest.mark.parametrize(
    ("rgb", "excess_green", "plant"),
    [((60, 100, 40), 0.5, True), ((120, 90, 60), 0.0, False), ((180, 160, 110), 0.066667, False)],
)
def test_baselines_worked(rgb: tuple[int, int, int], excess_green: float, plant: bool) -> None:
    pixel = np.array([[rgb]], np.uint8)
    assert real._excess_green(pixel)[0, 0] == pytest.approx(excess_green, abs=1e-5)
    assert bool(real.excess_green_minus_red(pixel)[0, 0]) is plant


def casts(places: list[tuple[float, float]], chance: float = 1.0) -> Casts:
    x, y = np.array(places, float).reshape(-1, 2).T
    return Casts(x, y, np.full(x.size, 30.0), np.full(x.size, chance))


def test_casts_are_paired_one_to_one_within_reach() -> None:
    true = casts([(0, 0), (100, 0), (300, 0)])
    found = casts([(5, 0), (-5, 0), (112, 0), (200, 0)])
    figures = match_casts(found, true)
    assert (figures["hits"], figures["found"], figures["true"]) == (2, 4, 3)
    assert match_casts(casts([(0, 0)], chance=0.2), true)["found"] == 0
    assert match_casts(casts([]), true)["hits"] == 0


def result(value: float, truth: float, se: float = 1.0) -> dict:
    row = {"status": "scored", "green_cover_pct": value, "green_cover_pct_se": se}
    return {"row": row, "truth": {"green_cover_pct": truth}, "tags": {}}


def test_errors_and_their_ratio_to_what_is_stated() -> None:
    some = [result(52, 50, 2.0), result(47, 50, 2.0), result(50, float("nan"))]
    assert tables.errors(some, "green_cover_pct") == pytest.approx([2, -3])
    assert tables.ratios(some, "green_cover_pct") == pytest.approx([1, -1.5])
    assert tables.rms(np.array([3.0, -4.0])) == pytest.approx(np.sqrt(12.5))


def test_only_the_report_family_is_used() -> None:
    for case in [*cases.cover_cases(4, 1), *cases.cast_cases(1, 1), *cases.spoilt_cases(1, 1)]:
        assert CAMERAS[case.camera.name].family == "report"
        assert case.spec.tint.family == "report"


def test_same_seed_same_cases() -> None:
    first = [case.key for case in cases.same_lawn_cases(1, 3, 5)]
    assert first == [case.key for case in cases.same_lawn_cases(1, 3, 5)]
    assert first != [case.key for case in cases.same_lawn_cases(1, 3, 6)]


def test_tables_print_as_text_and_markdown() -> None:
    table = tables.Table("A title", ("a", "b"), (("1", "22"),), ("A note.",))
    assert "| 1 | 22 |" in tables.markdown(table)
    assert "A note." in tables.plain(table)


def test_the_study_runs_small_and_writes_its_tables(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import accuracy

    page = tmp_path / "ACCURACY.md"
    page.write_text("before\n<!-- tables -->\nold\n<!-- end of tables -->\nafter\n", "utf-8")
    options = ["--quick", "--tables", "patches", "--jobs", "1", "--markdown", str(page)]
    assert accuracy.main([*options, "--results", str(tmp_path)]) == 0
    assert "Bare patches above 25 cm2" in capsys.readouterr().out
    text = page.read_text("utf-8")
    assert text.startswith("before")
    assert text.endswith("after\n")
    assert "old" not in text
    assert "| recall |" in text


def test_the_speed_study_runs_small(capsys: pytest.CaptureFixture[str]) -> None:
    import speed

    assert speed.main(["--quick", "--stages"]) == 0
    printed = capsys.readouterr().out
    for words in ("full decode", "ratio", "peak memory", "classify"):
        assert words in printed
