"""By which method a row was made: a version that changes when the numbers could."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files

from lawnscore import __version__
from lawnscore.card.design import card_design, design_names

EDITION = 6
"""Raised by hand whenever code is changed so that a photo's numbers may differ."""

_WEIGHTS = ("class_net.npz", "class_net.onnx")


@cache
def method_version() -> str:
    """Return the program's version and, after a plus sign, an id of what the numbers hang on.

    The id is a hash of :data:`EDITION`, the network's weights and the cards' designs (a local
    version label as in PEP 440). Settings and the card's own colours have columns of their own.
    A trend is not fitted across two versions without saying so.
    """
    digest = hashlib.sha256(str(EDITION).encode())
    for name in _WEIGHTS:
        digest.update(files("lawnscore.photo").joinpath(name).read_bytes())
    for design in map(card_design, design_names()):
        digest.update(repr((design.name, design.patches, design.markers)).encode())
    return f"{__version__}+{digest.hexdigest()[:10]}"
