"""Whose lawn is whose: one row a customer in customers.csv, named by `customer` of lawns.csv.

A lawn without a customer there is its own customer: its name is looked for in customers.csv.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lawnscore.contract.rows import Row, rows_of
from lawnscore.register.problems import Problem
from lawnscore.register.register import Register, nearest

FILE = "customers.csv"


@dataclass(frozen=True)
class Customer:
    """One customer and the lawns that are theirs; what customers.csv does not say is empty.

    Parameters
    ----------
    customer
        The short name, as in customers.csv, or as lawns.csv has it.
    lawns
        Their lawns, in the order of lawns.csv.
    name, email, phone, address
        As in customers.csv; the address of e-mail in ASCII.
    language
        ``en`` or ``de``; empty is the round's.
    reports
        How they want reports: ``email``, ``paper`` or ``none``.
    """

    customer: str
    lawns: tuple[str, ...]
    name: str = ""
    email: str = ""
    phone: str = ""
    address: str = ""
    language: str = ""
    reports: str = "email"


def customers_of(register: Register) -> tuple[Customer, ...]:
    """Return the customers of the lawns of a register, in the order of their first lawn."""
    rows = {str(row["customer"]).casefold(): row for row in _rows(register, "customers")}
    owned: dict[str, tuple[str, list[str]]] = {}
    for lawn, owner in _owners(register).items():
        owned.setdefault(owner.casefold(), (owner, []))[1].append(lawn)
    return tuple(
        _customer(owner, lawns, rows.get(folded, {})) for folded, (owner, lawns) in owned.items()
    )


def customer_problems(register: Register) -> Iterator[Problem]:
    """Yield what lawns.csv and customers.csv do not agree on."""
    known = [str(row["customer"]) for row in _rows(register, "customers")]
    folded = {name.casefold() for name in known}
    owners = _owners(register)
    first: dict[str, tuple[str, int]] = {}
    for number, row in _numbered(register, "lawns"):
        owner = row["customer"]
        if owner is None:
            continue
        if owner.casefold() not in folded:
            mend = nearest(owner, known) or f"Add a row for them to {FILE}."
            yield Problem("lawns.csv", number, "customer", f"{FILE} has no `{owner}`", mend)
        before, at = first.setdefault(row["lawn"], (owner, number))
        if before.casefold() != owner.casefold():
            mend = "Name one customer a lawn; the first is used."
            what = f"{row['lawn']} is {before}'s in row {at}, and {owner}'s here"
            yield Problem("lawns.csv", number, "customer", what, mend)
    theirs = {owner.casefold() for owner in owners.values()}
    for number, row in _numbered(register, "customers"):
        if row["customer"].casefold() not in theirs:
            mend = nearest(row["customer"], owners) or "Name them in `customer` of lawns.csv."
            what = f"no lawn is of `{row['customer']}`"
            yield Problem(FILE, number, "customer", what, mend)


def customer_notes(register: Register) -> Iterator[Problem]:
    """Yield who wants reports by e-mail and has no address."""
    for number, row in _numbered(register, "customers"):
        if row["email"] is None and row["reports"] in (None, "email"):
            mend = "Write it in, or `paper` or `none` under reports."
            yield Problem(FILE, number, "email", f"no address of {row['customer']}", mend)


def _owners(register: Register) -> dict[str, str]:
    """Return the customer of each lawn: the first that its rows name, else the lawn itself."""
    owners: dict[str, str] = {}
    every = rows_of(register.lawns)
    for row in every:
        if row["customer"] is not None:
            owners.setdefault(row["lawn"], row["customer"])
    return {lawn: owners.get(lawn, lawn) for lawn in (str(row["lawn"]) for row in every)}


def _customer(owner: str, lawns: list[str], row: Row) -> Customer:
    said = {
        name: str(row[name])
        for name in ("name", "email", "phone", "address", "language", "reports")
        if row.get(name) is not None
    }
    return Customer(str(row.get("customer") or owner), tuple(lawns), **said)


def _rows(register: Register, table: str) -> Iterator[Row]:
    yield from rows_of(getattr(register, table))


def _numbered(register: Register, table: str) -> Iterator[tuple[int, Row]]:
    yield from zip(register.row_numbers[table], _rows(register, table), strict=True)
