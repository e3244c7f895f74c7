"""Photos of one card -> the residuals of its patches, in order of time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from lawnscore.card.drift import CardResiduals
from lawnscore.card.reference import ReferenceCard, load_reference, nominal_reference
from lawnscore.contract.errors import LawnscoreError, PhotoRefused
from lawnscore.photo.colour import fit_colour
from lawnscore.photo.find import find_card
from lawnscore.photo.read import read_photo


def _files(paths: Iterable[Path]) -> Iterator[Path]:
    for path in paths:
        if path.is_dir():
            yield from sorted(p for p in path.rglob("*") if p.is_file())
        else:
            yield path


def card_residuals(paths: Iterable[Path], card: str = "auto") -> CardResiduals:
    """Return the residuals of the photos in which the card reads.

    Parameters
    ----------
    paths
        Photos, or folders of them. What is refused is passed over.
    card
        The card: ``auto`` (that of the first photo), a design's name, or its file.

    Raises
    ------
    LawnscoreError
        When no photo shows the card.
    """
    reference: ReferenceCard | None = load_reference(card)
    dates, rows = [], []
    for path in _files(paths):
        try:
            photo = read_photo(path)
            fit = find_card(photo, None if reference is None else reference.design)
            reference = reference or nominal_reference(fit.design)
            colours = fit_colour(fit, reference)
        except PhotoRefused:
            continue
        dates.append(photo.taken_at or "")
        rows.append(np.where(colours.used[:, None], colours.patch_residual_lab, np.nan))
    if reference is None or not rows:
        raise LawnscoreError("no photo shows the card", "Name photos with the card in them.")
    if "" in dates and len(set(dates)) > 1:
        raise LawnscoreError(
            "some of the photos do not say when they were taken", "Leave them out."
        )
    names = tuple(p.name for p in reference.design.patches)
    return CardResiduals(names, reference.linear_srgb, tuple(dates), np.array(rows))
