"""A slip that was forgotten, photos far from any slip, and groups that wait for a word."""

from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.copying import file_photos
from lawnscore.filing.forgotten import forgotten_slip
from lawnscore.filing.plan import FilingPlan
from lawnscore.filing.slip_code import SlipCode
from tests.filing.test_filing import ELM, MILL, Dump, Plan, dump, filed, plan, reasons, round_path

__all__ = ["dump", "plan", "round_path"]  # fixtures


def test_a_forgotten_slip_speaks_for_the_photos_before_the_first_one(
    dump: Dump, plan: Plan, round_path: Path
) -> None:
    first, second = dump.photo(), dump.photo()
    dump.visit(MILL, "before", n=1, wait=30)
    assert list(filed(plan())) == ["IMG_0004.jpg"]
    made = plan(forgotten=forgotten_slip(round_path, "Elm-Row-9", stage="before"))
    place = "photos/elm-row-9/all/2026-03-05-before"
    assert [filed(made)[p.name] for p in (first, second)] == [
        f"{place}/{p.name}" for p in (first, second)
    ]
    assert filed(made)["IMG_0004.jpg"].startswith("photos/mill-lane-3/front/")
    assert len(file_photos(made).items) == 3


def test_a_folder_without_any_slip_is_filed_by_a_forgotten_one(dump: Dump, plan: Plan) -> None:
    dump.photo()
    dump.photo()
    made = plan(forgotten=SlipCode(*ELM, "check"))
    assert [item.target for item in made.having("file")] == [
        f"photos/elm-row-9/all/2026-03-05-check/IMG_000{n}.jpg" for n in (1, 2)
    ]


def test_a_forgotten_slip_never_speaks_for_two_groups_at_once(dump: Dump, plan: Plan) -> None:
    dump.photo()
    dump.photo(wait=60)
    slip = SlipCode(*ELM, "check")
    made = plan(forgotten=slip)
    assert not filed(made)
    assert "2 groups of photos have no slip" in reasons(made)["IMG_0001.jpg"]
    assert list(filed(plan(forgotten=slip, only=("img_0002",)))) == ["IMG_0002.jpg"]
    assert list(filed(plan(forgotten=slip, leave=("IMG_0002.jpg",)))) == ["IMG_0001.jpg"]
    assert len(filed(plan(forgotten=slip, gap_min=90))) == 2


def test_a_forgotten_slip_leaves_what_has_one_and_what_was_not_asked_for(
    dump: Dump, plan: Plan
) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(wait=45)  # the work, or the next lawn: its slip may have been forgotten
    slip = SlipCode(*ELM, "check")
    with pytest.raises(LawnscoreError, match="every photo has its slip"):
        plan(forgotten=slip)
    made = plan(forgotten=slip, only=("IMG_0003.jpg",))
    assert [item.lawn for item in made.having("file")] == [MILL[0], ELM[0]]


def test_a_slip_that_cannot_be_read_may_be_given(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(text="lawnscore:1;lawn=mill-lane-3;zone=front;stage=before;check=00")
    dump.photo()
    made = plan(forgotten=SlipCode(*ELM, "check"))
    assert [item.lawn for item in made.having("file")] == [MILL[0], ELM[0]]


def test_a_forgotten_slip_needs_a_date_that_can_be(dump: Dump, plan: Plan) -> None:
    dump.photo(exif=False)
    slip = SlipCode(*ELM, "check")
    assert "says when it was taken" in reasons(plan(forgotten=slip))["IMG_0001.jpg"]
    assert [i.date for i in plan(forgotten=slip, date="2026-03-06").having("file")] == [
        "2026-03-06"
    ]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("elm-row-8",), "Did you mean `elm-row-9`"),
        (("mill-lane-3",), "has 2 zones"),
        (("mill-lane-3", "side"), "has no zone `side`"),
        (("elm-row-9", "all", "during"), "is no stage"),
    ],
)
def test_a_forgotten_slip_names_a_place_of_the_round(
    round_path: Path, words: tuple[str, ...], message: str
) -> None:
    with pytest.raises(LawnscoreError) as caught:
        forgotten_slip(round_path, *words)
    assert message in caught.value.line()


