"""Weights that take a reflectance spectrum to XYZ under D50, 2 degree observer (CIE 15).

The observer is the fit of Wyman, Sloan & Shirley 2013, J. Comput. Graph. Tech. 2(2):1-11 (lobes of
Gaussians, within about 1 % of CIE 1931); D50 is CIE daylight at 5003 K by the S0, S1, S2
components (CIE 15), here at 10 nm and between by lines.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import D50

Array = NDArray[np.float64]

_NM = np.arange(380.0, 731.0, 10.0)
# D50, relative spectral power, 380 to 730 nm (CIE 15, from colour-science 0.4.7).
_D50_POWER = np.array(
    [
        24.49,
        29.87,
        49.31,
        56.51,
        60.03,
        57.82,
        74.83,
        87.25,
        90.61,
        91.37,
        95.11,
        91.96,
        95.72,
        96.61,
        97.13,
        102.1,
        100.75,
        102.32,
        100.0,
        97.73,
        98.92,
        93.5,
        97.69,
        99.27,
        99.04,
        95.72,
        98.86,
        95.67,
        98.19,
        103.0,
        99.13,
        87.38,
        91.6,
        92.89,
        76.85,
        86.51,
    ]
)


def _lobe(nm: Array, middle: float, below: float, above: float) -> Array:
    width = np.where(nm < middle, below, above)
    return np.asarray(np.exp(-0.5 * ((nm - middle) / width) ** 2), dtype=np.float64)


def _observer(nm: Array) -> Array:
    x = 1.056 * _lobe(nm, 599.8, 37.9, 31.0) + 0.362 * _lobe(nm, 442.0, 16.0, 26.7)
    x -= 0.065 * _lobe(nm, 501.1, 20.4, 26.2)
    y = 0.821 * _lobe(nm, 568.8, 46.9, 40.5) + 0.286 * _lobe(nm, 530.9, 16.3, 31.1)
    z = 1.217 * _lobe(nm, 437.0, 11.8, 36.0) + 0.681 * _lobe(nm, 459.0, 26.0, 13.8)
    return np.column_stack([x, y, z])


def d50_weights(nm: Array) -> Array:
    """Return ``(n, 3)`` weights for reflectances at ``nm``; a perfect white comes to D50."""
    step = np.gradient(nm)
    weights = (np.interp(nm, _NM, _D50_POWER) * step)[:, None] * _observer(nm)
    return np.asarray(weights * (D50 / weights.sum(axis=0)), dtype=np.float64)
