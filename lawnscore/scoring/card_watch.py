"""Whether the card of a round has aged, from the photos that are scored anyway."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from lawnscore.card.design import card_design, size_warning
from lawnscore.card.drift import CardResiduals, card_drift
from lawnscore.card.reference import ReferenceCard, nominal_reference
from lawnscore.contract.errors import LawnscoreError

if TYPE_CHECKING:
    from lawnscore.scoring.ledger import Ledger, Method

_VERB = {"moved": "have moved", "may have moved": "may have moved"}
"""Verdicts that are warned of, in words."""


def card_warnings(ledger: Ledger, method: Method, card: ReferenceCard | None) -> tuple[str, ...]:
    """Return one line for each card whose colour figures have moved, or may have.

    The card of the round has one more where its size is not known.

    Parameters
    ----------
    ledger, method
        Where the patch residuals of every scored photo are kept, and under which method.
    card
        The card of the round; ``None`` where it is told from the markers.
    """
    doubt = "" if card is None else size_warning(card.design)
    lines = [f"{doubt[0].upper()}{doubt[1:]}."] if doubt else []
    for data, name in _residuals(ledger, method, card):
        report = card_drift(data)
        if report.verdict in _VERB:
            last = report.periods[-1]
            lines.append(
                f"card {name}: its colour figures {_VERB[report.verdict]}, the colour index"
                f" by {last.index_shift:.3f} ({last.index_shift_low:.3f} to"
                f" {last.index_shift_high:.3f}) in the photos from {last.first_date} to"
                f" {last.last_date}: it fades or yellows. {report.advice}"
                " If it is a new print, say since when: `new_prints` in round.toml."
            )
    return tuple(lines)


def _residuals(
    ledger: Ledger, method: Method, card: ReferenceCard | None
) -> Iterator[tuple[CardResiduals, str]]:
    """Yield the residuals of each card that the photos show; classic charts do not age so."""
    found: dict[str, list[tuple[str, np.ndarray]]] = defaultdict(list)
    for _sha256, row, extra in ledger.extras(method):
        residual, taken = extra.get("patch_residual_lab"), row.get("taken_at")
        if row.get("status") == "scored" and residual is not None and taken:
            values = np.array(residual, dtype=np.float64)
            found[str(row["card"])].append((str(taken), values))
    for name, photos in sorted(found.items()):
        reference = card or _nominal(name)
        if reference is None or not reference.design.markers:
            continue
        fitting = [p for p in photos if len(p[1]) == len(reference.design.patches)]
        if fitting:
            dates, residuals = zip(*fitting, strict=True)
            names = tuple(patch.name for patch in reference.design.patches)
            data = CardResiduals(names, reference.linear_srgb, dates, np.stack(residuals))
            yield data, name


def _nominal(name: str) -> ReferenceCard | None:
    try:
        return nominal_reference(card_design(name))
    except LawnscoreError:
        return None
