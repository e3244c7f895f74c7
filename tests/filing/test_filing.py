"""A phone's dump goes into the round by its slips; what is not sure stays where it is."""

from __future__ import annotations

import hashlib
import io
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
import segno
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.copying import file_photos
from lawnscore.filing.grouping import GroupingRules, group_shots
from lawnscore.filing.journal import undo_filing
from lawnscore.filing.plan import FilingOptions, FilingPlan, confirmed
from lawnscore.filing.shots import Shot
from lawnscore.filing.slip_code import SlipCode, slip_text
from lawnscore.filing.slip_finder import SlipSighting
from lawnscore.filing.sorting import plan_filing

NOW = datetime(2026, 4, 1, 12, 0)
START = datetime(2026, 3, 5, 9, 0)
MILL = ("mill-lane-3", "front")
ELM = ("elm-row-9", "all")


@dataclass
class Dump:
    """A folder in which photos are taken one after the other, a minute apart."""

    folder: Path
    time: datetime = START
    number: int = 1
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(6))
    camera: str = "Testcam"

    def photo(self, *codes: SlipCode, suffix: str = ".jpg", name: str = "", **options) -> Path:
        """Take a photo; options: wait (minutes before), exif, offset, card, text."""
        self.time += timedelta(minutes=options.get("wait", 1.0))
        texts = [options["text"]] if "text" in options else [slip_text(code) for code in codes]
        picture = picture_of(texts, self.rng, card=options.get("card", False))
        path = self.folder / (name or f"IMG_{self.number:04d}{suffix}")
        path.parent.mkdir(parents=True, exist_ok=True)
        image = Image.fromarray(picture)
        exif = exif_of(self.time, self.camera, options.get("offset", ""))
        kept = {"exif": exif} if options.get("exif", True) else {}
        image.save(path, **kept)
        self.number += 1
        return path

    def visit(self, place: tuple[str, str], stage: str, n: int = 2, **options) -> list[Path]:
        """Photograph a slip and then the lawn ``n`` times."""
        self.photo(SlipCode(*place, stage), **options)
        return [self.photo() for _ in range(n)]


def exif_of(time: datetime, camera: str, offset: str) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0110] = camera
    exif.get_ifd(0x8769)[0x9003] = time.strftime("%Y:%m:%d %H:%M:%S")
    if offset:
        exif.get_ifd(0x8769)[0x9011] = offset
    return exif


def picture_of(texts: list[str], rng: np.random.Generator, *, card: bool = False) -> np.ndarray:
    """Return ground of noise on which codes lie in perspective, and markers of the card."""
    picture = cv2.resize(rng.integers(20, 150, (150, 200, 3), np.uint8), (800, 600))
    for place, text in enumerate(texts):
        stream = io.BytesIO()
        segno.make(text, error="m", micro=False).save(stream, kind="png", scale=8, border=4)
        code = cv2.imdecode(np.frombuffer(stream.getvalue(), np.uint8), cv2.IMREAD_COLOR)
        paste(picture, code, (60 + 390 * place, 90), 330)
    if card:
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50)
        for marker in range(4):
            drawn = cv2.copyMakeBorder(
                cv2.aruco.generateImageMarker(dictionary, marker, 64),
                12, 12, 12, 12, cv2.BORDER_CONSTANT, value=255,
            )  # fmt: skip
            left = 420 + 90 * marker
            picture[480:568, left : left + 88] = drawn[..., None]
    return picture


def paste(picture: np.ndarray, code: np.ndarray, corner: tuple[int, int], side: int) -> None:
    x, y = corner
    n = code.shape[0]
    flat = np.float32([[0, 0], [n, 0], [n, n], [0, n]])
    seen = np.float32(
        [
            [x, y + 0.06 * side],
            [x + side, y],
            [x + 0.93 * side, y + side],
            [x + 10, y + 0.92 * side],
        ]
    )
    matrix = cv2.getPerspectiveTransform(flat, seen)
    size = picture.shape[1::-1]
    warped = cv2.warpPerspective(code, matrix, size, flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full_like(code, 255), matrix, size)
    picture[mask > 127] = cv2.GaussianBlur(warped, (0, 0), 0.8)[mask > 127]


