"""A small set of rendered photos to try things on, with their truth: `sample_images/`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from lawnscore.contract.errors import LawnscoreError
from lawnscore.demo.camera import CAMERAS, Light
from lawnscore.demo.cases import lit_like_the_lawn
from lawnscore.demo.demo_round import (
    CARD_FILE,
    RIM_MM,
    TRUTH_FILE,
    TRUTH_MEASURES,
    Progress,
    write_rows,
)
from lawnscore.demo.geometry import View
from lawnscore.demo.materials import Tint
from lawnscore.demo.round_plan import SIZE_PX
from lawnscore.demo.scene import LawnSpec

SEED = 41
SAMPLE_COLUMNS = ("photo", "shows", "status", "reason", "mm_per_px", "tilt_deg", "area_m2",
                  *TRUTH_MEASURES)  # fmt: skip

_LOAM = Tint(family="report", soil="loam", chlorophyll=2.8)
_GOOD = LawnSpec(green=0.92, straw=0.05, patchiness=0.5, tint=_LOAM)
_OVERCAST = Light(sky_cct_k=6500.0)
_SUN = Light(sun_share=0.7, sun_elevation_deg=46.0, sun_azimuth_deg=240.0, sky_cct_k=9500.0)
_LOW_SUN = Light(sun_share=0.6, sun_elevation_deg=16.0, sun_azimuth_deg=290.0, sun_cct_k=3700.0,
                 sky_cct_k=11000.0)  # fmt: skip
_DAPPLE = replace(_SUN, shade="dapple", shade_share=0.35, shade_green=0.4, shade_seed=8)

_SAMPLES: tuple[tuple[str, str, LawnSpec, Light, str], ...] = (
    ("first", "a good lawn under cloud", _GOOD, _OVERCAST, ""),
    ("stripes", "dark, striped turf in sun",
     replace(_GOOD, green=0.96, straw=0.02, stripes=0.9,
             tint=replace(_LOAM, chlorophyll=4.2)), _SUN, ""),
    ("low-sun", "pale, coarse turf in low, warm sun",
     replace(_GOOD, blade_width_mm=3.2, yellowing=0.15,
             tint=replace(_LOAM, chlorophyll=1.5)), _LOW_SUN, ""),
    ("dapple", "a lawn under a tree", replace(_GOOD, green=0.85), _DAPPLE, ""),
    ("casts", "many fresh worm casts",
     replace(_GOOD, casts_per_m2=45, cast_mm=27, cast_state="wet",
             tint=replace(_LOAM, cast_wet=0.6)), _OVERCAST, ""),
    ("scarified", "just scarified and overseeded",
     replace(_GOOD, green=0.35, straw=0.14, thatch=0.3, patchiness=0.8), _OVERCAST, ""),
    ("seedlings", "seedlings on red-brown clay",
     replace(_GOOD, green=0.2, straw=0.05, thatch=0.15, blade_width_mm=1.3, stones_per_m2=15,
             tint=replace(_LOAM, soil="clay", soil_wet=0.2)), _SUN, ""),
    ("straw", "a summer-dry lawn on sand",
     replace(_GOOD, green=0.3, straw=0.6, thatch=0.8,
             tint=replace(_LOAM, soil="sand", soil_wet=0.0)), _SUN, ""),
    ("patches", "worn, with bare patches",
     replace(_GOOD, bare_patches_per_m2=4.5, bare_patch_cm2=110), _OVERCAST, ""),
    ("leaves", "fallen leaves on mossy turf",
     replace(_GOOD, green=0.8, moss=0.15, leaves_per_m2=18, leaf_mm=45,
             tint=replace(_LOAM, litter="yellow")), _OVERCAST, ""),
    ("cardless", "no card in the picture", _GOOD, _OVERCAST, "cardless"),
    ("blurred", "a shaken photo", _GOOD, _OVERCAST, "blurred"),
)  # fmt: skip


def make_samples(folder: Path | str, *, progress: Progress | None = None) -> list[Path]:
    """Write the sample photos, their truth, the measured card and a README.

    Files of the same names are written over; anything else in the folder is left alone.

    Raises
    ------
    LawnscoreError
        When the folder cannot be written.
    """
    path = Path(folder)
    try:
        path.mkdir(parents=True, exist_ok=True)
        rows, written = [], []
        for n, sample in enumerate(_SAMPLES, 1):
            rows.append(_render(path, n, sample))
            written.append(path / str(rows[-1]["photo"]))
            if progress:
                progress(n, len(_SAMPLES), str(rows[-1]["photo"]))
        write_rows(path / TRUTH_FILE, SAMPLE_COLUMNS, rows)
        _write_beside(path)
    except OSError as error:
        raise LawnscoreError(
            f"the samples cannot be written ({error.strerror or error})",
            "Choose a folder you may write to.",
            path,
        ) from error
    return written


def _render(
    path: Path, number: int, sample: tuple[str, str, LawnSpec, Light, str]
) -> dict[str, object]:
    from lawnscore.demo.photograph import photograph
    from lawnscore.demo.scene import grow_lawn

    name, shows, spec, light, flaw = sample
    rng = np.random.default_rng([SEED, number])
    camera = replace(CAMERAS[f"report-{'abcd'[number % 4]}"], tone=float(rng.uniform(0.3, 0.8)),
                     exposure_ev=float(rng.normal(0, 0.1)), jpeg_quality=86)  # fmt: skip
    if flaw == "blurred":
        camera = replace(camera, blur_px=4.0, motion_px=9.0, sharpen=0.0)
    width = 980.0 * 43.2666 / camera.focal_35mm * 0.8
    size = (width + 170.0, 0.75 * width + 150.0)
    aim = (size[0] / 2, size[1] / 2)
    view = View(
        *SIZE_PX, distance_mm=980.0, tilt_deg=float(min(abs(rng.normal(0, 6)), 18.0)),
        tilt_azimuth_deg=float(rng.uniform(0, 360)), yaw_deg=float(rng.normal(0, 5)), aim_mm=aim,
        card_centre_mm=(aim[0] + float(rng.uniform(-250, 250)), aim[1] + 0.375 * width - 135.0),
        card_angle_deg=float(rng.normal(0, 8)),
    )  # fmt: skip
    view = lit_like_the_lawn(view, light, rng)
    spec = replace(spec, width_mm=size[0], height_mm=size[1])
    scene = grow_lawn(spec, seed=int(rng.integers(2**31)))
    photo = photograph(
        scene, light, camera, view, seed=number, card=None if flaw == "cardless" else "turf-a5",
        taken_at=f"2025-09-09T10:{number:02d}:00+01:00",
    )  # fmt: skip
    photo.save_jpeg(path / f"{name}.jpg")
    row: dict[str, object] = {
        "photo": f"{name}.jpg", "shows": shows, "status": "refused" if flaw else "scored",
        "reason": flaw, "mm_per_px": photo.mm_per_px, "tilt_deg": photo.tilt_deg,
    }  # fmt: skip
    if not flaw:
        truth = photo.truth_within(rim_mm=RIM_MM)
        row |= {key: truth[key] for key in ("area_m2", *TRUTH_MEASURES)}
    return row


def _write_beside(path: Path) -> None:
    from lawnscore.card.design import card_design
    from lawnscore.demo.printed_card import write_cgats

    write_cgats(card_design("turf-a5"), path / CARD_FILE, title="invented card of the samples")
    listed = "\n".join(f"* `{name}.jpg`: {shows}" for name, shows, *_ in _SAMPLES)
    (path / "README.md").write_text(_README.format(listed=listed), encoding="utf-8")


_README = """\
# Sample photos

These photos were **rendered, not taken**: lawns, light and camera are invented, so that the truth
of each is known. They are made, with a fixed seed, by

    lawnscore demo --samples sample_images

{listed}

* `truth.csv`: what each photo truly shows, over the ground in the picture without the card and
  10 mm around it. The last two photos are made to be refused.
* `card.txt`: the colours of the printed card in the photos, as an instrument would measure them
  (CGATS.17). `lawnscore inspect first.jpg --card card.txt` uses it; `--card turf-a5` takes the
  nominal colours instead.
"""
