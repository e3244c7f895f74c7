"""What a score is kept under: another card's colours are another method, whatever it is called."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from lawnscore.card.design import card_design
from lawnscore.card.reference import nominal_reference
from lawnscore.contract.settings import Settings
from lawnscore.register.folder import Round
from lawnscore.scoring.batch import method_of

CARD = nominal_reference(card_design("turf-a5"))


def test_the_colours_of_the_card_are_part_of_the_key() -> None:
    opened = Round(Path("round"), Settings(), [])
    known = method_of(opened, CARD)
    assert method_of(opened, CARD) == known
    paler = replace(CARD, linear_srgb=1.01 * CARD.linear_srgb)
    for other in (paler, replace(CARD, name="another"), replace(CARD, source="learned"), None):
        assert method_of(opened, other).card_id != known.card_id
