"""The figures of the accuracy study are themselves right."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from benchmarks.accuracy import cases, draws, objects, refusing, sources, tables, truth
from benchmarks.accuracy import real_tables as real
from benchmarks.accuracy.run import Store, program_id
from benchmarks.accuracy.truth import match_casts
from lawnscore.demo.camera import CAMERAS
from lawnscore.photo import sharpness
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


def test_errors_are_told_by_what_was_photographed() -> None:
    some = []
    for n, case in enumerate(cases.cover_cases(8, 1)):
        made = truth.made_of(case)
        known = dict.fromkeys(tables.SHARES.values(), 50.0)
        row = known | {"status": "scored", "green_cover_pct": 50.0 + n, "green_cover_pct_se": 1.0}
        some.append({"row": row, "truth": known, "made": made})
    table = tables.cover_by_condition_table(some)
    cameras = [row for row in table.rows if row[0] == "camera"]
    assert sum(int(row[2]) for row in cameras) == 8
    assert {row[1] for row in cameras} <= {c.name for c in draws.REPORT_CAMERAS}
    lights = {row[1] for row in table.rows if row[0] == "light"}
    assert lights <= {"overcast", "hazy", "sun", "low sun"}


def test_casts_are_counted_by_state() -> None:
    figures = {"true": 40, "found": 30, "hits": 20, "expected": 44.0}
    some = [
        {"row": {"status": "scored"}, "tags": {"density": d}, "casts": figures,
         "made": {"spec": {"cast_state": state}}}
        for d, state in ((0.0, "dry"), (10.0, "dry"), (40.0, "dry"), (40.0, "wet"))
    ]  # fmt: skip
    dry, wet = objects.casts_by_state_table(some).rows
    assert dry == ("dry", "2", "80", "88", "10.0", "0.50", "0.67", "0.57")
    assert wet[:3] == ("wet", "1", "40")


def test_only_the_report_family_is_used() -> None:
    for case in [*cases.cover_cases(4, 1), *cases.odd_cases(6, 1), *cases.spoilt_cases(1, 1, 1)]:
        assert CAMERAS[case.camera.name].family == "report"
        assert case.spec.tint.family == "report"


def test_same_seed_same_cases() -> None:
    first = [case.key for case in cases.same_lawn_cases(1, 3, 5)]
    assert first == [case.key for case in cases.same_lawn_cases(1, 3, 5)]
    assert first != [case.key for case in cases.same_lawn_cases(1, 3, 6)]


def test_tables_print_as_text_and_markdown() -> None:
    table = tables.Table("A title", ("a", "mean |b|"), (("1", "22"),), ("A note.",))
    assert "| a | mean \\|b\\| |\n| --- | --- |\n| 1 | 22 |" in tables.markdown(table)
    assert "A note." in tables.plain(table)


def test_sets_share_no_photo() -> None:
    from benchmarks.accuracy import rendered as accuracy

    keys = {}
    for name, seed in (accuracy.SEEDS | {"quick": accuracy.QUICK_SEED}).items():
        keys[name] = {c.key for s in accuracy.STUDIES.values() for c in s.quick(seed)}
    assert not keys["choosing"] & keys["reporting"]
    assert not keys["quick"] & (keys["choosing"] | keys["reporting"])
    assert len(keys["reporting"]) == sum(
        len(list(s.quick(accuracy.SEEDS["reporting"]))) for s in accuracy.STUDIES.values()
    )


@pytest.mark.parametrize("share", [0.15, 0.5])
def test_frames_are_shaded_as_asked(share: float) -> None:
    for case in cases.shade_cases(2, 3):
        assert cases.shade_seen(cases.shaded(case, share)) == pytest.approx(share, abs=0.02)
    spread = sorted(cases.shade_seen(case) for case in cases.shade_cases(10, 3))
    assert 0.08 < spread[0] < 0.25
    assert 0.5 < spread[-1] < 0.62


def test_interval_of_a_share_worked() -> None:
    # Newcombe 1998, Statist. Med. 17:857, table I, method 3: 81 of 263, 15 of 148, 0 of 20.
    assert tables.wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert tables.wilson(15, 148) == pytest.approx((0.0624, 0.1605), abs=5e-5)
    assert tables.wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)


def test_sources_add_up_to_what_they_add_together() -> None:
    square = {
        frozenset(have): 1.0 + 4.0 * ("light" in have) + 2.0 * ("camera" in have)
        + 3.0 * ("camera" in have and "card" in have)
        for n in range(4)
        for have in combinations(sources.SOURCES, n)
    }  # fmt: skip
    # Worked by hand: what two sources do together is shared between them.
    expected = {"light": 4.0, "camera": 3.5, "card": 1.5}
    assert sources.shapley(square) == pytest.approx(expected)


def photo(error: float, reason: str | None = None, *, kind: str = "blur") -> dict:
    """A photo off by so much, scored or refused; NaN where no number can be made."""
    names = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct")
    row = dict.fromkeys(names, 50.0 + error) | {"status": "scored", "reason": None}
    truth = dict.fromkeys(names, 50.0)
    base = {"tags": {"kind": kind, "level": 1.0}, "true_shade_pct": 20.0}
    if reason is None:
        return base | {"row": row, "truth": truth}
    known = {} if np.isnan(error) else {"unchecked": {"row": row, "truth": truth}}
    refused = dict.fromkeys(names) | {"status": "refused", "reason": reason}
    return base | {"row": refused} | known


def test_refusals_are_judged_by_the_error_they_spare() -> None:
    spoilt = [photo(14, "blurred"), photo(-30, "shaded"), photo(11), photo(2, "blurred"),
              photo(float("nan"), "cardless"), photo(3)]  # fmt: skip
    results = {
        "refusing": [*spoilt, photo(1, kind="none")],
        "cover": [photo(1), photo(1, "shaded")],
        "shade": [],
    }
    value = {row[0]: row[1] for row in refusing.refusing_summary(results).rows}
    assert value["photos off by more than 10 points that are refused"].startswith("2 of 3: 66.7 %")
    assert value["good photos refused"].startswith("1 of 3: 33.3 %")
    vain = "spoilt photos refused though off by no more than 5 points"
    assert value[vain].startswith("1 of 6")
    assert [row[3] for row in refusing.refusing_table(spoilt).rows] == ["4"]


def test_a_refused_photo_is_scored_with_the_checks_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = next(cases.spoilt_cases(1, 1, 5, ("tilt",)))
    spec = replace(case.spec, width_mm=900.0, height_mm=700.0, green=0.9)
    view = replace(case.view, width_px=1200, height_px=900, aim_mm=(450.0, 350.0), tilt_deg=15.0,
                   card_centre_mm=(400.0, 300.0))  # fmt: skip
    monkeypatch.setattr(sharpness, "MAX_BLUR_MM", 0.001)
    result = truth.run_case(replace(case, spec=spec, view=view), tmp_path)
    assert result["row"]["reason"] == "blurred"
    assert result["row"]["green_cover_pct"] is None
    off = result["unchecked"]
    assert off["row"]["green_cover_pct"] == pytest.approx(off["truth"]["green_cover_pct"], abs=12)


def test_results_of_a_run_that_was_cut_off_are_kept(tmp_path: Path) -> None:
    first, second = (c for c in cases.cover_cases(2, 1))
    store = Store(tmp_path)
    store.add([{"study": "cover", "key": first.key, "row": 1}])
    with (tmp_path / "cover.jsonl").open("a") as file:
        file.write('{"study": "cover", "key": "' + second.key)
    assert list(store.read([first, second])) == [first.key]
    store.add([{"study": "cover", "key": second.key, "row": 2}])
    assert [r["row"] for r in store.read([first, second]).values()] == [1, 2]
    old = (tmp_path / "cover.jsonl").read_text().replace(program_id(), "00000000")
    (tmp_path / "cover.jsonl").write_text(old)
    assert store.read([first, second]) == {}
    assert len(Store(tmp_path, any_program=True).read([first, second])) == 2


def test_the_study_runs_small_and_writes_its_tables(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchmarks.accuracy import rendered as accuracy

    page = tmp_path / "ACCURACY.md"
    page.write_text("before\n<!-- tables -->\nold\n<!-- end of tables -->\nafter\n", "utf-8")
    options = ["--quick", "--tables", "patches", "--jobs", "1", "--results", str(tmp_path)]
    assert accuracy.main([*options, "--seconds", "0"]) == 1
    assert "1 photos are missing" in capsys.readouterr().err
    assert accuracy.main(options) == 0
    assert "Bare patches above 25 cm2" in capsys.readouterr().out
    # From here on what is stored is enough.
    monkeypatch.setattr(accuracy, "run", None)
    assert accuracy.main([*options, "--timings"]) == 0
    assert accuracy.main([*options, "--tables-only", "--markdown", str(page)]) == 0
    assert "Processor seconds" in capsys.readouterr().out
    text = page.read_text("utf-8")
    assert text.startswith("before")
    assert text.endswith("after\n")
    assert "old" not in text
    assert "| recall |" in text
    assert "quick, seed" in text


def test_the_speed_study_runs_small(capsys: pytest.CaptureFixture[str]) -> None:
    from benchmarks.speed import score

    assert score.main(["--quick", "--stages"]) == 0
    printed = capsys.readouterr().out
    for words in ("full decode", "ratio", "peak memory", "classify"):
        assert words in printed
