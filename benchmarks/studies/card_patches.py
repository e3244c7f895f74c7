"""Choose the vivid patches of the card: which hues, and which two levels, pin the correction down.

    python -m benchmarks.studies.card_patches

Twelve hues 30 degrees apart in CIELAB, light and deep in turn. Offset of the hues, the two levels
and the chroma are tried out; a choice is kept only when an office printer prints every patch and
none comes near the published colours of a classic 24-patch chart. Of those, the one is taken whose
fit (root-polynomial of degree 2, Finlayson, Mackiewicz & Hurlbert 2015) has the smallest mean
variance over the colours that lawns show (the criterion of I-optimal designs; Atkinson, Donev &
Tobias 2007, from memory). The condition number of the fit and the largest variance stand beside it.
"""

from __future__ import annotations

import argparse
from itertools import product

import numpy as np

from lawnscore.card.chart24 import CHART24_EDITIONS, chart24_srgb
from lawnscore.card.colourspace import (
    ciede2000,
    decode_srgb,
    encode_srgb,
    lab_to_linear,
    linear_to_lab,
)
from lawnscore.card.design import card_design
from lawnscore.demo.ink import CALIBRATED, ink_spectra, separation
from lawnscore.demo.spectra import leaf, soil, straw, to_linear_srgb
from lawnscore.photo.colour_model import root_terms

N_HUES = 12
LEAST_APART = 8.0
"""CIEDE2000 from every patch of the classic chart."""
MARGIN = 0.3
"""Kept over that: the file holds whole numbers."""
PRINT_DELTA_E = 4.0
"""A patch is printable when a calibrated printer comes this near (CIEDE2000 on its paper)."""
MOST_CHROMA = 64.0


def lawn_colours() -> np.ndarray:
    """Return linear sRGB (n, 3) of leaf, straw and soil, lit fully and half."""
    rows = [
        leaf(c, car=a, browning=b) for c, a, b in product((0.4, 1, 2, 3.5), (0.25, 0.5), (0, 0.2))
    ]
    rows += [straw(p, weathering=w) for p, w in product((0.4, 1, 2), (0, 0.5))]
    rows += [
        soil(h, goethite=g, haematite=r)
        for h, g, r in product((0.1, 0.5, 1.5), (0.2, 0.8), (0.05, 0.6))
    ]
    full = np.clip(to_linear_srgb(np.array(rows)), 1e-4, 1)
    return np.concatenate([full, 0.4 * full])


def rest_of_card() -> np.ndarray:
    """Return linear sRGB of the patches that are not chosen here."""
    card = card_design("turf-a5")
    kept = [p.srgb for p in card.patches[: -N_HUES - 1]] + [card.patches[-1].srgb]
    return decode_srgb(np.array(kept) / 255.0)


def figures(patches: np.ndarray, lawn: np.ndarray) -> tuple[float, float, float]:
    """Return mean and largest variance over the lawn's colours, and the condition number.

    Errors are taken as relative: each row is divided by its lightness.
    """
    rows = root_terms(patches, 2) / np.cbrt(patches.mean(axis=1) + 0.02)[:, None]
    wanted = root_terms(lawn, 2) / np.cbrt(lawn.mean(axis=1) + 0.02)[:, None]
    inverse = np.linalg.inv(rows.T @ rows)
    variance = np.einsum("ij,jk,ik->i", wanted, inverse, wanted)
    return float(variance.mean()), float(variance.max()), float(np.linalg.cond(rows))


def strongest(hue: float, level: float) -> np.ndarray | None:
    """Return the strongest sRGB 0-255 (3,) of a hue and level that may be printed here, or None."""
    for chroma in np.arange(MOST_CHROMA, 14.0, -3.0):
        a, b = chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))
        linear = lab_to_linear(np.array([level, a, b]))
        if linear.min() < 0.012 or linear.max() > 0.86:
            continue
        srgb = np.rint(255 * encode_srgb(linear)).astype(int)
        one = srgb[None]
        if nearest_chart(one)[0] >= LEAST_APART + MARGIN and printable(one)[0] <= PRINT_DELTA_E:
            return srgb
    return None


def ring(offset: float, light: float, deep: float, first: int) -> np.ndarray | None:
    """Return sRGB 0-255 (12, 3): hues by 30 degrees, light and deep in turn; None if one fails."""
    found = []
    for k in range(N_HUES):
        srgb = strongest(offset + 360 / N_HUES * k, light if (k + first) % 2 == 0 else deep)
        if srgb is None:
            return None
        found.append(srgb)
    return np.array(found)


def nearest_chart(srgb: np.ndarray) -> np.ndarray:
    """Return the least CIEDE2000 (n,) from any coloured patch of any edition of the chart."""
    chart = np.array([c for e in CHART24_EDITIONS for _, c in chart24_srgb(e)[:18]])
    a, b = (linear_to_lab(decode_srgb(x / 255.0)) for x in (srgb, chart))
    return ciede2000(a[:, None], b[None]).min(axis=1)


def printable(srgb: np.ndarray) -> np.ndarray:
    """Return by how much (CIEDE2000) a calibrated printer misses each colour on its paper."""
    paper = to_linear_srgb(ink_spectra([[0, 0, 0, 0]], CALIBRATED))[0]
    got = to_linear_srgb(ink_spectra([separation(tuple(map(int, c))) for c in srgb], CALIBRATED))
    return ciede2000(linear_to_lab(got / paper), linear_to_lab(decode_srgb(srgb / 255.0)))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="few tries: a check that it runs")
    quick = parser.parse_args().quick
    lawn, rest = lawn_colours(), rest_of_card()
    levels = ((62, 40),) if quick else ((62, 40), (66, 42), (66, 38), (70, 38), (70, 44), (68, 46))
    card = decode_srgb(np.array([p.srgb for p in card_design("turf-a5").patches]) / 255.0)
    print("mean variance, largest, condition of the fit")
    for name, patches in (("the card", card), ("without the row", rest)):
        print(f"{name:16s}", "{:.4f} {:.4f} {:.1f}".format(*figures(patches, lawn)))
    found = []
    for offset, (light, deep), first in product(
        (10,) if quick else range(0, 30, 5), levels, (0, 1)
    ):
        srgb = ring(offset, light, deep, first)
        if srgb is not None:
            row = figures(np.concatenate([rest, decode_srgb(srgb / 255.0)]), lawn)
            found.append((*row, (offset, light, deep, first), srgb))
    for mean, most, condition, choice, srgb in sorted(found, key=lambda row: row[0])[:8]:
        print(f"{mean:.4f} {most:.4f} {condition:.1f}  hue, levels, first {choice}", srgb.tolist())


if __name__ == "__main__":
    main()
