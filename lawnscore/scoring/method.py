"""How the photos of a round are scored: what their scores are kept under."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore import __version__

if TYPE_CHECKING:
    from lawnscore.card.reference import ReferenceCard
    from lawnscore.register.folder import Round

_AUTO = "auto"
_ROOMS = ("contract", "card", "photo")


@dataclass(frozen=True)
class Method:
    """How photos are scored; together with a photo's content it is the key of a score.

    Parameters
    ----------
    version
        Program version and id of its code.
    settings_id
        Id of the settings that change the numbers.
    card_id
        Id of the reference card's colours.
    """

    version: str
    settings_id: str
    card_id: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What stands beside the content in the key of a score."""
        return (self.version, self.settings_id, self.card_id)


def load_card(opened: Round) -> ReferenceCard | None:
    """Return the card that the settings name; ``None`` where the markers tell it.

    Raises
    ------
    LawnscoreError
        When there is no such card, or its file cannot be read.
    """
    card = opened.settings.scoring.card
    if card == _AUTO:
        return None
    from lawnscore.card.reference import load_reference

    return load_reference(card, base=opened.path)


def method_of(opened: Round, card: ReferenceCard | None) -> Method:
    """Return how the photos of a round are scored: what their scores are kept under."""
    version = f"{__version__}+{code_id()}"
    return Method(version, opened.settings.scoring.settings_id, _card_id(card))


@cache
def code_id() -> str:
    """Return an id of the code that scores, so that a working copy never shows old scores."""
    digest = hashlib.sha256()
    for room in _ROOMS:
        for file in sorted((Path(__file__).parents[1] / room).iterdir()):
            if file.is_file():
                digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:12]


@cache
def installed_here() -> str:
    """Return in words what scores here: two machines that say the same give the same numbers."""
    import cv2
    import numpy as np

    code = f"lawnscore {__version__}+{code_id()}"
    return f"{code}, NumPy {np.__version__}, OpenCV {cv2.__version__}"


def _card_id(card: ReferenceCard | None) -> str:
    """Return an id that changes with the colours of the card, whatever its file is called."""
    if card is None:
        return _AUTO
    digest = hashlib.sha256(f"{card.design.name}\n{card.source}\n{card.name}\n".encode())
    digest.update(card.linear_srgb.astype("<f8").tobytes())
    return digest.hexdigest()[:16]
