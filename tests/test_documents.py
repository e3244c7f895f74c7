"""The documents and the program say the same: commands, options, columns, examples, links."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.flags import FLAGS
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.tables import INPUT_TABLES, OUTPUT_TABLES
from lawnscore.photo.condition import PARTS
from lawnscore.register.new import new_round
from lawnscore.register.register import read_register
from tests import document_tables

ROOT = Path(__file__).resolve().parent.parent
README, GUIDE, REFERENCE = (p.read_text(encoding="utf-8") for p in document_tables.DOCUMENTS)
TEXT = "\n".join((README, GUIDE, REFERENCE))
PAGES = sorted((*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("[a-z]*/README.md")))
PAGES = list(dict.fromkeys(PAGES))
COMMANDS = dict(document_tables.commands())


def code(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", TEXT, flags=re.S)


def typed() -> Iterator[list[str]]:
    """Yield the words of every `lawnscore` command in a shell block."""
    for block in code("sh"):
        for line in re.sub(r"<<'END'.*?\nEND\n", "", block, flags=re.S).splitlines():
            for part in line.split("&&"):
                words = shlex.split(part)
                if words and Path(words[0]).name == "lawnscore":
                    yield words[1:]


def command_of(words: list[str]) -> tuple[str, list[str]]:
    for n in (2, 1):
        if " ".join(words[:n]) in COMMANDS:
            return " ".join(words[:n]), words[n:]
    raise AssertionError(f"no such command: {' '.join(words)}")


@pytest.mark.parametrize("path", document_tables.DOCUMENTS, ids=lambda p: p.name)
def test_marked_tables_and_outputs_are_up_to_date(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert document_tables.filled(text) == text, "run `python tests/document_tables.py`"


def test_the_readme_is_one_sitting() -> None:
    assert len(README.splitlines()) <= 200
    first = README.split("\n\n")[1]
    assert first.startswith("A lawn-care practitioner")  # the job comes before the program
    assert "lawnscore" not in first


def test_every_mark_is_known() -> None:
    marked = re.findall(r"<!-- table: ([^>]+) -->", TEXT)
    assert sorted(set(marked)) == sorted(document_tables.tables())
    in_reference = re.findall(r"<!-- table: ([^>]+) -->", REFERENCE)
    assert sorted(in_reference) == sorted(set(document_tables.tables()) - {"measures"})


@pytest.mark.parametrize("words", sorted(COMMANDS))
def test_every_command_is_named_and_shown(words: str) -> None:
    assert f"| `lawnscore {words}` |" in REFERENCE
    assert re.search(rf"^### `lawnscore {words}[` ]", REFERENCE, flags=re.M)
    assert any(command_of(line)[0] == words for line in typed()), "no example of it"


def test_every_column_reason_flag_and_setting_is_named() -> None:
    names = [c.name for t in (*OUTPUT_TABLES.values(), *INPUT_TABLES.values()) for c in t.columns]
    names += [*REASONS, *FLAGS, *(name for name, _ in document_tables.settings())]
    assert [name for name in names if f"`{name}`" not in REFERENCE] == []


@pytest.mark.parametrize("line", list(typed()), ids=" ".join)
def test_shell_blocks_name_only_options_that_exist(line: list[str]) -> None:
    words, rest = command_of(line)
    known = {option for p in COMMANDS[words].params for option in p.opts}
    used = [word.partition("=")[0] for word in rest if word.startswith("--")]
    assert [option for option in used if option not in known] == []


def test_options_named_in_the_text_exist() -> None:
    known = {option for c in COMMANDS.values() for p in c.params for option in p.opts}
    named = re.findall(r"`(--[a-z0-9-]+)", re.sub(r"```.*?```", "", TEXT, flags=re.S))
    assert [option for option in named if option not in known | {"--help"}] == []


def test_every_exit_status_of_the_care_examples_is_0(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    new_round("my-round")
    lines = [line for line in typed() if line[0] in ("add-lawn", "add-work", "care")]
    lines.sort(key=lambda line: ("add-lawn", "add-work", "care").index(line[0]))
    for line in lines:
        result = CliRunner().invoke(build_app(), line)
        assert result.exit_code == 0, f"{' '.join(line)}: {result.output} {result.exception}"
    assert set(read_register("my-round").lawns["lawn"]) == {"alder-bank", "elm-row-9"}


def test_the_formula_of_condition_is_the_one_in_use() -> None:
    weights = {
        name.rpartition(".")[2]: weight
        for name, weight in document_tables.settings()
        if name.startswith("scoring.condition.")
    }
    said = " + ".join(f"{weight:g} {name}" for name, weight in weights.items())
    assert f"condition    = ({said}) / {sum(weights.values()):g}" in README
    for name, part in PARTS.items():
        worst, best = f"{part.worst:g}", f"{part.best:g}"
        up = (
            f"100 * {part.measure} / {best}"
            if part.worst == 0
            else f"100 * ({part.measure} - {worst}) / ({best} - {worst})"
        )
        down = f"100 * ({worst} - {part.measure}) / " + (
            worst if part.best == 0 else f"({worst} - {best})"
        )
        assert f"{name:<12} = {up if part.best > part.worst else down}" in README


def anchors(text: str) -> set[str]:
    """Return the anchors of a page's headings, as common Markdown renderers make them."""
    headings = re.findall(r"^#{1,6} (.+)$", re.sub(r"```.*?```", "", text, flags=re.S), flags=re.M)
    plain = (re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings)
    return set(plain)


