"""Tables of the README that are made from the registries.

Run `python tests/readme_tables.py` to write them into README.md; `test_readme.py` fails when the
README and the registries differ.
"""

from __future__ import annotations

import re
from pathlib import Path

from lawnscore.contract.flags import FLAGS
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.reasons import REASONS
from lawnscore.contract.tables import INPUT_TABLES, OUTPUT_TABLES, Table

README = Path(__file__).resolve().parent.parent / "README.md"
BETTER = {1: "more", -1: "less", 0: ""}


def markdown(headers: list[str], rows: list[list[str]]) -> str:
    lines = ["| " + " | ".join(headers) + " |", "| " + " | ".join("---" for _ in headers) + " |"]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


def columns(table: Table) -> str:
    rows = []
    for c in table.columns:
        allowed = f" ({', '.join(c.allowed)})" if c.allowed and len(c.allowed) < 6 else ""
        rows.append([f"`{c.name}`", c.type, c.meaning + allowed])
    return markdown(["column", "type", "meaning"], rows)


def tables() -> dict[str, str]:
    out = {
        "measures": markdown(
            ["measure", "what it is", "better"],
            [[f"`{m.name}`", m.meaning, BETTER[m.better]] for m in MEASURES.values()],
        ),
        "reasons": markdown(
            ["reason", "what it means", "how to retake the photo"],
            [[f"`{r.word}`", r.meaning, r.advice] for r in REASONS.values()],
        ),
        "flags": markdown(
            ["flag", "what it means", "next step"],
            [[f"`{f.word}`", f.meaning, f.next_step] for f in FLAGS.values()],
        ),
    }
    for table in (*INPUT_TABLES.values(), *OUTPUT_TABLES.values()):
        out[f"columns {table.name}"] = columns(table)
    return out


def filled(text: str) -> str:
    """Return the README's text with every marked table made anew."""
    made = tables()

    def replace(match: re.Match[str]) -> str:
        name = match.group(1)
        return f"<!-- table: {name} -->\n{made[name]}\n<!-- end of table -->"

    return re.sub(r"<!-- table: ([a-z_ ]+) -->\n.*?<!-- end of table -->", replace, text, flags=re.S)


if __name__ == "__main__":
    README.write_text(filled(README.read_text(encoding="utf-8")), encoding="utf-8")
