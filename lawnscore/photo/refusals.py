"""What a photo is refused for, stage by stage: one table, read by code, documents and tests.

A stage that cannot go on refuses by itself; what it has seen is then checked. So each row either
names the function that refuses, or a check and what of all that was seen it takes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from lawnscore.photo import quality
from lawnscore.photo.absent import photo_fault, why_absent
from lawnscore.photo.chart import find_chart
from lawnscore.photo.checks import Check
from lawnscore.photo.colour import fit_colour
from lawnscore.photo.daylight import check_daylight
from lawnscore.photo.find import find_card, refuse_unreadable
from lawnscore.photo.ground import flatten
from lawnscore.photo.markers import find_markers
from lawnscore.photo.read import read_photo
from lawnscore.photo.sharpness import check_sharpness

Stage = Literal["read", "find", "colour", "ground", "classes"]


@dataclass(frozen=True)
class Refusal:
    """One way in which a photo is refused.

    Parameters
    ----------
    reason
        Word of :data:`lawnscore.contract.reasons.REASONS`.
    stage
        Stage that refuses, or whose results are checked.
    function
        What refuses, or a check.
    when
        When it does, in a few words for documents.
    takes
        Names of what a check is given; empty where the stage refuses by itself.
    """

    reason: str
    stage: Stage
    function: Callable[..., Any]
    when: str
    takes: tuple[str, ...] = ()


REFUSALS = (
    Refusal("unreadable", "read", read_photo, "the file is no colour photo that can be opened"),
    Refusal("mirrored", "find", find_markers, "the markers of a card read in the mirror alone"),
    Refusal("mirrored", "find", find_chart, "the colours of a chart stand in mirrored order"),
    Refusal("overexposed", "find", photo_fault, "no card is read and much of the photo is burnt"),
    Refusal("underexposed", "find", photo_fault, "no card is read and the photo is dark"),
    Refusal("blurred", "find", photo_fault, "no card is read and nothing in the photo is sharp"),
    Refusal("tilted", "find", why_absent, "no card is read and a sheet is seen from the side"),
    Refusal("coarse", "find", why_absent, "no card is read and a sheet is seen from far away"),
    Refusal("overexposed", "find", why_absent, "no card is read and a sheet is burnt out"),
    Refusal("cardless", "find", why_absent, "no card is read and nothing explains it"),
    Refusal("tilted", "find", find_markers, "one marker alone is read, seen obliquely"),
    Refusal("covered", "find", find_markers, "one marker alone is read, seen from above"),
    Refusal("tilted", "find", find_card, "the card is seen so obliquely that no pose is sure"),
    Refusal("coarse", "find", refuse_unreadable, "patches cannot be read and pixels are coarse"),
    Refusal("blurred", "find", refuse_unreadable, "patches cannot be read and the card is blurred"),
    Refusal("covered", "find", refuse_unreadable, "too few patches can be read"),
    Refusal("glaring", "find", refuse_unreadable, "dark patches are burnt out"),
    Refusal("overexposed", "find", refuse_unreadable, "bright patches are burnt out"),
    Refusal("underexposed", "find", refuse_unreadable, "patches are black"),
    Refusal(
        "tilted", "find", quality.check_tilt, "the camera leans more than the settings allow",
        ("card_fit", "max_tilt_deg"),
    ),
    Refusal(
        "blurred", "find", check_sharpness, "the edges of the card are too soft",
        ("photo", "card_fit"),
    ),
    Refusal(
        "lamplit", "find", check_daylight, "there was too little light for day, or the flash fired",
        ("photo", "card_fit"),
    ),
    Refusal("covered", "colour", fit_colour, "too few patches go with the others"),
    Refusal("glaring", "colour", fit_colour, "a gloss lies over many patches"),
    Refusal("shaded", "colour", fit_colour, "many patches lie in less light"),
    Refusal("miscoloured", "colour", fit_colour, "no sensible correction fits the patches"),
    Refusal(
        "shaded", "colour", quality.check_card_light, "the light on the card is uneven",
        ("card_fit", "colour_fit"),
    ),
    Refusal("coarse", "ground", flatten, "a pixel as read covers too many millimetres"),
    Refusal("cramped", "ground", flatten, "too little ground is left around the card"),
    Refusal(
        "overexposed", "ground", quality.check_burnt, "too much of the ground is burnt out",
        ("sample",),
    ),
    Refusal(
        "underexposed", "ground", quality.check_black, "too much of the ground is black",
        ("sample",),
    ),
    Refusal(
        "underexposed", "ground", quality.check_level, "the ground is too dark in the middle",
        ("sample",),
    ),
    Refusal(
        "shaded", "ground", quality.check_light, "the lawn is too bright or dark beside the card",
        ("sample", "colour_fit"),
    ),
    Refusal(
        "shaded", "ground", quality.check_bright, "parts of the ground are too bright for a lawn",
        ("ground", "colour_fit"),
    ),
    Refusal(
        "shaded", "classes", quality.check_shade, "nearly all the ground lies in cast shade",
        ("classes",),
    ),
    Refusal(
        "shaded", "classes", quality.check_leaf_light, "the leaf is too bright or too dark",
        ("classes",),
    ),
)  # fmt: skip
"""In the order in which they are looked for. `failed` is no photo's fault and is not here."""


def checks_after(stage: Stage, seen: Mapping[str, Any]) -> list[Check]:
    """Return the checks of what was seen up to a stage, in the order of :data:`REFUSALS`."""
    return [
        row.function(*(seen[name] for name in row.takes))
        for row in REFUSALS
        if row.stage == stage and row.takes
    ]