def links(text: str) -> list[str]:
    bare = re.sub(r"```.*?```|`[^`\n]*`", "", text, flags=re.S)
    return [link for link in re.findall(r"\]\(([^)\s]+)\)", bare) if "://" not in link]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_pictures_and_anchors_exist(page: Path) -> None:
    for link in links(page.read_text(encoding="utf-8")):
        name, _, anchor = link.partition("#")
        target = page.parent / name if name else page
        assert target.exists(), link
        if anchor:
            assert anchor in anchors(target.read_text(encoding="utf-8")), link


def test_every_page_can_be_reached_from_the_readme() -> None:
    seen, todo = set(), [ROOT / "README.md"]
    while todo:
        page = todo.pop()
        seen.add(page)
        for link in links(page.read_text(encoding="utf-8")):
            target = (page.parent / link.partition("#")[0]).resolve()
            if target.suffix == ".md" and target not in seen:
                todo.append(target)
    assert set(PAGES) - seen == set()


def test_pictures_of_the_documents_are_small_and_all_are_shown() -> None:
    pictures = [p for p in (ROOT / "docs").iterdir() if p.suffix in (".png", ".jpg")]
    assert len(pictures) >= 2
    assert [p.name for p in pictures if p.stat().st_size > 300_000] == []
    assert [p.name for p in pictures if f"docs/{p.name}" not in README] == []


def test_accuracy_says_the_verdict_first_and_can_be_filled_again() -> None:
    text = (ROOT / "docs" / "ACCURACY.md").read_text(encoding="utf-8")
    order = re.findall(r"^## (.+)$", text, flags=re.M)
    assert order[:4] == ["Verdict", "What is weak", "Tables", "Method"]
    verdict = text.partition("## Verdict")[2].partition("\n## ")[0]
    assert 1 <= len(re.findall(r"^\d+\. ", verdict, flags=re.M)) <= 10
    for mark in ("tables", "real photographs"):
        begin, end = f"<!-- {mark} -->", f"<!-- end of {mark} -->"
        assert (text.count(begin), text.count(end)) == (1, 1)
        assert text.index(begin) < text.index(end)


def test_python_examples_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_images").mkdir()
    for name in ("first.jpg", "card.txt"):
        shutil.copy(ROOT / "sample_images" / name, tmp_path / "sample_images")
    new_round("my-round")
    visit = tmp_path / "my-round" / "photos" / "elm-row-9" / "all" / "2025-09-09-check"
    visit.mkdir(parents=True)
    shutil.copy(ROOT / "sample_images" / "first.jpg", visit)
    names: dict[str, object] = {}
    for block in code("python"):
        exec(compile(block, "README.md", "exec"), names)
    truth = pd.read_csv(ROOT / "sample_images" / "truth.csv").set_index("photo")
    said = re.search(r"(\d+) % green", capsys.readouterr().out)
    assert said is not None
    assert abs(float(said.group(1)) - truth.loc["first.jpg", "green_cover_pct"]) < 8
    for table in ("changes", "recovery", "attention"):
        frame = names[table]
        assert isinstance(frame, pd.DataFrame)
        assert list(frame.columns) == OUTPUT_TABLES[table].column_names
