"""A photo wherever it lies is a file while it is scored, and nothing is left of a copy."""

from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.settings import ScoringSettings
from lawnscore.scoring import each_photo
from lawnscore.scoring.each_photo import Job, _Sent
from lawnscore.scoring.photo_source import SCRATCH, LocalPhoto, SentPhoto
from tests.scoring.rounds import score_by_content

JOB = Job(score_by_content, None, ScoringSettings())


def test_a_photo_here_is_the_file_itself(tmp_path: Path) -> None:
    with LocalPhoto(tmp_path / "a.jpg").at_hand() as path:
        assert path == tmp_path / "a.jpg"


def test_a_photo_sent_along_is_a_file_of_its_owner_for_a_moment(tmp_path: Path) -> None:
    before = SCRATCH.set(str(tmp_path))
    try:
        with pytest.raises(RuntimeError), SentPhoto("a.jpg", b"content").at_hand() as path:
            assert (path.name, path.read_bytes()) == ("a.jpg", b"content")
            assert path.parent.parent == tmp_path
            assert path.parent.stat().st_mode & 0o077 == 0
            raise RuntimeError
    finally:
        SCRATCH.reset(before)
    assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_sent_is_scored_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(each_photo, "SENT_BYTES_MAX", 10)
    (tmp_path / "large.jpg").write_bytes(b"x" * 11)
    (tmp_path / "small.jpg").write_bytes(b"x" * 10)
    photos = [LocalPhoto(tmp_path / name) for name in ("large.jpg", "small.jpg", "gone.jpg")]
    large, small, gone = _Sent(JOB, photos)
    assert small == SentPhoto("small.jpg", b"x" * 10)
    assert [one.row["reason"] for one in (large, gone)] == ["unreadable"] * 2
    assert gone.row["detail"] == "there is no such file"


def test_an_error_of_the_store_ends_the_run_and_is_no_refusal() -> None:
    class Broken(SentPhoto):
        def at_hand(self) -> object:
            raise LawnscoreError("the store cannot be read", "Check the network.")

    with pytest.raises(LawnscoreError, match="the store cannot be read"):
        each_photo._score_one(JOB, Broken("a.jpg", b""))
