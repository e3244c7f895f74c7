"""Whom a report is for: the customer of each lawn, and the words of their language."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from lawnscore.contract.settings import ReportSettings
from lawnscore.register.customers import Customer
from lawnscore.report.language import Words, words_for


def words_of(customer: Customer, settings: ReportSettings) -> Words:
    """Return the words of a customer's language; the round's where they have none."""
    if not customer.language or customer.language == settings.language:
        return words_for(settings)
    return words_for(replace(settings, language=customer.language, locale=""))


def words_by_lawn(customers: Iterable[Customer], settings: ReportSettings) -> dict[str, Words]:
    """Return the words in which the report of each lawn is written."""
    return {lawn: words_of(one, settings) for one in customers for lawn in one.lawns}
