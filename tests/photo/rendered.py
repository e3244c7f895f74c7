"""Small rendered photos for tests: a lawn of 0.9 x 0.7 m with the A5 card, made once a session."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np

from lawnscore.demo.camera import CAMERAS, Camera, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.materials import Tint
from lawnscore.demo.photograph import Photograph, photograph
from lawnscore.demo.scene import LawnSpec, Scene, grow_lawn

SPEC = LawnSpec(
    width_mm=960,
    height_mm=760,
    green=0.8,
    straw=0.1,
    casts_per_m2=0,
    tint=Tint(family="report", chlorophyll=2.5),
)
VIEW = View(
    width_px=1400,
    height_px=1050,
    distance_mm=650,
    tilt_deg=4,
    aim_mm=(480, 380),
    card_centre_mm=(240, 200),
)
CAMERA = CAMERAS["report-a"]


@cache
def lawn() -> Scene:
    """The lawn of all photos."""
    return grow_lawn(SPEC, seed=3)


def shot(*, light: Light | None = None, camera: Camera | None = None, **view: object) -> Photograph:
    """A photo of it; keywords change the view."""
    return photograph(
        lawn(), light or Light(), camera or CAMERA, replace(VIEW, **view), seed=4, card="turf-a5"
    )


@cache
def good() -> Photograph:
    """A photo with nothing wrong."""
    return shot()


def blurred(rgb: np.ndarray, sigma_px: float) -> np.ndarray:
    """The same photo out of focus."""
    return cv2.GaussianBlur(rgb, (0, 0), sigma_px)
