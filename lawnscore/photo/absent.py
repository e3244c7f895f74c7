"""Why no card can be read in a photo: the photo is at fault, the card is too far off, or not there.

Nothing here measures: it chooses the advice. A blurred photo, or one of a card seen from far away
or from the side, must not say that there is no card.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.contract.errors import PhotoRefused
from lawnscore.photo.read import Photo
from lawnscore.photo.softness import is_soft

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

_BURNT, _MOSTLY, _DARK = 250, 0.35, 24
"""Camera values (8 bit) of burnt and of dark photos without a card, and a share of the frame."""
_BURNT_PAPER = 0.15
"""Share of the box of a paper, turned any way, that is burnt out where no marker can be read."""

_LEAST_SIDE_PX = 18.0
"""Longer side of the smallest sheet that is told from a stone or a flower, px as read."""
_FARTHEST_PX = 100.0
"""Longer side of a sheet of A5 (210 mm) at the coarsest ground that is measured (2.2 mm a pixel as
read), rounded up: a card that looks smaller is too far away."""
_SHEET_RATIO = 1.4142
"""Long side of an A-sheet over the short one (ISO 216)."""
_LOOKS_FILLED = (0.84, 1.12)
"""Area of a sheet over that of the four-sided figure drawn round it: a disc has 1.57."""
_LARGEST = 0.5
"""Share of the frame that a sheet may take: pale ground is none."""
_STANDS_OUT = 3.0
"""A sheet is this many times as large as the next bright thing that may be one."""
_FROM_THE_SIDE = 0.78
"""Short over long axis of a circle on a sheet as it is seen, below which it is seen from the side:
39 degrees off the normal."""
_SQUARE = (0.69, 0.73)
"""The same of a square, which is no card."""
_PAPER_LEVELS = (0.9, 0.82, 0.7, 0.6, 0.5)
"""Paper is brighter than this share of the brightest hardly coloured pixels."""
_BRIGHTEST_PX = 200
"""So many pixels are taken as the brightest: fewer than the smallest sheet has."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """What looks like a sheet of paper: its corners ``(4, 2)`` in pixels as read."""

    corners_px: Array

    @property
    def longer_px(self) -> float:
        """The longest side, px."""
        sides = np.linalg.norm(np.roll(self.corners_px, -1, axis=0) - self.corners_px, axis=1)
        return float(sides.max())

    @property
    def foreshortening(self) -> float:
        """Short over long axis of a circle on it, were it an A-sheet: 1 from straight above."""
        return max(_foreshortening(np.roll(self.corners_px, turn, axis=0)) for turn in (0, 1))


def photo_fault(photo: Photo) -> PhotoRefused | None:
    """Return what is wrong with the photo as a whole, if anything is.

    Returns
    -------
    PhotoRefused or None
        ``overexposed``, ``underexposed`` or ``blurred``.
    """
    burnt = float(np.mean(photo.rgb[::4, ::4].max(axis=2) >= _BURNT))
    if burnt > _MOSTLY:
        return PhotoRefused("overexposed", f"{100 * burnt:.0f} % is burnt out", photo.path)
    grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    if float(np.percentile(grey[::4, ::4], 90)) < _DARK:
        return PhotoRefused("underexposed", where=photo.path)
    if is_soft(grey):
        return PhotoRefused("blurred", "nothing in the photo is sharp", photo.path)
    return None


def why_absent(photo: Photo, papers: Iterable[Bytes] = (), detail: str = "") -> PhotoRefused:
    """Return why no card is read in a photo.

    Parameters
    ----------
    photo
        The photo.
    papers
        Parts of it ``(h, w, 3)`` where a sheet of paper may lie.
    detail
        What to say when there is no card.

    Returns
    -------
    PhotoRefused
        A fault of the photo; ``tilted`` or ``coarse`` where a sheet of paper is seen from the
        side or from too far away; ``overexposed`` where it is burnt out; else ``cardless``.
    """
    fault = photo_fault(photo)
    if fault is not None:
        return fault
    sheet = find_sheet(photo.rgb)
    if sheet is not None and sheet.foreshortening < _FROM_THE_SIDE:
        return PhotoRefused("tilted", "a sheet of paper is seen from the side", photo.path)
    if sheet is not None and sheet.longer_px < _FARTHEST_PX:
        size = photo.reduction * sheet.longer_px
        return PhotoRefused(
            "coarse", f"what may be the card is only {size:.0f} pixels long", photo.path
        )
    if any(float(np.mean(part.min(axis=2) >= _BURNT)) > _BURNT_PAPER for part in papers):
        return PhotoRefused("overexposed", "a sheet of paper is burnt out", photo.path)
    return PhotoRefused("cardless", detail, photo.path)


def find_sheet(rgb: Bytes) -> Sheet | None:
    """Return the one bright, hardly coloured, four-sided thing that stands out, if there is one.

    Parameters
    ----------
    rgb
        ``(h, w, 3)``.
    """
    red, green, blue = cv2.split(rgb)
    least = np.asarray(cv2.min(cv2.min(red, green), blue), dtype=np.uint8)
    chroma = cv2.max(cv2.max(red, green), blue) - least
    paper = np.where(chroma < 20 + (least >> 2) + (least >> 3), least, 0).astype(np.uint8)
    top = int(np.partition(paper.ravel(), -_BRIGHTEST_PX)[-_BRIGHTEST_PX])
    for level in _PAPER_LEVELS if paper.size > _BRIGHTEST_PX else ():
        mask = (paper > level * top).astype(np.uint8)
        closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        sheet = _lone_sheet(np.asarray(closed, dtype=np.uint8))
        if sheet is not None:
            return sheet
    return None


def _lone_sheet(mask: Bytes) -> Sheet | None:
    """Return the largest figure of a mask where it has four corners and no other comes near it."""
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    areas = sorted(((float(cv2.contourArea(o)), n) for n, o in enumerate(outlines)), reverse=True)
    if not areas or (len(areas) > 1 and areas[1][0] * _STANDS_OUT > areas[0][0]):
        return None
    area, n = areas[0]
    hull = cv2.convexHull(outlines[n])
    corners = cv2.approxPolyDP(hull, 0.05 * cv2.arcLength(hull, True), True)
    if len(corners) != 4:
        return None
    filled = area / max(float(cv2.contourArea(corners)), 1.0)
    sheet = Sheet(np.asarray(corners.reshape(4, 2), dtype=np.float64))
    fits = sheet.longer_px >= _LEAST_SIDE_PX and area < _LARGEST * mask.size
    fits &= not _SQUARE[0] < sheet.foreshortening < _SQUARE[1]
    return sheet if fits and _LOOKS_FILLED[0] <= filled <= _LOOKS_FILLED[1] else None


def _foreshortening(corners: Array) -> float:
    flat = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * np.array([_SHEET_RATIO, 1.0])
    stretch = np.linalg.lstsq(flat - flat.mean(axis=0), corners - corners.mean(axis=0), rcond=None)
    long, short = np.linalg.svd(stretch[0], compute_uv=False)
    return float(short / max(long, 1e-9))
