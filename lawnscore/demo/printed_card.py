"""The reference card as a printed thing: every point of the sheet has an ink spectrum.

`card_raster` turns a design into palette numbers; patches get their own spectra, all else (text,
markers, scale bar) is paper, black ink or a grey between. `printed_reference` is what a
spectrophotometer would read off the patches.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import xyz_to_lab
from lawnscore.card.design import CardDesign
from lawnscore.demo import spectra
from lawnscore.demo.ink import Ink, printed_spectra
from lawnscore.demo.spectra import Floats

_GREYS = 16
RASTER_DPI = 150


@dataclass(frozen=True, eq=False)
class PrintedCard:
    """A card off a printer.

    Parameters
    ----------
    design
        Its geometry.
    number
        (h, w) uint8 palette numbers: 0 paper to 15 black ink, then the patches in order.
    mm_per_px
        Size of a raster pixel.
    reflectance
        (16 + n, 31).
    """

    design: CardDesign
    number: NDArray[np.uint8]
    mm_per_px: float
    reflectance: Floats

    @property
    def patch_reflectance(self) -> Floats:
        """Reflectance of each patch, (n, 31), in the order of the design."""
        return self.reflectance[_GREYS:]


@lru_cache(maxsize=12)
def print_card(name: str, ink: Ink | None = None) -> PrintedCard:
    """Print a card design by its name; ``None`` is the usual office printer, :class:`Ink`."""
    from lawnscore.card.design import card_design

    return print_design(card_design(name), Ink() if ink is None else ink)


def print_design(design: CardDesign, ink: Ink) -> PrintedCard:
    """Print a card design."""
    from lawnscore.card.draw import card_image

    image = card_image(design, dpi=RASTER_DPI)
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    number = np.round((255.0 - grey) / 255.0 * (_GREYS - 1)).astype(np.uint8)
    mm_per_px = design.width_mm / image.shape[1]
    for n, patch in enumerate(design.patches):
        (x, y), (w, h) = patch.centre_mm, patch.size_mm
        rows = slice(round((y - h / 2) / mm_per_px), round((y + h / 2) / mm_per_px))
        cols = slice(round((x - w / 2) / mm_per_px), round((x + w / 2) / mm_per_px))
        number[rows, cols] = _GREYS + n
    greys = np.linspace(255, 0, _GREYS).astype(int)
    nominal = [(g, g, g) for g in greys] + [p.srgb for p in design.patches]
    return PrintedCard(design, number, mm_per_px, printed_spectra(nominal, ink))


def printed_reference(design: CardDesign, ink: Ink | None = None) -> Floats:
    """Return the true colours of a printed card's patches, (n, 3) linear sRGB under D65."""
    nominal = [patch.srgb for patch in design.patches]
    return spectra.to_linear_srgb(printed_spectra(nominal, Ink() if ink is None else ink))


def write_cgats(design: CardDesign, path: Path, *, ink: Ink | None = None, title: str = "") -> None:
    """Write a printed card's measured values as CGATS.17 text (ISO 28178).

    CIELAB under D50, 2 degree observer, computed from the ink spectra: what an instrument of
    graphic arts reports. The sample names are those of the patches.
    """
    nominal = [patch.srgb for patch in design.patches]
    reflectance = printed_spectra(nominal, Ink() if ink is None else ink)
    weights = spectra.observer() * spectra.daylight(5003.0)[:, None]
    xyz = reflectance @ weights
    lab = xyz_to_lab(xyz, weights.sum(axis=0))
    rows = [
        f'{n} "{patch.name}" ' + " ".join(f"{v:.3f}" for v in row)
        for n, (patch, row) in enumerate(zip(design.patches, lab, strict=True), 1)
    ]
    head = [
        "CGATS.17",
        'ORIGINATOR "lawnscore demo"',
        f'DESCRIPTOR "{title or "invented card, computed from ink spectra"}"',
        'WEIGHTING_FUNCTION "ILLUMINANT, D50"',
        'WEIGHTING_FUNCTION "OBSERVER, 2 degree"',
        "NUMBER_OF_FIELDS 5",
        "BEGIN_DATA_FORMAT",
        "SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B",
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(rows)}",
        "BEGIN_DATA",
    ]
    path.write_text("\n".join([*head, *rows, "END_DATA"]) + "\n", encoding="utf-8")
