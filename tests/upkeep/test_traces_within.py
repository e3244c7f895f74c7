"""Traces of a customer that name nobody: scores by content, and pictures by a key."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.report.load import rows_of
from lawnscore.report.pictures import PICTURES, picture_key
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.tables import read_table
from lawnscore.upkeep import backup
from lawnscore.upkeep.forget import forget_lawn
from tests.scoring.rounds import Counting, new_round, put_photo

GONE, KEPT = "quiet-mews-17", "oak-lane"


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    (made / "lawns.csv").write_text(f"lawn,zone,area_m2\n{KEPT},front,120\n{GONE},front,90\n")
    for seed, lawn in enumerate((KEPT, GONE)):
        put_photo(made, "a.jpg", seed=seed, visit=f"photos/{lawn}/front/2026-05-01-check")
    score_round(made, scorer=Counting(), today="2026-05-02")
    return made


def by_lawn(base: Path) -> dict[str, dict[str, object]]:
    return {str(row["lawn"]): row for row in rows_of(read_table(base, "photo_scores"))}


def scores_kept(base: Path) -> set[str]:
    ledger = sqlite3.connect(base / ".lawnscore" / "ledger.sqlite3")
    try:
        return {sha256 for (sha256,) in ledger.execute("SELECT sha256 FROM scores")}
    finally:
        ledger.close()


def test_scores_of_a_forgotten_lawn_leave_the_ledger(base: Path) -> None:
    rows = by_lawn(base)
    hashes = {lawn: rows[lawn]["sha256"] for lawn in (KEPT, GONE)}
    assert scores_kept(base) == set(hashes.values())
    forget_lawn(base, GONE)
    assert scores_kept(base) == {hashes[KEPT]}


def test_pictures_of_a_forgotten_lawn_go_and_those_of_others_stay(base: Path) -> None:
    rows = by_lawn(base)
    places = []
    for lawn in (KEPT, GONE):
        for folder in (PICTURES, Path("reports") / "lawns" / "pictures"):
            path = base / folder / f"{picture_key(rows[lawn])}.jpg"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"pixels")
            places.append((lawn, path))
    forget_lawn(base, GONE)
    assert {(lawn, path.exists()) for lawn, path in places} == {(KEPT, True), (GONE, False)}


def test_an_archive_that_does_not_read_back_is_no_backup(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As from a disk that keeps other bytes than it was given."""
    plain = backup._add
    monkeypatch.setattr(backup, "_add", lambda *given: plain(*given) | {"sha256": "0" * 64})
    out = base.parent / "out.zip"
    with pytest.raises(LawnscoreError, match="has changed"):
        backup.back_up(base, out)
    assert not out.exists()
