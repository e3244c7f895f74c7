"""Published colours of the classic 24-patch chart: CIELAB, D50, two editions.

McCamy, Marcus & Davidson 1976, J. Appl. Photogr. Eng. 2:95-99, as published for charts made before
and after November 2014 and shipped in colour-science 0.4.7 (BSD-3-Clause), rounded to 0.01.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import encode_srgb, lab_d50_to_linear

CHART24_NAMES = (
    "dark-skin",
    "light-skin",
    "blue-sky",
    "foliage",
    "blue-flower",
    "bluish-green",
    "orange",
    "purplish-blue",
    "moderate-red",
    "purple",
    "yellow-green",
    "orange-yellow",
    "blue",
    "green",
    "red",
    "yellow",
    "magenta",
    "cyan",
    "white-9.5",
    "neutral-8",
    "neutral-6.5",
    "neutral-5",
    "neutral-3.5",
    "black-2",
)

_BEFORE_2014 = (
    (37.99, 13.56, 14.06),
    (65.71, 18.13, 17.81),
    (49.93, -4.88, -21.9),
    (43.14, -13.09, 21.9),
    (55.11, 8.84, -25.4),
    (70.72, -33.4, -0.2),
    (62.66, 36.07, 57.1),
    (40.02, 10.41, -45.96),
    (51.12, 48.24, 16.25),
    (30.33, 22.98, -21.59),
    (72.53, -23.71, 57.26),
    (71.94, 19.36, 67.86),
    (28.78, 14.18, -50.3),
    (55.26, -38.34, 31.37),
    (42.1, 53.38, 28.19),
    (81.73, 4.04, 79.82),
    (51.94, 49.99, -14.57),
    (51.04, -28.63, -28.64),
    (96.54, -0.43, 1.19),
    (81.26, -0.64, -0.33),
    (66.77, -0.73, -0.5),
    (50.87, -0.15, -0.27),
    (35.66, -0.42, -1.23),
    (20.46, -0.08, -0.97),
)

_AFTER_2014 = (
    (37.54, 14.37, 14.92),
    (64.66, 19.27, 17.5),
    (49.32, -3.82, -22.54),
    (43.46, -12.74, 22.72),
    (54.94, 9.61, -24.79),
    (70.48, -32.26, -0.37),
    (62.73, 35.83, 56.5),
    (39.43, 10.75, -45.17),
    (50.57, 48.64, 16.67),
    (30.1, 22.54, -20.87),
    (71.77, -24.13, 58.19),
    (71.51, 18.24, 67.37),
    (28.37, 15.42, -49.8),
    (54.38, -39.72, 32.27),
    (42.43, 51.05, 28.62),
    (81.8, 2.67, 80.41),
    (50.63, 51.28, -14.12),
    (49.57, -29.71, -28.32),
    (95.19, -1.03, 2.93),
    (81.29, -0.57, 0.44),
    (66.89, -0.75, -0.06),
    (50.76, -0.13, 0.14),
    (35.63, -0.46, -0.48),
    (20.64, 0.07, -0.46),
)

CHART24_EDITIONS = {
    "chart24": _AFTER_2014,
    "chart24-2014": _AFTER_2014,
    "chart24-1976": _BEFORE_2014,
}
"""Lab D50 of each edition. `chart24` is the present one, `chart24-1976` the one until 2014."""


def chart24_linear(edition: str) -> NDArray[np.float64]:
    """Return the chart's colours as linear sRGB, D65, ``(24, 3)``.

    The cyan patch lies outside sRGB: its red is below zero and is kept so.
    """
    return lab_d50_to_linear(np.array(CHART24_EDITIONS[edition]))


def chart24_srgb(edition: str) -> list[tuple[str, tuple[int, int, int]]]:
    """Return each patch's name and its sRGB 0-255, clipped to what a file can hold."""
    srgb = np.rint(255 * encode_srgb(np.clip(chart24_linear(edition), 0.0, 1.0))).astype(int)
    return [
        (name, (int(r), int(g), int(b)))
        for name, (r, g, b) in zip(CHART24_NAMES, srgb, strict=True)
    ]
