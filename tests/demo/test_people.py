"""The demo's customers are invented, and show each way of wanting reports."""

from __future__ import annotations

from lawnscore.contract.tables import CUSTOMERS
from lawnscore.demo.people import OWNERS, customer_rows
from lawnscore.demo.round_plan import zones
from lawnscore.register.mail_address import parse_mail_address

LAWNS = {zone.lawn for zone in zones()}


def test_every_lawn_has_its_customer_and_one_has_two() -> None:
    named = [row["customer"] for row in customer_rows(LAWNS)]
    assert set(named) == {OWNERS.get(lawn, lawn) for lawn in LAWNS}
    assert len(named) == len(set(named)) == len(LAWNS) - 1
    assert [row["customer"] for row in customer_rows({"glebe-house"})] == ["amsel"]


def test_nobody_can_be_reached() -> None:
    """RFC 2606, section 2: `.example` belongs to nobody."""
    addresses = [str(row["email"]) for row in customer_rows(LAWNS) if "email" in row]
    assert len(addresses) == 3
    assert all(parse_mail_address(address).endswith(".example") for address in addresses)
    assert all("invented" in str(row["notes"]) for row in customer_rows(LAWNS))


def test_each_way_of_wanting_reports_is_there_in_the_words_of_the_contract() -> None:
    rows = customer_rows(LAWNS)
    assert {name for row in rows for name in row} <= set(CUSTOMERS.column_names)
    assert {row.get("reports") for row in rows} == {"email", "paper", "none", None}
    assert {row.get("language") for row in rows} == {"en", "de", None}
