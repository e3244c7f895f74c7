"""No command writes over a file that it did not make, nor among the photos of a round."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from tests.scoring.rounds import VISIT, new_round, put_lawn_photo, put_photo

CARD = ("card", "--sheet", "a5")


def run(*words: object) -> int:
    result = CliRunner().invoke(build_app(), [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    put_lawn_photo(made)
    put_photo(made, "other.jpg")
    return made


def test_a_photo_survives_being_named_as_output(base: Path) -> None:
    photo, other = base / VISIT / "lawn.jpg", base / VISIT / "other.jpg"
    before = photo.read_bytes(), other.read_bytes()
    outside = shutil.copy(photo, base.parent / "outside.jpg")
    for words in (
        ("inspect", photo, "--picture", photo),
        ("inspect", photo, "--picture", other),
        ("inspect", photo, "--picture", outside),
        ("inspect", outside, "--picture", outside),
        ("slips", base, photo),
        ("slips", base, outside),
        ("plan", base, "--pdf", photo),
        ("plan", base, "--slips", photo),
        ("next", base, "--ics", photo),
        (*CARD[:1], photo, *CARD[1:]),
    ):
        with pytest.raises(LawnscoreError) as error:
            run(*words)
        assert len(str(error.value).splitlines()) == 1
    assert (photo.read_bytes(), other.read_bytes()) == before
    assert Path(outside).read_bytes() == before[0]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("a.pdf", ("slips", "ROUND", "OUT")),
        ("a.pdf", ("plan", "ROUND", "--pdf", "OUT")),
        ("a.ics", ("next", "ROUND", "--ics", "OUT")),
        ("a.pdf", ("card", "OUT")),
        ("a.png", ("card", "OUT")),
        ("a.png", ("inspect", "PHOTO", "--picture", "OUT")),
        ("a.jpg", ("inspect", "PHOTO", "--picture", "OUT")),
    ],
)
def test_its_own_file_is_written_anew_and_anothers_is_not(
    base: Path, name: str, words: tuple[str, ...]
) -> None:
    out = base.parent / name
    named = {"ROUND": base, "PHOTO": base / VISIT / "lawn.jpg", "OUT": out}
    given = [named.get(word, word) for word in words]
    assert run(*given) == 0
    assert out.stat().st_mode & 0o077 == 0
    assert run(*given) == 0
    for content in (b"mine", b"%PDF-1.4 mine", b"\xff\xd8\xff mine", b"BEGIN:VCALENDAR mine"):
        out.write_bytes(content)
        with pytest.raises(LawnscoreError, match="not made by lawnscore"):
            run(*given)
        assert out.read_bytes() == content
    left = sorted(p.name for p in base.parent.iterdir() if p.name.endswith(".part"))
    assert left == []


def test_no_output_goes_among_the_photos(base: Path) -> None:
    for words in (
        ("slips", base, base / VISIT / "slips.pdf"),
        ("plan", base, "--pdf", base / "photos" / "plan.pdf"),
        ("inspect", base / VISIT / "lawn.jpg", "--picture", base / VISIT / "new.png"),
        ("card", base / VISIT / "card.png"),
    ):
        with pytest.raises(LawnscoreError, match="photos"):
            run(*words)
    assert {p.name for p in (base / VISIT).iterdir()} == {"lawn.jpg", "other.jpg"}


def test_the_json_beside_a_card_is_not_written_over_anothers(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text("{}")
    with pytest.raises(LawnscoreError, match="not made by lawnscore"):
        run("card", tmp_path / "a.png")
    assert (tmp_path / "a.json").read_text() == "{}"
