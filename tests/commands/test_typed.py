"""Numbers, dates and help: the same on every command."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.commands.typed import day, number
from lawnscore.contract.errors import LawnscoreError
from lawnscore.register.new import new_round
from lawnscore.register.register import read_register

PACKAGE = Path(__file__).resolve().parents[2] / "lawnscore"


def run(*words: object) -> str:
    result = CliRunner().invoke(build_app(), [str(word) for word in words])
    assert result.exit_code == 0, (result.output, result.exception)
    return result.stdout


def test_a_decimal_comma_and_a_date_with_dots_are_read_on_the_command_line(tmp_path: Path) -> None:
    folder = tmp_path / "round"
    new_round(folder)
    run("add-lawn", folder, "elm-row-9", "--area-m2", "120,5")
    run("add-work", folder, "--date", "9.9.2025", "--lawn", "elm-row-9", "--task", "scarify",
        "--depth-mm", "4,5")  # fmt: skip
    kept = read_register(folder)
    assert kept.lawns.set_index("lawn").loc["elm-row-9", "area_m2"] == 120.5
    last = kept.work.iloc[-1]
    assert (last["date"], last["depth_mm"]) == ("2025-09-09", 4.5)


@pytest.mark.parametrize(
    ("read", "text"), [(number, "much"), (number, "1.200,5,3"), (day, "May"), (day, "3/5/2026")]
)
def test_what_cannot_be_read_is_one_line(read, text: str) -> None:
    with pytest.raises(LawnscoreError, match=re.escape(f"`{text}`")):
        read(text)


def test_help_puts_the_five_commands_of_a_normal_week_first() -> None:
    text = run("--help")
    week = ["file", "score", "attention", "next", "report"]
    shown = re.findall(r"^│ ([a-z-]+) ", text[text.index("A normal week") :], flags=re.MULTILINE)
    assert shown[:5] == week
    assert len(set(shown)) == len(build_app().registered_commands) + 2  # care and points


@pytest.mark.parametrize("typed", ["heavey", "hevy"])
def test_shade_is_told_in_the_words_it_may_be(tmp_path: Path, typed: str) -> None:
    (tmp_path / "lawns.csv").write_text(f"lawn,zone,shade\nelm,all,{typed}\n")
    (problem,) = read_register(tmp_path).problems
    assert "`heavy`" not in problem.line()
    assert "Did you mean `full`?" in problem.line()


def test_no_page_or_table_says_what_trade_pages_say() -> None:
    for file in [*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.toml")]:
        for line in file.read_text(encoding="utf-8").splitlines():
            told = line.partition("  # ")[0]
            assert '"' not in told or "trade pages say" not in told, (file.name, line)
