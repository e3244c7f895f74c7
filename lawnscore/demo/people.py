"""The invented customers of the demo round; their addresses are of a domain that nobody can own."""

from __future__ import annotations

from collections.abc import Collection

OWNERS = {"glebe-house": "amsel", "elm-corner": "amsel"}
"""The customer of each lawn that is not named like its customer."""

_PEOPLE: tuple[dict[str, object], ...] = (
    {"customer": "amsel", "name": "Familie Amsel (erfunden)", "email": "amsel@gärten.example",
     "address": "Elm Corner 1", "language": "de", "reports": "email",
     "notes": "invented; two lawns, reports in German"},
    {"customer": "alder-bank", "name": "Al Alder (invented)", "email": "al@lawns.example",
     "language": "en", "notes": "invented"},
    {"customer": "brook-end", "name": "Bea Brook (invented)", "email": "bea.brook@lawns.example",
     "language": "en", "reports": "email", "notes": "invented"},
    {"customer": "cooper-yard", "name": "Cas Cooper (invented)", "address": "Cooper Yard 2",
     "reports": "paper", "notes": "invented; wants reports by post"},
    {"customer": "dove-lane", "name": "Dee Dove (invented)", "reports": "email",
     "notes": "invented; has given no address yet"},
    {"customer": "fuller-green", "name": "Fuller Green club (invented)", "reports": "none",
     "notes": "invented; wants no reports"},
)  # fmt: skip
"""`.example` is set aside for documents (RFC 2606)."""


def customer_rows(lawns: Collection[str]) -> list[dict[str, object]]:
    """Return the customers of these lawns, as in customers.csv."""
    owners = {OWNERS.get(lawn, lawn) for lawn in lawns}
    return [row for row in _PEOPLE if row["customer"] in owners]