@pytest.fixture
def dump(tmp_path: Path) -> Dump:
    folder = tmp_path / "phone"
    folder.mkdir()
    return Dump(folder)


@pytest.fixture
def round_path(tmp_path: Path) -> Path:
    path = tmp_path / "round"
    path.mkdir()
    (path / "lawns.csv").write_text(
        "lawn,zone\nmill-lane-3,front\nmill-lane-3,back\nelm-row-9,all\n"
    )
    return path


Plan = Callable[..., FilingPlan]


@pytest.fixture
def plan(round_path: Path, dump: Dump) -> Plan:
    def make(**options) -> FilingPlan:
        return plan_filing(round_path, dump.folder, FilingOptions(**options), now=NOW)

    return make


def filed(plan: FilingPlan) -> dict[str, str]:
    return {item.relative: item.target for item in plan.having("file")}


def reasons(plan: FilingPlan) -> dict[str, str]:
    return {item.relative: item.reason for item in plan.items if item.action != "file"}


def tree(folder: Path) -> dict[str, str]:
    """Return every file by hash and every folder, the program's own left out."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        if path.is_file()
        else "folder"
        for path in folder.rglob("*")
        if ".lawnscore" not in path.parts
    }


def test_a_morning_is_sorted_by_its_slips(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before")
    dump.visit(MILL, "after", wait=50)
    dump.visit(ELM, "check", wait=20)
    made = plan()
    assert filed(made) == {
        "IMG_0002.jpg": "photos/mill-lane-3/front/2026-03-05-before/IMG_0002.jpg",
        "IMG_0003.jpg": "photos/mill-lane-3/front/2026-03-05-before/IMG_0003.jpg",
        "IMG_0005.jpg": "photos/mill-lane-3/front/2026-03-05-after/IMG_0005.jpg",
        "IMG_0006.jpg": "photos/mill-lane-3/front/2026-03-05-after/IMG_0006.jpg",
        "IMG_0008.jpg": "photos/elm-row-9/all/2026-03-05-check/IMG_0008.jpg",
        "IMG_0009.jpg": "photos/elm-row-9/all/2026-03-05-check/IMG_0009.jpg",
    }
    assert len(made.having("slip")) == 3


def test_filing_copies_verifies_and_leaves_the_dump_alone(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    (photo, _) = dump.visit(MILL, "before")
    before = tree(dump.folder)
    done = file_photos(plan())
    assert len(done.items) == 2
    assert tree(dump.folder) == before
    copy = round_path / "photos/mill-lane-3/front/2026-03-05-before" / photo.name
    assert copy.read_bytes() == photo.read_bytes()


def test_planning_writes_nothing_for_people(dump: Dump, plan: Plan, round_path: Path) -> None:
    dump.visit(MILL, "before")
    before = tree(round_path)
    plan()
    assert tree(round_path) == before


def test_filing_twice_does_nothing_more(dump: Dump, plan: Plan, round_path: Path) -> None:
    dump.visit(MILL, "before")
    file_photos(plan())
    after_one = tree(round_path)
    again = plan()
    assert not again.having("file", "ask")
    assert len(again.having("filed before")) == 2
    file_photos(again)
    assert tree(round_path) == after_one


def test_what_was_filed_is_known_without_the_programs_own_files(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    dump.visit(MILL, "before")
    file_photos(plan())
    shutil.rmtree(round_path / ".lawnscore")
    assert len(plan().having("filed before")) == 2


def test_a_photo_removed_from_the_round_does_not_come_back(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    dump.visit(MILL, "before", n=1)
    (item,) = file_photos(plan()).items
    (round_path / item.target).unlink()
    assert "removed since" in reasons(plan())["IMG_0002.jpg"]
    assert list(filed(plan(again=True))) == ["IMG_0002.jpg"]


def test_undo_restores_the_round_exactly(dump: Dump, plan: Plan, round_path: Path) -> None:
    (round_path / "photos").mkdir()
    before = tree(round_path)
    dump.visit(MILL, "before")
    dump.visit(ELM, "check")
    file_photos(plan())
    undone = undo_filing(round_path)
    assert (len(undone.removed), undone.kept) == (4, ())
    assert tree(round_path) == before
    assert len(plan().having("file")) == 4
    with pytest.raises(LawnscoreError, match="nothing was filed"):
        undo_filing(round_path)


def test_undo_never_costs_the_only_copy(dump: Dump, plan: Plan, round_path: Path) -> None:
    first, second = dump.visit(MILL, "before")
    file_photos(plan())
    first.unlink()
    second.write_bytes(b"another photo now")
    undone = undo_filing(round_path)
    assert undone.removed == ()
    assert undo_filing(round_path).run == undone.run  # it can be tried again
    assert ["gone" in undone.kept[0][1], "changed" in undone.kept[1][1]] == [True, True]


def test_undo_keeps_what_was_changed_since(dump: Dump, plan: Plan, round_path: Path) -> None:
    dump.visit(MILL, "before", n=1)
    (item,) = file_photos(plan()).items
    (round_path / item.target).write_bytes(b"edited")
    assert "changed since" in undo_filing(round_path).kept[0][1]


def test_runs_are_undone_from_the_last_to_the_first(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    dump.visit(MILL, "before", n=1)
    first = file_photos(plan(), now=NOW)
    dump.visit(ELM, "check", n=1)
    second = file_photos(plan(), now=NOW)
    assert undo_filing(round_path).run == second.run
    assert undo_filing(round_path).run == first.run


def test_another_photo_of_the_same_name_is_never_overwritten(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    there = round_path / "photos/mill-lane-3/front/2026-03-05-before/img_0002.JPG"
    there.parent.mkdir(parents=True)
    there.write_bytes(b"another")
    dump.visit(MILL, "before", n=1)
    assert filed(plan())["IMG_0002.jpg"].endswith("/IMG_0002-2.jpg")
    file_photos(plan())
    assert there.read_bytes() == b"another"


def test_a_file_that_appears_between_plan_and_filing_is_kept(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    dump.visit(MILL, "before", n=1)
    made = plan()
    target = round_path / made.having("file")[0].target
    target.parent.mkdir(parents=True)
    target.write_bytes(b"mine")
    with pytest.raises(LawnscoreError, match="cannot be copied"):
        file_photos(made)
    assert target.read_bytes() == b"mine"
    assert [p.name for p in target.parent.iterdir()] == [target.name]


def no_link(*_paths: Path) -> None:
    raise OSError(1, "Operation not permitted")


def full_disk(*_files: object) -> None:
    raise OSError(28, "No space left on device")


def test_a_card_without_hard_links(
    dump: Dump, plan: Plan, round_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (photo,) = dump.visit(MILL, "before", n=1)
    made = plan()
    monkeypatch.setattr("os.link", no_link)
    (item,) = file_photos(made).items
    assert (round_path / item.target).read_bytes() == photo.read_bytes()
    (round_path / item.target).write_bytes(b"mine")
    with pytest.raises(LawnscoreError, match="cannot be copied"):
        file_photos(made)
    assert (round_path / item.target).read_bytes() == b"mine"


@pytest.mark.parametrize("step", ["shutil.copyfile", "os.fsync", "pathlib.Path.rename"])
def test_a_full_disk_leaves_nothing_half_done(
    dump: Dump, plan: Plan, round_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    dump.visit(MILL, "before", n=1)
    made = plan()
    monkeypatch.setattr("os.link", no_link)
    monkeypatch.setattr(step, full_disk)
    with pytest.raises(LawnscoreError, match="No space left"):
        file_photos(made)
    assert not [p for p in (round_path / "photos").rglob("*") if p.is_file()]


def test_a_photo_that_changes_after_the_plan_is_not_filed(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    (photo,) = dump.visit(MILL, "before", n=1)
    made = plan()
    photo.write_bytes(photo.read_bytes() + b"more")
    with pytest.raises(LawnscoreError, match="copy differs"):
        file_photos(made)
    assert not [p for p in (round_path / "photos").rglob("*") if p.is_file()]


def test_heic_and_jpeg_of_one_shot_are_one_photo(dump: Dump, plan: Plan) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    pillow_heif.register_heif_opener()
    dump.photo(SlipCode(*MILL, "before"))
    jpeg = dump.photo()
    exif = exif_of(dump.time, dump.camera, "")
    Image.open(jpeg).save(jpeg.with_suffix(".heic"), exif=exif)
    made = plan()
    assert list(filed(made)) == ["IMG_0002.heic"]
    assert "the HEIC is kept" in reasons(made)["IMG_0002.jpg"]
    file_photos(made)
    jpeg.with_suffix(".heic").unlink()
    assert "another form of the shot" in reasons(plan())["IMG_0002.jpg"]


def test_a_jpeg_is_kept_when_its_heic_is_broken(dump: Dump, plan: Plan) -> None:
    (jpeg,) = dump.visit(MILL, "before", n=1)
    jpeg.with_suffix(".heic").write_bytes(b"broken")
    made = plan()
    assert list(filed(made)) == ["IMG_0002.jpg"]


def test_a_copy_in_the_dump_is_filed_once(dump: Dump, plan: Plan) -> None:
    (photo,) = dump.visit(MILL, "before", n=1)
    shutil.copy2(photo, dump.folder / "IMG_0002 (1).jpg")
    made = plan()
    assert len(filed(made)) == 1
    assert any(text.startswith("a copy of") for text in reasons(made).values())


def test_a_break_in_the_photos_of_a_before_slip_needs_a_word(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(wait=45)
    dump.photo()
    made = plan()
    assert list(filed(made)) == ["IMG_0002.jpg"]
    asked = made.having("ask")
    assert [item.stage for item in asked] == ["after", "after"]
    assert asked[1].reason == "taken after a break of 45 min in the photos of the before slip"
    assert len(filed(plan(confirm=True))) == 3
    assert confirmed(asked[0]).action == "file"


def test_photos_long_after_an_after_slip_are_not_filed_unasked(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "after", n=1)
    dump.photo(wait=200)
    assert "a break of 200 min" in reasons(plan())["IMG_0003.jpg"]


def test_a_slip_with_both_codes_is_parted_by_a_break(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"), SlipCode(*MILL, "after"))
    dump.photo()
    dump.photo(wait=40)
    made = plan()
    assert [item.stage for item in made.having("ask")] == ["before", "after"]
    assert len(filed(plan(confirm=True))) == 2


def test_a_slip_with_both_codes_and_no_break_files_nothing(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"), SlipCode(*MILL, "after"))
    dump.photo()
    assert "no break" in reasons(plan(confirm=True))["IMG_0002.jpg"]


def test_two_slips_with_both_codes_are_before_and_after(dump: Dump, plan: Plan) -> None:
    for wait in (1, 60):
        dump.photo(SlipCode(*MILL, "before"), SlipCode(*MILL, "after"), wait=wait)
        dump.photo()
    assert [(i.relative, i.stage) for i in plan().having("ask")] == [
        ("IMG_0002.jpg", "before"),
        ("IMG_0004.jpg", "after"),
    ]


def test_slips_of_two_zones_in_one_photo_file_nothing(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"), SlipCode(*ELM, "before"))
    dump.photo()
    assert "more than one place" in reasons(plan())["IMG_0002.jpg"]


def test_photos_before_the_first_slip_stay(dump: Dump, plan: Plan) -> None:
    dump.photo()
    dump.visit(MILL, "before", n=1)
    assert "no slip was photographed before it" in reasons(plan())["IMG_0001.jpg"]


def test_a_dump_without_slips(dump: Dump, plan: Plan) -> None:
    dump.photo()
    assert "no slip was photographed with Testcam" in reasons(plan())["IMG_0001.jpg"]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("lawnscore:1;lawn=mill-lane-3;zone=front;stage=before;check=00", "check digits"),
        ("lawnscore:9;lawn=mill-lane-3;zone=front;stage=before;check=00", "version 9"),
    ],
)
def test_a_slip_that_cannot_be_trusted_stops_its_group(
    dump: Dump, plan: Plan, text: str, reason: str
) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(text=text)
    dump.photo()
    assert list(filed(plan())) == ["IMG_0002.jpg"]
    assert reason in reasons(plan())["IMG_0004.jpg"]


def test_a_code_of_someone_else_is_no_slip(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(text="https://example.org/lawn")
    assert list(filed(plan())) == ["IMG_0002.jpg", "IMG_0003.jpg"]


def test_a_broken_photo_might_have_been_a_slip(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo().write_bytes(b"broken")
    dump.photo()
    made = plan()
    assert list(filed(made)) == ["IMG_0002.jpg"]
    assert "not a photo that can be opened" in reasons(made)["IMG_0003.jpg"]
    assert "cannot be opened" in reasons(made)["IMG_0004.jpg"]


def test_a_slip_of_an_unknown_lawn_files_nothing(dump: Dump, plan: Plan) -> None:
    dump.visit(("mill-lane-33", "front"), "before", n=1)
    dump.visit(("..", ".."), "before", n=1)
    text = reasons(plan())
    assert "Did you mean `mill-lane-3, front`?" in text["IMG_0002.jpg"]
    assert "lawns.csv has no lawn .." in text["IMG_0004.jpg"]


def test_names_that_cannot_be_folders_file_nothing(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    (round_path / "lawns.csv").write_text("lawn,zone\n../out,front\n")
    dump.visit(("../out", "front"), "before", n=1)
    assert "cannot be names of folders" in reasons(plan())["IMG_0002.jpg"]


def test_names_of_any_script_and_sign_come_through(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    (round_path / "lawns.csv").write_text("lawn,zone\nGärten; 3=a & b,Süd 芝\n", encoding="utf-8")
    dump.visit(("Gärten; 3=a & b", "Süd 芝"), "before", n=1)
    assert "photos/Gärten; 3=a & b/Süd 芝/2026-03-05-before" in filed(plan())["IMG_0002.jpg"]


def test_spots_come_from_their_slips_and_from_file_names(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"))
    dump.photo(SlipCode(*MILL, "", "gate"))
    dump.photo()
    dump.photo(SlipCode(*MILL, "", "oak"))
    dump.photo()
    dump.photo(SlipCode(*MILL, "after"))
    dump.photo(name="oak--IMG_0007.jpg")
    made = plan()
    assert [(item.spot, Path(item.target).name, item.stage) for item in made.having("file")] == [
        ("gate", "gate--IMG_0003.jpg", "before"),
        ("oak", "oak--IMG_0005.jpg", "before"),
        ("oak", "oak--IMG_0007.jpg", "after"),
    ]


def test_a_break_that_ends_with_a_spot_slip_needs_a_word(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"))
    dump.photo()
    dump.photo(SlipCode(*MILL, "", "gate"), wait=50)
    dump.photo()
    assert list(filed(plan())) == ["IMG_0002.jpg"]
    assert "a break of 50 min" in reasons(plan())["IMG_0004.jpg"]


def test_a_spot_of_another_zone_files_nothing(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"))
    dump.photo(SlipCode(*ELM, "", "gate"))
    dump.photo()
    assert "does not follow a slip of its zone" in reasons(plan())["IMG_0003.jpg"]


def test_midnight_in_a_visit_keeps_the_date_of_its_slip(dump: Dump, plan: Plan) -> None:
    dump.time = datetime(2026, 3, 5, 23, 40)
    dump.visit(MILL, "before", n=1)
    dump.visit(MILL, "after", n=2, wait=40)
    assert {item.date for item in plan().having("file")} == {"2026-03-05"}


def test_the_date_is_the_local_one(dump: Dump, plan: Plan) -> None:
    dump.time = datetime(2026, 3, 5, 0, 30)  # 2026-03-04 in UTC
    dump.photo(SlipCode(*MILL, "before"), offset="+13:00")
    dump.photo(offset="+13:00")
    assert plan().having("file")[0].date == "2026-03-05"


def test_a_change_of_time_zone_on_the_way_does_not_mix_lawns(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"), offset="+02:00")
    dump.photo(offset="+02:00")
    dump.time -= timedelta(minutes=55)  # the phone's clock goes back an hour
    dump.photo(SlipCode(*ELM, "check"), offset="+01:00")
    dump.photo(offset="+01:00")
    places = [item.lawn for item in plan().having("file")]
    assert places == ["mill-lane-3", "elm-row-9"]


def test_a_clock_that_was_set_back_on_the_way_leaves_what_is_unsure(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"))
    dump.photo(wait=10)
    dump.photo(SlipCode(*ELM, "check"), wait=-8)
    dump.photo()
    made = plan()
    assert "was the clock changed?" in reasons(made)["IMG_0002.jpg"]
    assert list(filed(made)) == ["IMG_0004.jpg"]


def test_a_wrong_clock_is_mended_by_its_offset(dump: Dump, plan: Plan) -> None:
    dump.time = datetime(2026, 6, 5, 9, 0)
    dump.visit(MILL, "before", n=1)
    assert "which cannot be" in reasons(plan())["IMG_0002.jpg"]
    assert plan(clock_offset=timedelta(days=-92)).having("file")[0].date == "2026-03-05"
    assert plan(date="2026-03-06").having("file")[0].date == "2026-03-06"


def test_a_clock_years_behind_needs_a_word(dump: Dump, plan: Plan) -> None:
    dump.time = datetime(2016, 1, 1)
    dump.visit(MILL, "before", n=1)
    assert "more than a year ago" in plan().having("ask")[0].reason


def test_photos_without_times_go_by_the_numbers_in_their_names(dump: Dump, plan: Plan) -> None:
    for place in (MILL, ELM):
        dump.photo(SlipCode(*place, "check"), exif=False)
        dump.photo(exif=False)
    assert "says when it was taken" in reasons(plan())["IMG_0002.jpg"]
    assert [i.lawn for i in plan(date="2026-03-05").having("file")] == [MILL[0], ELM[0]]


def test_a_photo_without_a_time_among_others_needs_a_word(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(exif=False)
    made = plan()
    assert list(filed(made)) == ["IMG_0002.jpg"]
    assert "placed by the number" in reasons(made)["IMG_0003.jpg"]


def test_a_photo_without_time_or_number_stays(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(exif=False, name="from a friend.jpg")
    assert "no time in the photo" in reasons(plan())["from a friend.jpg"]


def test_the_other_cameras_photos_need_their_own_slip(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.camera = "Othercam"
    dump.photo()
    assert "with Othercam" in reasons(plan())["IMG_0003.jpg"]
    assert len(filed(plan(together=True))) == 2


def test_of_a_burst_the_sharpest_is_kept(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"))
    blurred = dump.photo()
    dump.photo(wait=1 / 60)
    image = cv2.GaussianBlur(cv2.imread(str(blurred)), (0, 0), 4)
    with Image.open(blurred) as original:
        saved = original.getexif()
    Image.fromarray(image).save(blurred, exif=saved)
    made = plan()
    assert list(filed(made)) == ["IMG_0003.jpg"]
    assert "burst of 2" in reasons(made)["IMG_0002.jpg"]
    assert len(filed(plan(bursts=True))) == 2


def test_videos_screenshots_and_notes_are_left_with_a_word(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    for name in ("IMG_0009.MOV", "notes.txt", "Screenshot_20260305.png", ".hidden.jpg"):
        (dump.folder / name).write_bytes(b"x")
    text = reasons(plan())
    assert text["IMG_0009.MOV"] == "a video"
    assert text["Screenshot_20260305.png"] == "a screenshot"
    assert text["notes.txt"].startswith("not a photo")
    assert ".hidden.jpg" not in text


def test_a_slip_with_the_card_in_view_is_a_slip(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"), card=True)
    dump.photo(card=True)
    made = plan()
    assert list(filed(made)) == ["IMG_0002.jpg"]
    assert [item.relative for item in made.having("slip")] == ["IMG_0001.jpg"]


def test_a_photo_without_card_might_be_a_slip_that_was_not_read(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"))
    dump.photo(card=True)
    dump.photo()
    dump.photo(card=True)
    dump.photo(SlipCode(*ELM, "check"))
    dump.photo(card=True)
    made = plan()
    assert list(filed(made)) == ["IMG_0002.jpg", "IMG_0006.jpg"]
    assert [i.reason for i in made.having("ask")] == [
        "IMG_0003.jpg shows neither a slip nor the card"
    ] * 2


def test_no_work_files_before_as_check(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.visit(ELM, "before", n=1)
    dump.visit(ELM, "after", n=1)
    stages = [(i.lawn, i.stage) for i in plan(no_work=True).having("file")]
    assert stages == [(MILL[0], "check"), (ELM[0], "before"), (ELM[0], "after")]


def test_folders_in_the_dump_are_searched_and_the_round_in_it_is_not(
    dump: Dump, round_path: Path
) -> None:
    dump.photo(SlipCode(*MILL, "before"), name="100/IMG_0001.jpg")
    dump.photo(name="101/IMG_0002.jpg")
    inner = dump.folder / "my round"
    shutil.copytree(round_path, inner)
    made = plan_filing(inner, dump.folder, now=NOW)
    assert list(filed(made)) == ["101/IMG_0002.jpg"]
    assert all("my round" not in item.relative for item in made.items)


def test_the_rounds_own_photos_cannot_be_filed(round_path: Path) -> None:
    (round_path / "photos").mkdir()
    with pytest.raises(LawnscoreError, match="lies in the round"):
        plan_filing(round_path, round_path / "photos")


@pytest.mark.parametrize(("round_", "folder"), [("nowhere", "."), (".", "nowhere")])
def test_missing_folders(tmp_path: Path, round_: str, folder: str) -> None:
    with pytest.raises(LawnscoreError, match="there is no such"):
        plan_filing(tmp_path / round_, tmp_path / folder)


events = st.lists(
    st.tuples(
        st.sampled_from(["photo", "before", "after", "check", "spot", "both", "fault"]),
        st.sampled_from([MILL, ELM]),
        st.floats(-30, 60),
    ),
    max_size=25,
)


@given(events)
@settings(max_examples=50, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_a_photo_is_filed_only_behind_a_slip_of_its_own_zone(events) -> None:  # type: ignore[no-untyped-def]
    """Whatever the clock does: what is filed unasked follows its slip by time and by number."""
    moment = START
    shots, seen = [], {}
    for number, (what, place, wait) in enumerate(events, start=1):
        moment += timedelta(minutes=wait)
        path = Path(f"IMG_{number:04d}.jpg")
        codes = {
            "photo": (),
            "fault": (),
            "spot": (SlipCode(*place, "", "gate"),),
            "both": (SlipCode(*place, "before"), SlipCode(*place, "after")),
        }.get(what, (SlipCode(*place, what),))
        shots.append(
            Shot(path, path.name, "photo", "cam", moment, None, "exif", moment, "img_", number)
        )
        seen[path] = SlipSighting(codes, "torn" if what == "fault" else "")
    out = group_shots(shots, seen, GroupingRules(NOW))
    assert set(out) == {shot.path for shot in shots if not seen[shot.path].codes} - {
        path for path in seen if seen[path].fault and path not in out
    }
    for shot in shots:
        belonging = out.get(shot.path)
        if belonging is None or belonging.code is None or belonging.question:
            continue
        earlier = [s for s in shots if s.local <= shot.local and s.counter < shot.counter]
        slips = [s for s in earlier if seen[s.path].codes or seen[s.path].fault]
        last = max(slips, key=lambda s: s.counter)
        codes = seen[last.path].codes
        assert {(c.lawn, c.zone) for c in codes} == {(belonging.code.lawn, belonging.code.zone)}
        assert len(codes) == 1
