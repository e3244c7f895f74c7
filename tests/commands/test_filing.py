"""`slips` and `file` on the command line: what is printed is what is photographed and filed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError


def run(*words: object, code: int = 0) -> str:
    result = CliRunner().invoke(build_app(), [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == code, result.output
    return result.stdout


def told(*words: object, code: int = 0) -> str:
    """Return what a person reads: both streams, lines joined."""
    result = CliRunner().invoke(build_app(), [str(word) for word in words])
    assert result.exit_code == code, result.output
    return " ".join(result.output.split())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "round"
    path.mkdir()
    (path / "lawns.csv").write_text("lawn,zone\nmill-lane-3,front\n")
    return path


@pytest.fixture
def phone(folder: Path, tmp_path: Path) -> Path:
    """Photos of the printed before slip, of turf, and of turf 40 minutes later."""
    run("slips", folder, tmp_path / "slips.pdf")
    document = pypdfium2.PdfDocument(tmp_path / "slips.pdf")
    sheet = document[0].render(scale=3, grayscale=True).to_numpy().squeeze()
    document.close()
    height, width = sheet.shape
    slip = sheet[height // 4 : height // 2, : width // 2]  # the lower half of the first tent
    turf = np.random.default_rng(1).integers(40, 120, (300, 400), np.uint8)
    phone = tmp_path / "phone"
    phone.mkdir()
    for number, (picture, time) in enumerate(
        [(slip, "09:00:00"), (turf, "09:01:00"), (turf.T, "09:42:00")], start=1
    ):
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = f"2026:03:05 {time}"
        Image.fromarray(np.ascontiguousarray(picture)).save(phone / f"P{number:04d}.jpg", exif=exif)
    return phone


def files(folder: Path) -> list[str]:
    photos = folder / "photos"
    return sorted(p.relative_to(photos).as_posix() for p in photos.rglob("*") if p.is_file())


def test_from_a_printed_slip_to_a_filed_photo_and_back(folder: Path, phone: Path) -> None:
    assert "1 would be filed, 1 slip, 1 left." in run("file", folder, phone, "--plan", code=1)
    assert files(folder) == []
    assert "1 filed, 1 slip, 1 left." in run("file", folder, phone, code=1)
    run("file", folder, phone, "--confirm")
    assert files(folder) == [
        "mill-lane-3/front/2026-03-05-after/P0003.jpg",
        "mill-lane-3/front/2026-03-05-before/P0002.jpg",
    ]
    assert "filed before" in run("file", folder, phone)
    assert "Took back 1 photo" in run("file", folder, "--undo")
    assert files(folder) == ["mill-lane-3/front/2026-03-05-before/P0002.jpg"]


def test_json_is_one_document(folder: Path, phone: Path, tmp_path: Path) -> None:
    plan = json.loads(run("file", folder, phone, "--plan", "--json", code=1))
    assert [item["action"] for item in plan["items"]] == ["slip", "file", "ask"]
    assert (plan["plan_only"], plan["filed"], plan["left"]) == (True, 1, 1)
    done = json.loads(run("file", folder, phone, "--json", "--confirm"))
    assert done["filed"] == 2
    undone = json.loads(run("file", folder, "--undo", "--json"))
    assert len(undone["removed"]) == 2
    slips = json.loads(run("slips", folder, tmp_path / "s.pdf", "--json", "--spot", "gate"))
    assert slips["slips"] == 2
    assert slips["codes"][-1]["spot"] == "gate"


def test_undo_that_keeps_something_says_so(folder: Path, phone: Path) -> None:
    run("file", folder, phone, code=1)
    (phone / "P0002.jpg").unlink()
    assert "this is the only copy" in run("file", folder, "--undo", code=1)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "no folder of photos is named"),
        (("PHONE", "--clock-offset", "late"), "not a clock offset"),
        (("PHONE", "--date", "3/5/2026"), "can be two days"),
        (("nowhere",), "no such folder"),
    ],
)
def test_nothing_can_be_done(
    folder: Path, tmp_path: Path, words: tuple[str, ...], message: str
) -> None:
    with pytest.raises(LawnscoreError, match=message):
        run("file", folder, *(tmp_path if word == "PHONE" else word for word in words))


def test_a_forgotten_slip_and_a_choice_of_groups(folder: Path, phone: Path) -> None:
    (phone / "P0001.jpg").unlink()  # the slip
    said = told("file", folder, phone, code=1)
    assert "no slip was photographed" in said
    assert "A slip forgotten? --lawn" in said
    assert "2 groups of photos have no slip" in told(
        "file", folder, phone, "--lawn", "mill-lane-3", code=1
    )
    words = ("--lawn", "mill-lane-3", "--zone", "front", "--stage", "before", "--only", "P0002")
    assert "1 filed" in run("file", folder, phone, *words, code=1)
    assert files(folder) == ["mill-lane-3/front/2026-03-05-before/P0002.jpg"]
    with pytest.raises(LawnscoreError, match="no lawn"):
        run("file", folder, phone, "--zone", "front")


def test_confirm_of_one_group(folder: Path, phone: Path) -> None:
    assert "--only PHOTO, or --leave PHOTO" in told("file", folder, phone, code=1)
    assert "0 filed" in run("file", folder, phone, "--confirm", "--leave", "P0003", code=1)
    assert "1 filed" in run("file", folder, phone, "--confirm", "--only", "P0003.jpg")


def test_hours_on_the_command_line(folder: Path, phone: Path) -> None:
    said = told("file", folder, phone, "--slip-hours", "0.5", "--confirm", "--plan", code=1)
    assert "taken more than 0.5 h after the slip of mill-lane-3, front" in said