def test_photos_far_from_any_slip_are_left_also_with_confirm(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(wait=5 * 60)
    dump.photo()
    dump.photo(wait=3 * 24 * 60)
    made = plan(confirm=True)
    assert list(filed(made)) == ["IMG_0002.jpg"]
    said = reasons(made)["IMG_0005.jpg"]
    assert said.startswith("taken more than 4 h after the slip of mill-lane-3, front: ")
    assert "--lawn" in said
    assert "--slip-hours" in said


def test_how_far_a_slip_reaches_is_a_setting(dump: Dump, plan: Plan, round_path: Path) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(wait=5 * 60)
    assert len(filed(plan(confirm=True, slip_hours=6))) == 2
    (round_path / "round.toml").write_text("[filing]\nslip_hours = 6\ngap_min = 400\n")
    assert len(filed(plan())) == 2
    assert len(filed(plan(slip_hours=1, confirm=True))) == 1
    assert len(filed(plan(gap_min=15))) == 1


def test_a_slip_of_a_spot_carries_the_slip_of_its_zone_on(dump: Dump, plan: Plan) -> None:
    dump.visit(MILL, "before", n=1)
    dump.photo(wait=3 * 60)
    dump.photo(SlipCode(*MILL, "", "gate"), wait=60)
    dump.photo(wait=30)
    assert len(filed(plan(confirm=True))) == 3


def two_groups(dump: Dump, plan: Plan) -> FilingPlan:
    dump.visit(MILL, "before", n=1)
    dump.photo(wait=30)
    dump.photo()
    dump.visit(ELM, "before", n=1, wait=30)
    dump.photo(wait=40)
    return plan()


def test_confirm_takes_some_groups_and_leaves_others(dump: Dump, plan: Plan) -> None:
    made = two_groups(dump, plan)
    assert [i.group for i in made.having("ask")] == ["IMG_0003.jpg"] * 2 + ["IMG_0007.jpg"]
    taken = plan(confirm=True, only=("IMG_0004",))
    assert set(filed(taken)) - set(filed(made)) == {"IMG_0003.jpg", "IMG_0004.jpg"}
    assert [i.relative for i in taken.having("ask")] == ["IMG_0007.jpg"]
    left = plan(confirm=True, leave=("IMG_0004.jpg",))
    assert set(filed(left)) - set(filed(made)) == {"IMG_0007.jpg"}


@pytest.mark.parametrize("name", ["IMG_0002", "IMG_0099.jpg", ""])
def test_a_photo_that_waits_for_no_word_names_no_group(dump: Dump, plan: Plan, name: str) -> None:
    two_groups(dump, plan)
    with pytest.raises(LawnscoreError, match="waits for a word"):
        plan(confirm=True, only=(name,))


def test_a_name_of_photos_in_two_folders_is_asked_about(dump: Dump, plan: Plan) -> None:
    dump.photo(name="a/IMG_1.jpg")
    dump.photo(name="b/IMG_1.jpg", wait=60)
    slip = SlipCode(*ELM, "check")
    with pytest.raises(LawnscoreError, match="several photos are called"):
        plan(forgotten=slip, only=("IMG_1.jpg",))
    assert list(filed(plan(forgotten=slip, only=("b/IMG_1.jpg",)))) == ["b/IMG_1.jpg"]


def test_only_alone_would_do_nothing_and_says_so(dump: Dump, plan: Plan) -> None:
    two_groups(dump, plan)
    with pytest.raises(LawnscoreError, match="--only and --leave"):
        plan(only=("IMG_0004",))


def test_a_slip_that_no_photo_follows_is_said(dump: Dump, plan: Plan) -> None:
    dump.photo(SlipCode(*MILL, "before"), card=True)
    dump.visit(ELM, "check", n=1)
    said = reasons(plan())
    assert said["IMG_0001.jpg"] == "mill-lane-3, front before; no photo follows it"
    assert said["IMG_0002.jpg"] == "elm-row-9, all check"
