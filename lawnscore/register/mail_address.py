"""An e-mail address as people type it: one that a message can be sent to, or why it is none."""

from __future__ import annotations

import re

import idna

from lawnscore.register.cells import CellError

_LOCAL = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*")
"""Dot-atom of RFC 5322, 3.2.3; the quoted form of 3.4.1 is not taken."""
_LABEL = re.compile(r"[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?")  # RFC 1123, 2.1
_LOCAL_MOST, _DOMAIN_MOST, _PATH_MOST = 64, 255, 254  # octets: RFC 5321, 4.5.3.1; path less < >
_MEND = "Write one address, such as name@example.org."


def parse_mail_address(text: str) -> str:
    """Return an address in ASCII; letters of a domain beyond it become their A-labels.

    Domains follow IDNA2008 (RFC 5891, with the mapping of UTS 46, so that capitals do not matter).

    Raises
    ------
    CellError
        When it is no address, more than one, or has letters beyond ASCII before the @ sign, which
        only mail servers with SMTPUTF8 (RFC 6531) take.

    Examples
    --------
    >>> parse_mail_address("Info@Gärten.example")
    'Info@xn--grten-gra.example'
    """
    address = text.strip()
    shown = " ".join(address.split())[:60]
    if any(not sign.isprintable() for sign in address):
        raise CellError(f"`{shown}` has a line break or another control character in it", _MEND)
    local, at, domain = address.rpartition("@")
    if not at or "@" in local or re.search(r"[\s,;<>]", address):
        raise CellError(f"`{shown}` is not one e-mail address", _MEND)
    if not local.isascii():
        mend = "Ask for an address with plain letters before the @."
        raise CellError(f"`{shown}` has letters before the @ that many mail servers refuse", mend)
    try:
        ascii_domain = idna.encode(domain, uts46=True).decode("ascii")
    except (idna.IDNAError, UnicodeError):
        raise CellError(f"`{shown}` has no domain that can be", _MEND) from None
    labels = ascii_domain.split(".")
    named = len(labels) > 1 and all(map(_LABEL.fullmatch, labels)) and not labels[-1].isdigit()
    fits = len(local) <= _LOCAL_MOST and len(ascii_domain) <= _DOMAIN_MOST
    found = f"{local}@{ascii_domain}"
    if not (_LOCAL.fullmatch(local) and named and fits and len(found) <= _PATH_MOST):
        raise CellError(f"`{shown}` is not an e-mail address", _MEND)
    return found
