"""A new round explains itself and never writes over anything."""

from __future__ import annotations

import tomllib
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import Settings, read_settings
from lawnscore.register.folder import open_round
from lawnscore.register.new import _MEANING, new_round, settings_text
from lawnscore.register.register import read_register


def setting_names(values: Any, prefix: str = "") -> set[str]:
    names: set[str] = set()
    for setting in fields(values):
        value = getattr(values, setting.name)
        full = f"{prefix}{setting.name}"
        names |= setting_names(value, f"{full}.") if is_dataclass(value) else {full}
    return names


def test_a_new_round_is_sound(tmp_path: Path) -> None:
    made = new_round(tmp_path / "round")
    assert len(made.made) == 7
    register = read_register(made.path)
    assert register.problems == register.notes == ()
    assert register.lawns.empty
    assert open_round(made.path).photos == open_round(made.path).misplaced == []
    assert read_settings(made.path / "round.toml") == Settings()


def test_the_examples_are_sound_once_uncommented(tmp_path: Path) -> None:
    made = new_round(tmp_path / "round")
    for name in ("lawns.csv", "work.csv", "weather.csv"):
        path = made.path / name
        path.write_text(path.read_text().replace("\n# ", "\n"))
    register = read_register(made.path)
    assert register.problems == ()
    assert (len(register.lawns), len(register.work), len(register.weather)) == (3, 2, 2)


def test_the_settings_text_shows_every_setting_with_its_default() -> None:
    text = settings_text()
    lines = [line.removeprefix("# ") for line in text.splitlines()]
    said = [line for line in lines if " = " in line or line.startswith("[")]
    data = tomllib.loads("\n".join(said))
    assert len([line for line in said if " = " in line]) == len(setting_names(Settings()))
    assert data["history"].pop("latitude_deg") == 52.5  # it has no default
    path_free = Settings()
    assert data["scoring"]["condition"] == vars(path_free.scoring.condition)
    assert data["report"] == vars(path_free.report)


def test_every_setting_but_the_weights_has_words() -> None:
    named = {name for name in setting_names(Settings()) if "condition" not in name}
    assert named <= set(_MEANING)
    assert set(_MEANING) - named == {
        "scoring",
        "scoring.condition",
        "history",
        "report",
        "record",
        "points",
        "rates",
        "route",
        "filing",
        "photos",
    }


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "lawns.csv").write_text("lawn\nmine\n")
    made = new_round(tmp_path)
    assert made.kept == ("lawns.csv",)
    assert (tmp_path / "lawns.csv").read_text() == "lawn\nmine\n"
    with pytest.raises(LawnscoreError, match="a round already"):
        new_round(tmp_path)


def test_a_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "round").write_text("a file")
    with pytest.raises(LawnscoreError, match="cannot be made here"):
        new_round(tmp_path / "round")
