"""A card as an office printer prints it: ink spectra, and the colours they come to.

Modelled by the Neugebauer equations with the Yule-Nielsen correction (n = 2): the paper carries
cyan, magenta, yellow and black dots whose 16 overprints mix by Demichel's shares. Ink
transmittances are smooth absorption bands (invented). The printer aims at the nominal sRGB with
its own idea of its inks; dot gain and ink strength off that idea give the error of a real print.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from lawnscore.card.colourspace import decode_srgb
from lawnscore.demo import spectra
from lawnscore.demo.spectra import WAVELENGTHS_NM, Floats

YULE_NIELSEN = 2.0


@dataclass(frozen=True)
class Ink:
    """A printer as it stands: what differs from its own calibration.

    Parameters
    ----------
    strength
        Ink strengths of cyan, magenta, yellow, black; 1 as calibrated.
    dot_gain
        Extra dot gain at half tone, in shares (0.04 is 4 %).
    paper
        Reflectance of the paper in the green.
    fade
        0 new to 1 badly faded: magenta and yellow lose strength, the paper yellows.
    """

    strength: tuple[float, float, float, float] = (0.94, 1.06, 1.05, 0.92)
    dot_gain: float = 0.025
    paper: float = 0.87
    fade: float = 0.0


CALIBRATED = Ink(strength=(1.0, 1.0, 1.0, 1.0), dot_gain=0.0)


def ink_spectra(coverage: ArrayLike, ink: Ink) -> Floats:
    """Return reflectances (n, 31) of coverages (n, 4) of cyan, magenta, yellow, black."""
    area = np.clip(np.atleast_2d(np.asarray(coverage, dtype=np.float64)), 0.0, 1.0)
    area = np.clip(area + 4.0 * ink.dot_gain * area * (1.0 - area), 0.0, 1.0)
    primaries = _primaries(ink)
    mixed = np.zeros((len(area), spectra.N_WAVELENGTHS))
    for row, on in enumerate(product((0, 1), repeat=4)):
        share = np.prod(np.where(np.array(on) == 1, area, 1.0 - area), axis=1)
        mixed += share[:, None] * primaries[row] ** (1.0 / YULE_NIELSEN)
    return np.asarray(mixed**YULE_NIELSEN)


@lru_cache(maxsize=64)
def _primaries(ink: Ink) -> Floats:
    """Return the 16 overprints (16, 31) in the order of ``product((0, 1), repeat=4)``."""
    w = WAVELENGTHS_NM
    cyan = 2.6 * np.exp(-0.5 * ((w - 640) / 58) ** 2) + 0.12 * np.exp(-0.5 * ((w - 420) / 40) ** 2)
    magenta = 2.3 * np.exp(-0.5 * ((w - 545) / 34) ** 2) + 0.45 * np.exp(
        -0.5 * ((w - 500) / 40) ** 2
    )
    magenta = magenta + 0.25 * np.exp(-0.5 * ((w - 410) / 25) ** 2)
    yellow = (
        2.4 / (1.0 + np.exp((w - 492) / 11.0)) * (1.0 - 0.2 * np.exp(-0.5 * ((w - 400) / 15) ** 2))
    )
    black = 2.9 + 0.1 * (w - 550) / 150
    loss = np.array([1.0 - 0.15 * ink.fade, 1.0 - 0.35 * ink.fade, 1.0 - 0.4 * ink.fade, 1.0])
    paper = ink.paper * (1.0 - (0.02 + 0.12 * ink.fade) * np.exp(-(w - 400) / 45.0))
    densities = np.array([cyan, magenta, yellow, black]) * (np.array(ink.strength) * loss)[:, None]
    rows = []
    for on in product((0, 1), repeat=4):
        density = np.asarray(on, dtype=np.float64) @ densities
        rows.append(0.012 + (paper - 0.012) * np.exp(-np.minimum(density, 6.0)))
    return np.array(rows)


@lru_cache(maxsize=512)
def separation(srgb: tuple[int, int, int]) -> tuple[float, float, float, float]:
    """Return the coverages a calibrated printer chooses for an sRGB colour (0 to 255).

    The nearest printable colour in a perceptual (cube-root) space; black replaces the grey part.
    """
    wanted = decode_srgb(np.asarray(srgb, dtype=np.float64) / 255.0)
    paper = spectra.to_linear_srgb(ink_spectra([[0, 0, 0, 0]], CALIBRATED))[0]
    # Media-relative: white of the file is the white of the paper.
    target = np.cbrt(wanted * paper)
    start_k = float(np.clip(1.0 - np.max(wanted) ** 0.45, 0.0, 1.0)) * 0.8
    start = np.array([0.4, 0.4, 0.4])

    def error(cmy: NDArray[np.float64]) -> NDArray[np.float64]:
        got = spectra.to_linear_srgb(ink_spectra(np.append(cmy, start_k), CALIBRATED))[0]
        return np.asarray(np.cbrt(got) - target)

    fit = least_squares(error, start, bounds=(0.0, 1.0))
    c, m, y = (float(v) for v in fit.x)
    return c, m, y, start_k


def printed_spectra(srgb: ArrayLike, ink: Ink) -> Floats:
    """Return reflectances (n, 31) of nominal sRGB colours (n, 3), 0 to 255, as printed."""
    rows = np.asarray(srgb).reshape(-1, 3)
    coverage = [separation((int(r), int(g), int(b))) for r, g, b in rows]
    return ink_spectra(coverage, ink)
