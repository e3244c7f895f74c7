from __future__ import annotations

import string
import tomllib
from importlib.resources import files

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.flags import FLAGS
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ReportSettings
from lawnscore.contract.tables import STAGES, TASKS
from lawnscore.report.glance import flag_key, step_words
from lawnscore.report.language import Shown, Words, available_languages, words_for

EN = words_for(ReportSettings())
DE = words_for(ReportSettings(language="de"))
US = words_for(ReportSettings(locale="en_US", area_unit="sq ft"))


def sentences(language: str) -> dict[str, str]:
    source = files("lawnscore.report") / "words" / f"{language}.toml"
    data = tomllib.loads(source.read_text(encoding="utf-8"))
    return {f"{s}.{key}": text for s, part in data.items() for key, text in part.items()}


def fields(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("language", available_languages())
def test_every_language_has_every_sentence_with_the_same_fields(language: str) -> None:
    english, other = sentences("en"), sentences(language)
    assert set(other) == set(english)
    for key, text in english.items():
        assert fields(other[key]) == fields(text), key
        assert other[key].strip() or key == "place.all", key


def test_every_word_of_the_registries_is_translated() -> None:
    keys = sentences("en")
    wanted = [f"measure.{name}" for name in MEASURES]
    wanted += [f"stage.{stage}" for stage in STAGES]
    wanted += [f"task.{task}" for task in TASKS]
    wanted += [
        f"{s}.{flag_key(f)}" for f in FLAGS for s in ("flag", "flag_for_customer", "next_step")
    ]
    assert [key for key in wanted if key not in keys] == []


def test_numbers_and_dates_follow_the_locale() -> None:
    # CLDR: German writes 1.234,5 and 3. Februar 2026 (unicode.org/cldr, from memory)
    assert EN.number(1234.5, 1) == "1,234.5"
    assert DE.number(1234.5, 1) == "1.234,5"
    # ties go to the even digit of what is written: Decimal's ROUND_HALF_EVEN (IEEE 754-2008)
    assert [EN.number(value, 2) for value in (2.675, 0.125, 0.135)] == ["2.68", "0.12", "0.14"]
    # nothing is no less than nothing, in whichever order they are asked for
    assert [EN.number(value, 1) for value in (-0.04, 0.0, 0.04, -0.06)] == [
        "0.0", "0.0", "0.0", "−0.1",
    ]  # fmt: skip
    assert EN.date("2026-02-03") == "3 February 2026"
    assert DE.date("2026-02-03") == "3. Februar 2026"
    assert US.date("2026-02-03") == "February 3, 2026"


def test_square_feet_and_inches_are_the_international_ones() -> None:
    # international yard and pound agreement 1959: 1 ft = 0.3048 m, so 1 m2 = 10.7639 sq ft
    assert US.area(100.0) == "1,076 sq ft"
    assert US.value("casts_per_m2", 10.763910416709722) == "1.0 per sq ft"
    assert US.value("largest_bare_patch_cm2", 64.516) == "10 sq in"
    assert US.length(254.0) == "10 in"
    assert EN.area(100.0) == "100 m²"


def test_a_shown_value_keeps_its_number_and_escapes_its_text() -> None:
    shown = EN.value("green_cover_pct", 78.314)
    assert isinstance(shown, Shown)
    assert (str(shown), shown.value) == ("78%", 78.314)
    html = '<data value="78.314" data-column="green_cover_pct">78%</data>'
    assert str(EN.html("unit.range", low=shown, high="<b>")) == f"{html} to &lt;b&gt;"


def test_a_score_bears_no_percent_sign_and_unknown_is_said() -> None:
    assert EN.value("condition", 71.6) == "72"
    assert EN.value("condition", None) == "not known"
    assert EN.bare("condition", None) == ""
    assert EN.interval("condition", 60.0, None) == ""


@pytest.mark.parametrize(
    ("change", "text"), [(3.4, "+3"), (-3.4, "−3"), (0.2, "0"), (-0.2, "0"), (None, "")]
)
def test_a_change_has_a_sign_unless_it_rounds_to_nothing(change: float | None, text: str) -> None:
    assert EN.difference("green_cover_pct", change) == text


def test_plurals() -> None:
    assert EN.counted("count.photos", 1) == "1 photo"
    assert DE.counted("count.photos", 2) == "2 Fotos"
    assert EN.days(1) == "1 day"


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        (ReportSettings(language="xx"), "language `xx`"),
        (ReportSettings(locale="zz_QQ_1"), "locale `zz_QQ_1`"),
        (ReportSettings(area_unit="acre"), "area unit `acre`"),
    ],
)
def test_wrong_settings_say_how_to_mend_them(settings: ReportSettings, match: str) -> None:
    with pytest.raises(LawnscoreError, match=match):
        words_for(settings)


def test_an_empty_place_leaves_no_double_space() -> None:
    words = Words("en", "en_GB")
    text = words.text("headline.steady_unknown", place="", since="May")
    assert text == "We see no clear change since May."


def test_next_steps_are_those_of_the_registry_in_the_language_of_the_reader() -> None:
    for word, flag in FLAGS.items():
        row = {"flag": word, "next_step": flag.advice}
        assert step_words(row, EN) == flag.advice
        assert step_words(row, DE) != flag.advice
        assert step_words(row | {"next_step": "Call Mr Invented."}, DE) == "Call Mr Invented."


def test_an_empty_field_leaves_no_space_before_a_mark() -> None:
    german = words_for(ReportSettings(language="de"))
    text = german.text("headline.steady_plain", place="", since="gestern", value="93 %")
    assert text == "Seit gestern sehen wir keine klare Änderung: 93 % des Bodens sind grün."
