"""What the patches of a card truly look like: measured, learned or nominal.

Best first: measured values in a CGATS.17 text file (ISO 28178), values learned from a photo of
the card beside a classic 24-patch chart, the nominal values the card was drawn with.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.cgats import read_cgats
from lawnscore.card.chart24 import chart24_linear
from lawnscore.card.colourspace import decode_srgb
from lawnscore.card.design import (
    CardDesign,
    Marker,
    Patch,
    card_design,
    chart_edition,
    design_names,
    is_card_name,
)
from lawnscore.contract.errors import LawnscoreError

Array = NDArray[np.float64]
Source = Literal["measured", "learned", "nominal"]

_TEXT_SUFFIXES = {".txt", ".cgats", ".it8", ".ti3", ".cie"}


@dataclass(frozen=True, eq=False)
class ReferenceCard:
    """One card with the colours of its patches.

    Parameters
    ----------
    design
        Geometry and patches.
    name
        Name of this card.
    linear_srgb
        ``(n, 3)`` linear sRGB (D65) of each patch, in the order of ``design.patches``; NaN where
        the file says nothing of a patch.
    source
        ``measured``, ``learned`` or ``nominal``.
    linear_se
        ``(n, 3)`` standard errors; 0 where they are not known.
    """

    design: CardDesign
    name: str
    linear_srgb: Array
    source: Source
    linear_se: Array


def nominal_reference(design: CardDesign, name: str | None = None) -> ReferenceCard:
    """Return the card as drawn; a classic chart has published values, which count as measured."""
    name = name or design.name
    edition = chart_edition(design.name)
    if edition:
        linear, source = chart24_linear(edition), "measured"
    else:
        linear = decode_srgb(np.array([p.srgb for p in design.patches]) / 255.0)
        source = "nominal"
    return ReferenceCard(
        design,
        name,
        linear,
        "measured" if source == "measured" else "nominal",
        np.zeros_like(linear),
    )


def load_reference(card: str, *, base: Path | None = None) -> ReferenceCard | None:
    """Return the card that a round or a command names.

    Parameters
    ----------
    card
        ``auto``; a design's name, a chart's with its size (``chart24:105``); or a file: CGATS.17
        text, or JSON of ``lawnscore card`` or of a learned card.
    base
        Folder that a relative path starts from; the present one by default.

    Returns
    -------
    ReferenceCard or None
        ``None`` for ``auto``: the card is known by its markers and its colours are nominal.

    Raises
    ------
    LawnscoreError
        When the file is missing or does not describe a card.
    """
    if card == "auto" or not card:
        return None
    if is_card_name(card):
        return nominal_reference(card_design(card))
    path = Path(card).expanduser()
    if base is not None and not path.is_absolute():
        path = base / path
    if not path.is_file():
        raise LawnscoreError(
            f"`{card}` is neither a card's name nor a file",
            f"Name a file (CGATS text or JSON), `auto`, or one of: {', '.join(design_names())}.",
            path if path.suffix else None,
        )
    text = _read_text(path)
    if path.suffix.lower() == ".json" or text.lstrip().startswith("{"):
        return _from_json(text, path)
    return _from_cgats(text, path)


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        return path.read_bytes().decode("latin-1")
    except OSError as error:
        raise LawnscoreError(
            f"cannot be read ({error.strerror})", "Check the file and its rights.", path
        ) from None


def _from_json(text: str, path: Path) -> ReferenceCard:
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        raise LawnscoreError(
            f"not JSON (line {error.lineno}: {error.msg})", "Draw the card again.", path
        ) from None
    try:
        design = _design_of(data)
        name = str(data.get("name", design.name))
        if "linear_srgb" in data["patches"][0]:
            unknown = [float("nan")] * 3
            values = [p["linear_srgb"] or unknown for p in data["patches"]]
            linear = np.array(values, dtype=np.float64)
            se = [p.get("linear_srgb_se", [0.0] * 3) for p in data["patches"]]
            return ReferenceCard(design, name, linear, "learned", np.array(se, dtype=np.float64))
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
        raise LawnscoreError(
            f"does not describe a card ({type(error).__name__}: {error})",
            "Use the JSON that `lawnscore card OUT.png` writes.",
            path,
        ) from None
    return nominal_reference(design, name)


def _design_of(data: dict[str, Any]) -> CardDesign:
    """Return the design a JSON describes: its own sizes and colours, whatever its name."""
    patches = tuple(
        Patch(
            str(p["name"]),
            "neutral" if p.get("kind") == "neutral" else "colour",
            (float(p["centre_mm"][0]), float(p["centre_mm"][1])),
            (float(p["size_mm"][0]), float(p["size_mm"][1])),
            (int(p["srgb"][0]), int(p["srgb"][1]), int(p["srgb"][2])),
        )
        for p in data["patches"]
    )
    markers = tuple(_marker_of(m) for m in data.get("markers", ()))
    design_name = str(data.get("design", data.get("name", "")))
    width, height = float(data["width_mm"]), float(data["height_mm"])
    return CardDesign(design_name, width, height, patches, markers)


def _marker_of(data: dict[str, Any]) -> Marker:
    a, b, c, d = ((float(x), float(y)) for x, y in data["corners_mm"])
    return Marker(int(data["id"]), (a, b, c, d))


def _from_cgats(text: str, path: Path) -> ReferenceCard:
    table = read_cgats(text, path)
    design = _design_for(table.header.get("TARGET_TYPE", ""), table.names, path)
    _refuse_another_edition(design, table.names, path)
    order = {_plain(name): row for row, name in enumerate(table.names)}
    linear = np.full((len(design.patches), 3), np.nan)
    for n, patch in enumerate(design.patches):
        row = order.get(_plain(patch.name))
        if row is not None:
            linear[n] = table.linear_srgb[row]
    name = table.header.get("DESCRIPTOR") or path.stem
    source: Source = (
        "learned" if table.header.get("ORIGINATOR", "").startswith("lawnscore card") else "measured"
    )
    return ReferenceCard(design, name, linear, source, np.zeros_like(linear))


_STRANGERS = 3
"""Samples that no patch is named like, from which a table speaks of another edition of the card."""


def _refuse_another_edition(design: CardDesign, names: tuple[str, ...], path: Path) -> None:
    """Raise when a table measures patches that this card does not have."""
    known = {_plain(p.name) for p in design.patches}
    strangers = [name for name in names if _plain(name) not in known]
    if len(strangers) >= _STRANGERS and len(names) - len(strangers) < len(known):
        raise LawnscoreError(
            f"measures an older {design.name}: this one has no patch `{strangers[0]}`"
            f" ({len(strangers)} such names)",
            "Print the card anew with `lawnscore card`, and have that print measured.",
            path,
        )


def _plain(name: str) -> str:
    return "".join(c for c in name.lower() if c.isalnum())


def _design_for(target: str, names: tuple[str, ...], path: Path) -> CardDesign:
    """Return the design a table speaks of: by name, or the one whose patches it names."""
    if is_card_name(target.lower()):
        return card_design(target.lower())
    given = {_plain(n) for n in names}
    shares = {
        d: np.mean([_plain(p.name) in given for p in card_design(d).patches])
        for d in design_names()
    }
    best = max(shares, key=lambda d: shares[d])
    if shares[best] < 0.5:
        raise LawnscoreError(
            "the samples are not the patches of a card (fewer than half of the names are known)",
            "Name each sample as the patch is named in the JSON of `lawnscore card OUT.png`.",
            path,
        )
    return card_design(best)
