"""Lengths on paper: millimetres, points, and the papers people have."""

from __future__ import annotations

MM_PER_INCH = 25.4
MM = 72 / MM_PER_INCH
"""Points (1/72 inch, of PDF) in a millimetre."""

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height, upright: A4 by ISO 216, letter by ANSI/ASME Y14.1."""
