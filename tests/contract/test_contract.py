"""Words that the outside relies on: columns, measures, reasons, messages."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from lawnscore.contract.errors import LawnscoreError, PhotoRefused, printable
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.tables import INPUT_TABLES, OUTPUT_TABLES, TASKS, Table

# The columns promised to other programs, in their order; more may follow on the right.
PROMISED = {
    "photo_scores": (
        "lawn zone spot date stage photo sha256 status reason taken_at card_delta_e mm_per_px "
        "tilt_deg area_m2 green_cover_pct straw_cover_pct bare_soil_pct litter_pct "
        "cast_cover_pct casts_per_m2 bare_patch_pct bare_patches_per_m2 largest_bare_patch_cm2 "
        "colour_index leaf_L leaf_a leaf_b evenness condition"
    ),
    "visit_scores": (
        "lawn zone date stage photos refused area_m2 green_cover_pct green_cover_pct_low "
        "green_cover_pct_high straw_cover_pct straw_cover_pct_low straw_cover_pct_high"
    ),
    "changes": (
        "lawn zone measure kind from_date from_stage to_date to_stage change low high verdict"
    ),
    "recovery": (
        "lawn zone renovation_date task cover_before cover_after cover_now days_since "
        "recovered_pct days_to_95 days_to_95_low days_to_95_high state"
    ),
    "attention": "rank lawn zone flag since measure evidence next_step",
}


@pytest.mark.parametrize("name", PROMISED)
def test_promised_columns_come_first_and_in_order(name: str) -> None:
    promised = PROMISED[name].split()
    assert OUTPUT_TABLES[name].column_names[: len(promised)] == promised


def test_every_measure_has_its_interval_and_its_standard_error() -> None:
    photos = OUTPUT_TABLES["photo_scores"].column_names
    visits = OUTPUT_TABLES["visit_scores"].column_names
    for name in MEASURES:
        assert f"{name}_se" in photos
        at = visits.index(name)
        assert visits[at : at + 3] == [name, f"{name}_low", f"{name}_high"]


@pytest.mark.parametrize("table", [*OUTPUT_TABLES.values(), *INPUT_TABLES.values()])
def test_tables_are_sound(table: Table) -> None:
    names = table.column_names
    assert len(names) == len(set(names))
    assert set(table.key) <= set(names)
    assert all(column.meaning for column in table.columns)
    required = {column.name for column in table.columns if column.required}
    assert set(table.key) <= required


@pytest.mark.parametrize("table", [*OUTPUT_TABLES.values(), *INPUT_TABLES.values()])
def test_a_frame_has_the_columns_and_types_even_when_empty(table: Table) -> None:
    empty = table.frame([])
    one = table.frame([{"lawn": "a", "unheard_of": 1}])
    assert list(empty.columns) == list(one.columns) == table.column_names
    assert list(empty.dtypes) == list(one.dtypes)
    assert one.drop(columns="lawn", errors="ignore").isna().all(axis=None)


def test_unknown_is_empty_not_zero() -> None:
    frame = OUTPUT_TABLES["photo_scores"].frame([{"lawn": "a", "green_cover_pct": None}])
    assert pd.isna(frame.loc[0, "green_cover_pct"])


def test_the_surface_shares_are_measures_and_bounded() -> None:
    assert len(SURFACE_SHARES) == 5
    for name in SURFACE_SHARES:
        assert (MEASURES[name].low, MEASURES[name].high) == (0, 100)
    for measure in MEASURES.values():
        if measure.kind == "share":
            assert (measure.low, measure.high) == (0, 100)
        if measure.kind in ("density", "size"):
            assert measure.low == 0


def test_more_green_is_better_and_more_of_the_rest_is_worse() -> None:
    better = {name: MEASURES[name].better for name in SURFACE_SHARES}
    assert better.pop("green_cover_pct") == 1
    assert set(better.values()) == {-1}


def test_every_other_measure_says_which_way_is_better() -> None:
    """Fewer casts and patches, darker and evener turf; a colour of its own is neither."""
    better = {n: m.better for n, m in MEASURES.items() if n not in SURFACE_SHARES}
    more = {n for n, way in better.items() if way > 0}
    neither = {n for n, way in better.items() if way == 0}
    assert more == {"colour_index", "evenness", "condition"}
    assert neither == {"leaf_L", "leaf_a", "leaf_b"}


def test_renovations_are_those_of_the_glossary() -> None:
    renovations = {task for task, sets_back in TASKS.items() if sets_back}
    assert renovations == {"scarify", "hollow-tine", "overseed", "top-dress"}


def test_every_reason_has_a_meaning_and_advice_in_words() -> None:
    for word, reason in REASONS.items():
        assert word == reason.word
        assert word.isalpha()
        assert word.islower()
        assert reason.advice.endswith(".")
        assert not reason.meaning.endswith(".")


# ------------------------------------------------------------------ messages


def test_a_message_says_where_what_and_how_to_mend_on_one_line() -> None:
    error = LawnscoreError("the date is\n31.2.", "Write\tit as YYYY-MM-DD.", Path("work.csv"))
    assert error.line() == "work.csv: the date is 31.2. Write it as YYYY-MM-DD."
    assert str(error) == error.line()


def test_a_refusal_speaks_the_registry_and_its_own_detail() -> None:
    plain = PhotoRefused("cardless", "", "a.jpg")
    assert REASONS["cardless"].meaning in plain.line()
    assert REASONS["cardless"].advice in plain.line()
    told = PhotoRefused("cardless", "one marker of four was found")
    assert "one marker of four" in told.line()
    with pytest.raises(KeyError):
        PhotoRefused("ugly")


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("plain ü 🌱.jpg", "plain ü 🌱.jpg"),
        ("two\nlines", r"two\nlines"),
        ("\x1b[31mred", r"\x1b[31mred"),
        ("not utf-8 \udcff", r"not utf-8 \udcff"),
        ("right\u202eto left", r"right\u202eto left"),
    ],
)
def test_names_are_printable(name: str, shown: str) -> None:
    assert printable(name) == shown
    printable(name).encode("utf-8")
