"""Tables and outputs of the documents that are made from the code.

Run `python tests/document_tables.py` to write them into README.md and docs/; `test_documents.py`
fails when a document and the code differ.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import typer.main
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.flags import FLAGS
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.settings import CHOICES, Settings
from lawnscore.contract.tables import INPUT_TABLES, OUTPUT_TABLES, SENT, TASKS, Table
from lawnscore.photo.refusals import REFUSALS
from lawnscore.register.new import settings_text

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = tuple(ROOT / name for name in ("README.md", "docs/guide.md", "docs/reference.md"))
BETTER = {1: "more", -1: "less", 0: ""}


def markdown(headers: list[str], rows: list[list[str]]) -> str:
    lines = ["| " + " | ".join(headers) + " |", "| " + " | ".join("---" for _ in headers) + " |"]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def options_of(words: str, command: Any) -> str:
    """Return what a command takes: its usage in a line, then one row an option."""
    arguments = [p for p in command.params if p.param_type_name == "argument"]
    usage = [
        (p.metavar or p.name or "").strip("[]").upper() + ("..." if p.nargs == -1 else "")
        for p in arguments
    ]
    usage = [u if p.required else f"[{u}]" for u, p in zip(usage, arguments, strict=True)]
    rows = [[f"`{u}`", _cell(p.help or "")] for p, u in zip(arguments, usage, strict=True)]
    for p in command.params:
        if p.param_type_name != "option" or p.hidden or p.name == "help":
            continue
        rows.append([", ".join(f"`{option}`" for option in p.opts), _cell(p.help or "")])
    head = f"### `{' '.join(['lawnscore', words, *usage])}`"
    return f"{head}\n\n{markdown(['takes', 'what it is'], rows)}" if rows else head


def columns(table: Table) -> str:
    rows = []
    for c in table.columns:
        allowed = f" ({', '.join(c.allowed)})" if c.allowed and len(c.allowed) < 6 else ""
        rows.append([f"`{c.name}`", c.type, c.meaning + allowed])
    return markdown(["column", "type", "meaning"], rows)


def commands(group: Any = None, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield the words and the command of everything that can be typed."""
    top = typer.main.get_command(build_app()) if group is None else group
    for name, command in top.commands.items():
        words = f"{prefix}{name}"
        if hasattr(command, "commands"):
            yield from commands(command, f"{words} ")
        else:
            yield words, command


def settings(part: Any = None, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield the full name and the default of every setting of round.toml."""
    for setting in fields(Settings() if part is None else part):
        value = getattr(Settings() if part is None else part, setting.name)
        if is_dataclass(value):
            yield from settings(value, f"{prefix}{setting.name}.")
        else:
            yield f"{prefix}{setting.name}", value


def setting_meanings() -> dict[str, str]:
    """Return what `lawnscore new` writes beside each setting."""
    meanings, table = {}, ""
    for line in settings_text().splitlines():
        if heading := re.fullmatch(r"\[(.+)\]", line):
            table = heading.group(1)
        elif line.startswith("# ") and " = " in line:
            name, _, rest = line[2:].partition(" = ")
            meanings[f"{table}.{name}"] = rest.partition("  # ")[2]
    return meanings


def settings_rows() -> list[list[str]]:
    meanings = setting_meanings()
    rows = []
    for name, default in settings():
        said = (
            ""
            if default in (None, "")
            else f"{default:g}"
            if not isinstance(default, str)
            else default
        )
        meaning = meanings[name] or f"weight of {name.rpartition('.')[2].replace('_', ' ')}"
        if name in CHOICES and CHOICES[name][0] not in meaning:
            meaning += f" ({' or '.join(CHOICES[name])})"
        rows.append([f"`{name}`", said, meaning])
    return rows


def _bound(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def tables() -> dict[str, str]:
    out = {
        "measures": markdown(
            ["measure", "what it is", "better"],
            [[f"`{m.name}`", m.meaning, BETTER[m.better]] for m in MEASURES.values()],
        ),
        "measures in full": markdown(
            ["measure", "what it is", "kind", "from", "to"],
            [
                [f"`{m.name}`", m.meaning, m.kind, _bound(m.low), _bound(m.high)]
                for m in MEASURES.values()
            ],
        ),
        "reasons": markdown(
            ["reason", "what it means", "how to retake the photo"],
            [[f"`{r.word}`", r.meaning, r.advice] for r in REASONS.values()],
        ),
        "refusals": markdown(
            ["after", "reason", "when"],
            [[row.stage, f"`{row.reason}`", row.when] for row in REFUSALS],
        ),
        "flags": markdown(
            ["flag", "what it means", "next step"],
            [[f"`{f.word}`", f.meaning, f.next_step] for f in FLAGS.values()],
        ),
        "tasks": markdown(
            ["task", "renovation"],
            [[f"`{task}`", "yes" if renovation else ""] for task, renovation in TASKS.items()],
        ),
        "commands": markdown(
            ["command", "what it does"],
            [
                [f"`lawnscore {words}`", command.help.split("\n\n")[0].replace("\n", " ")]
                for words, command in commands()
            ],
        ),
        "options": "\n\n".join(options_of(words, command) for words, command in commands()),
        "settings": markdown(["setting", "default", "what it is"], settings_rows()),
    }
    for table in (*INPUT_TABLES.values(), *OUTPUT_TABLES.values(), SENT):
        out[f"columns {table.name}"] = columns(table)
    return out


def output(line: str) -> str:
    """Return what a command prints, 90 columns wide, as text without styles."""
    result = CliRunner().invoke(build_app(), shlex.split(line)[1:], env={"COLUMNS": "90"})
    if result.exit_code:
        raise RuntimeError(f"{line}: {result.output}")
    rows = (row.rstrip() for row in result.stdout.strip("\n").splitlines())
    return "\n".join(rows)


def filled(text: str) -> str:
    """Return a document's text with every marked table and output made anew."""
    made = tables()

    def table(match: re.Match[str]) -> str:
        name = match.group(1)
        return f"<!-- table: {name} -->\n{made[name]}\n<!-- end of table -->"

    def printed(match: re.Match[str]) -> str:
        line = match.group(1)
        return f"<!-- output: {line} -->\n```text\n{output(line)}\n```\n<!-- end of output -->"

    text = re.sub(r"<!-- table: ([a-z_ ]+) -->\n.*?<!-- end of table -->", table, text, flags=re.S)
    return re.sub(r"<!-- output: (.+?) -->\n.*?<!-- end of output -->", printed, text, flags=re.S)


if __name__ == "__main__":
    for document in DOCUMENTS:
        document.write_text(filled(document.read_text(encoding="utf-8")), encoding="utf-8")
