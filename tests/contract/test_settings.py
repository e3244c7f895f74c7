"""`round.toml`: defaults, what is refused and how it is said, and the id of the settings."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import (
    RANGES,
    ConditionWeights,
    HistorySettings,
    ScoringSettings,
    Settings,
    read_settings,
)


def read(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "round.toml"
    path.write_text(text, encoding="utf-8")
    return read_settings(path)


def test_an_empty_file_gives_the_defaults(tmp_path: Path) -> None:
    assert read(tmp_path, "") == Settings()


def test_values_are_read_into_their_place(tmp_path: Path) -> None:
    settings = read(
        tmp_path,
        '\ufeff[scoring]\ncard = "turf-a4"\nmax_tilt_deg = 30\n'
        "[scoring.condition]\ncasts = 0\n[history]\nlatitude_deg = 53.5\n",
    )
    assert settings.scoring.card == "turf-a4"
    assert settings.scoring.max_tilt_deg == 30.0
    assert settings.scoring.condition == ConditionWeights(casts=0.0)
    assert settings.history.latitude_deg == 53.5


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[scoring]\ncrad = 'auto'", "unknown setting `scoring.crad`"),
        ("[scorring]", "unknown setting `scorring`"),
        ("scoring = 3", "`scoring` must be a table"),
        ("[scoring]\ncard = 3", "text in quotes"),
        ("[scoring]\nmax_tilt_deg = '30'", "a number"),
        ("[scoring]\nmax_tilt_deg = true", "a number"),
        ("[scoring]\nmax_tilt_deg = 90", "from 1 to 80"),
        ("[scoring]\nmax_distance_m = nan", "from 0.1 to 10"),
        ("[scoring]\nbare_patch_min_cm2 = -1", "from 0.2"),
        ("[scoring.condition]\ncover = inf", "from 0 to"),
        ("[history]\nvisit_gap_days = 7.5", "a whole number"),
        ("[history]\nhemisphere = 'up'", "north or south"),
        ("[report]\narea_unit = 'acre'", "m2 or sq ft"),
        ("[scoring\ncard = 1", "not a TOML file"),
    ],
)
def test_what_will_not_do_is_said_on_one_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(LawnscoreError) as caught:
        read(tmp_path, text)
    assert words in caught.value.line()
    assert "round.toml" in caught.value.line()
    assert "\n" not in caught.value.line()


def test_weights_that_are_all_zero_give_no_condition(tmp_path: Path) -> None:
    zeros = "\n".join(f"{part.name} = 0" for part in fields(ConditionWeights))
    with pytest.raises(LawnscoreError, match="all weights"):
        read(tmp_path, f"[scoring.condition]\n{zeros}")


def test_a_file_that_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match=r"no round\.toml"):
        read_settings(tmp_path / "round.toml")
    (tmp_path / "round.toml").mkdir()
    with pytest.raises(LawnscoreError, match="cannot be opened"):
        read_settings(tmp_path / "round.toml")


def numbers_of(settings: object, prefix: str = "") -> dict[str, object]:
    found: dict[str, object] = {}
    for part in fields(settings):  # type: ignore[arg-type]
        value = getattr(settings, part.name)
        if is_dataclass(value):
            found |= numbers_of(value, f"{prefix}{part.name}.")
        elif not isinstance(value, str):
            found[f"{prefix}{part.name}"] = value
    return found


def test_every_number_has_a_range_that_holds_its_default() -> None:
    numbers = numbers_of(Settings())
    assert set(numbers) == set(RANGES)
    for name, value in numbers.items():
        assert value is None or RANGES[name][0] <= value <= RANGES[name][1]  # type: ignore[operator]


def test_the_id_changes_with_each_scoring_setting_and_with_nothing_else() -> None:
    default = ScoringSettings()
    assert default.settings_id == ScoringSettings().settings_id
    assert len(default.settings_id) == 8
    others = [
        replace(default, card="turf-a4"),
        replace(default, bare_patch_min_cm2=30.0),
        replace(default, max_distance_m=1.0),
        replace(default, max_tilt_deg=20.0),
        replace(default, condition=ConditionWeights(cover=1.0)),
    ]
    assert len({default.settings_id, *(other.settings_id for other in others)}) == 6


def test_a_latitude_below_zero_is_south_whatever_hemisphere_is_said() -> None:
    assert HistorySettings(hemisphere="north", latitude_deg=-33.9).south
    assert not HistorySettings(hemisphere="south", latitude_deg=52.0).south
    assert HistorySettings(hemisphere="south").south
    assert not HistorySettings().south
