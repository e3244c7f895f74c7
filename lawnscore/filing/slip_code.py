"""What a slip says: our own short text, in a QR code, with two check digits.

``lawnscore:1;lawn=mill-lane-3;zone=front;stage=before;check=42``: values are percent-encoded
(RFC 3986), so that a name may hold anything. A slip without a stage keeps the stage of the slip
before it; one with a spot names the spot of the photos that follow.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import quote, unquote

from lawnscore.contract.tables import STAGES

SCHEME = "lawnscore:"
VERSION = "1"
_FIELDS = ("lawn", "zone", "stage", "spot")


@dataclass(frozen=True, order=True)
class SlipCode:
    """What one code on a slip says; ``stage`` and ``spot`` may be empty."""

    lawn: str
    zone: str
    stage: str = ""
    spot: str = ""

    @property
    def place(self) -> str:
        """Lawn and zone for people to read."""
        return f"{self.lawn}, {self.zone}"


def slip_text(code: SlipCode) -> str:
    """Return the text of the QR code.

    >>> slip_text(SlipCode("mill-lane-3", "front", "before"))
    'lawnscore:1;lawn=mill-lane-3;zone=front;stage=before;check=97'
    """
    pairs = ((name, getattr(code, name)) for name in _FIELDS)
    said = "".join(f";{name}={quote(value, safe='')}" for name, value in pairs if value)
    body = f"{SCHEME}{VERSION}{said}"
    return f"{body};check={_check_digits(body):02d}"


def read_slip_text(text: str) -> SlipCode | None:
    """Return what a QR code says; ``None`` when it is no slip of ours.

    Raises
    ------
    ValueError
        When it is a slip but cannot be trusted: another version, wrong check digits, or a
        lawn, zone or stage missing.

    Examples
    --------
    >>> read_slip_text("https://example.org") is None
    True
    """
    if not text.startswith(SCHEME):
        return None
    body, _, check = text.rpartition(";check=")
    version, *pairs = body.removeprefix(SCHEME).split(";")
    if version != VERSION:
        raise ValueError(f"the slip is of version {version or '?'}, not {VERSION}: print it again")
    if not re.fullmatch(r"\d\d", check) or int(check) != _check_digits(body):
        raise ValueError("the check digits of the slip do not fit: print it again")
    values = {name: unquote(value) for name, _, value in (pair.partition("=") for pair in pairs)}
    code = SlipCode(**{name: values.get(name, "") for name in _FIELDS})
    if not (code.lawn and code.zone and (code.stage in STAGES or (code.spot and not code.stage))):
        raise ValueError("the slip does not say lawn, zone and stage: print it again")
    return code


def _check_digits(body: str) -> int:
    """Return the check digits of ISO/IEC 7064, MOD 97-10, over the bytes of ``body``."""
    return 98 - (int.from_bytes(body.encode(), "big") * 100) % 97
