from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError


def _run(*words: str) -> Result:
    return CliRunner().invoke(build_app(), ["card", *words])


def test_png_has_its_json_beside_it(tmp_path: Path) -> None:
    result = _run(str(tmp_path / "OUT.png"), "--dpi", "50")
    assert result.exit_code == 0
    assert result.stdout == ""
    data = json.loads((tmp_path / "OUT.json").read_text())
    assert data["width_mm"] == 210
    assert {"name", "srgb", "centre_mm"} <= set(data["patches"][0])
    assert {"id", "corners_mm"} <= set(data["markers"][0])


@pytest.mark.parametrize(("sheet", "size"), [("a4", "297 x 210"), ("letter", "279.4 x 215.9")])
def test_pdf_of_each_sheet(sheet: str, size: str, tmp_path: Path) -> None:
    result = _run(str(tmp_path / "card.pdf"), "--sheet", sheet)
    assert result.exit_code == 0
    assert size in result.stderr
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF")


def test_json_is_one_document_on_stdout(tmp_path: Path) -> None:
    result = _run(str(tmp_path / "card.png"), "--dpi", "40", "--json")
    assert json.loads(result.stdout)["name"] == "turf-a5"


def test_unknown_sheet_is_told_with_those_there_are(tmp_path: Path) -> None:
    result = _run(str(tmp_path / "card.pdf"), "--sheet", "a9")
    assert isinstance(result.exception, LawnscoreError)
    assert "a5, a4, letter" in str(result.exception)


def test_drift_of_no_photos_is_told(tmp_path: Path) -> None:
    result = CliRunner().invoke(build_app(), ["card-drift", str(tmp_path)])
    assert isinstance(result.exception, LawnscoreError)
    assert "no photo shows the card" in str(result.exception)
