"""Learn what a printed card looks like from a photo of it beside a classic 24-patch chart.

The chart's published values correct the photo; what the correction makes of the card's patches are
their colours. Ink and chart paint differ in spectrum, so the light of the photo stays in the
values: learn in the light in which the lawns are photographed.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from lawnscore.card.cgats import write_cgats
from lawnscore.card.colourspace import ciede2000, linear_to_lab
from lawnscore.card.draw import card_json
from lawnscore.card.reference import ReferenceCard
from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import check_output, write_whole

_TEXT = (".txt", ".cgats")


def combine_references(references: list[ReferenceCard], name: str) -> ReferenceCard:
    """Return the card that several learned ones agree on.

    Each patch is the mean over the photos in which it was read. With two photos or more the
    standard error is that of the spread between them, never below what each photo states
    divided by the root of their number.

    Raises
    ------
    LawnscoreError
        When there is none, or they are of different designs.
    """
    if not references:
        raise LawnscoreError("there is nothing to combine", "Give at least one photo.")
    if len({r.design.name for r in references}) > 1:
        raise LawnscoreError("the photos show different cards", "Learn one card at a time.")
    values = np.stack([r.linear_srgb for r in references])
    stated = np.stack([r.linear_se for r in references])
    seen = np.isfinite(values)
    n = np.maximum(seen.sum(axis=0), 1)
    mean = np.where(seen, values, 0.0).sum(axis=0) / n
    spread = np.sqrt(np.where(seen, (values - mean) ** 2, 0.0).sum(axis=0) / np.maximum(n - 1, 1))
    floor = np.sqrt(np.where(seen, stated**2, 0.0).sum(axis=0)) / n
    se = np.maximum(spread / np.sqrt(n), floor)
    mean = np.where(seen.any(axis=0), mean, np.nan)
    return ReferenceCard(references[0].design, name, mean, "learned", se)


def se_delta_e(reference: ReferenceCard) -> float:
    """Return the median standard error of the patches as CIEDE2000."""
    known = np.isfinite(reference.linear_srgb).all(axis=1)
    linear, se = reference.linear_srgb[known], reference.linear_se[known]
    squares = [
        ciede2000(linear_to_lab(linear), linear_to_lab(linear + se * np.eye(3)[c])) ** 2
        for c in range(3)
    ]
    return float(np.median(np.sqrt(np.sum(squares, axis=0))))


def save_reference(reference: ReferenceCard, path: Path) -> None:
    """Write a learned card as JSON (with its errors) or as CGATS text.

    Raises
    ------
    LawnscoreError
        When the suffix is another, a file is there that this program did not make, or the file
        cannot be written.
    """
    known = [bool(np.isfinite(row).all()) for row in reference.linear_srgb]
    if path.suffix.lower() in _TEXT:
        names = [p.name for p, k in zip(reference.design.patches, known, strict=True) if k]
        header = {
            "ORIGINATOR": "lawnscore card-learn",
            "DESCRIPTOR": reference.name,
            "TARGET_TYPE": reference.design.name,
        }
        check_output(path, *_TEXT)
        write_cgats(path, names, reference.linear_srgb[known], header=header)
        return
    if path.suffix.lower() != ".json":
        raise LawnscoreError(
            f"a card's colours are kept as .txt or .json, not `{path.suffix}`", "Name the file so."
        )
    data = card_json(reference.design) | {"name": reference.name, "source": "learned"}
    rows = zip(data["patches"], reference.linear_srgb, reference.linear_se, known, strict=True)
    for patch, linear, se, is_known in rows:
        patch["linear_srgb"] = [round(float(v), 6) for v in linear] if is_known else None
        patch["linear_srgb_se"] = [round(float(v), 6) for v in se]
    check_output(path, ".json")
    text = json.dumps(data, indent=1, ensure_ascii=False) + "\n"
    write_whole(path, text.encode("utf-8"))
