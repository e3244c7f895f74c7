"""The card in one photo: which one, the camera's pose, and the colours the camera saw on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lawnscore.card.design import CardDesign
from lawnscore.photo.pose import Pose

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CardFit:
    """The card in one photo.

    Parameters
    ----------
    design
        Which card.
    pose
        Where the camera stood, in full-size pixels and millimetres of the card.
    mm_per_px, mm_per_px_se
        Ground a full-size pixel covers at the card's centre.
    tilt_deg, tilt_se_deg
        Angle of the line of sight off the card's normal.
    n_markers
        Markers in sight; 0 for a classic chart.
    sheet_px
        ``(4, 2)`` corners of the sheet, full-size pixels.
    patch_rgb, patch_sd
        ``(n, 3)`` mean and spread of each patch, camera-encoded, 0 to 1.
    patch_ok
        ``(n,)``; False where a patch is out of the frame, clipped or not one flat colour.
    patch_state
        ``ok``, ``outside``, ``clipped``, ``glaring`` (burnt where its ink is dark) or ``uneven``.
    """

    design: CardDesign
    pose: Pose
    mm_per_px: float
    mm_per_px_se: float
    tilt_deg: float
    tilt_se_deg: float
    n_markers: int
    sheet_px: Array
    patch_rgb: Array
    patch_sd: Array
    patch_ok: NDArray[np.bool_]
    patch_state: tuple[str, ...]
