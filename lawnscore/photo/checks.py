"""One quality check of a photo: what was found, what is allowed, and whether it passed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lawnscore.contract.errors import PhotoRefused


@dataclass(frozen=True)
class Check:
    """One quality check: its reason word, what was measured, the limit, and whether it passed."""

    reason: str
    what: str
    value: float
    limit: str
    unit: str
    passed: bool

    def sentence(self) -> str:
        """Return what was found against what is allowed, in words."""
        return f"{self.what} {self.value:.3g}{self.unit}, allowed {self.limit}{self.unit}"


def refuse_failed(checks: Iterable[Check]) -> None:
    """Raise for the first check that failed.

    Raises
    ------
    PhotoRefused
        With the reason of that check and its figures.
    """
    for check in checks:
        if not check.passed:
            raise PhotoRefused(check.reason, check.sentence())
