"""The README's tutorial: every command in it, in order, in an empty folder."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

README = Path(__file__).resolve().parent.parent / "README.md"


def blocks() -> list[str]:
    text = README.read_text(encoding="utf-8")
    tutorial = text.partition("<!-- tutorial -->")[2].partition("<!-- end of tutorial -->")[0]
    return re.findall(r"```sh\n(.*?)```", tutorial, flags=re.S)


@pytest.fixture(scope="module")
def ran(
    tmp_path_factory: pytest.TempPathFactory, small_demo: tuple[Path, Any]
) -> tuple[Path, Mapping[str, str]]:
    """Run the blocks as one shell would; return the folder and what each block printed.

    Its demo finds the photos that another test's demo has rendered, and does all the rest.
    """
    folder = tmp_path_factory.mktemp("tutorial")
    for part in ("photos", ".lawnscore/demo", ".lawnscore/demo.json"):
        source, target = small_demo[0] / part, folder / "practice" / part
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target)
        else:
            shutil.copy(source, target)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    said = {}
    for block in blocks():
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", block],
            cwd=folder,
            env={**os.environ, "PATH": path, "COLUMNS": "100"},
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        assert done.returncode == 0, f"{block}\n{done.stdout}\n{done.stderr}"
        said[block] = done.stdout + done.stderr
    return folder, said


def test_the_tutorial_reaches_the_customers_report(ran: tuple[Path, Mapping[str, str]]) -> None:
    folder, said = ran
    assert len(said) >= 10
    for name in ("card.pdf", "slips.pdf", "seen.jpg", "visits.ics"):
        assert (folder / name).stat().st_size > 200, name
    reports = folder / "my-round" / "reports"
    page = (reports / "customers" / "alder-bank.html").read_text(encoding="utf-8")
    assert "Alder Bank" in page
    assert "Example Lawn Care (invented)" in page
    assert (reports / "customers" / "alder-bank.pdf").read_bytes().startswith(b"%PDF")
    assert (reports / "index.html").is_file()


def test_the_tutorial_scores_near_the_truth(ran: tuple[Path, Mapping[str, str]]) -> None:
    folder, _ = ran
    scores = pd.read_csv(folder / "my-round" / "reports" / "photo_scores.csv")
    truth = pd.read_csv(folder / "practice" / "truth.csv")
    assert (scores["status"] == "scored").all()
    both = scores.merge(truth, on="photo", suffixes=("", "_true"))
    assert len(both) == len(scores) == 4
    # The practice photos lie well within five standard errors and ten points.
    off = (both["green_cover_pct"] - both["green_cover_pct_true"]).abs()
    assert (off < 10).all()
    assert (off < 5 * both["green_cover_pct_se"]).all()


def test_what_the_tutorial_says_is_seen(ran: tuple[Path, Mapping[str, str]]) -> None:
    _, said = ran
    text = "\n".join(said.values())
    for words in ("Print at full size", "4 photos, 4 scored", "too few photos", "4.2 kg"):
        assert words in text, words
