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
    """Write a printed card's measured values as CGATS.17 text (ISO 28178), CIE XYZ under D65.

    XYZ is on the scale of 100 for a perfect white; the patch names are the sample ids.
    """
    linear = printed_reference(design, ink)
    xyz = 100.0 * linear @ np.linalg.inv(spectra.XYZ_TO_LINEAR_SRGB).T
    rows = [
        f'{n + 1}\t"{patch.name}"\t' + "\t".join(f"{v:.4f}" for v in row)
        for n, (patch, row) in enumerate(zip(design.patches, xyz, strict=True))
    ]
    head = [
        "CGATS.17",
        'ORIGINATOR\t"lawnscore demo"',
        f'DESCRIPTOR\t"{title or "invented card, rendered"}"',
        'CREATED\t"2024-01-01"',
        'INSTRUMENTATION\t"none: computed from ink spectra"',
        'ILLUMINATION_NAME\t"D65"',
        'OBSERVER_ANGLE\t"2"',
        "NUMBER_OF_FIELDS\t5",
        "BEGIN_DATA_FORMAT",
        "SAMPLE_ID\tSAMPLE_NAME\tXYZ_X\tXYZ_Y\tXYZ_Z",
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS\t{len(rows)}",
        "BEGIN_DATA",
    ]
    path.write_text("\n".join([*head, *rows, "END_DATA"]) + "\n", encoding="utf-8")
