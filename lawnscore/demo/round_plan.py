"""The story of the demo round: lawns, visits, work and weather. All of it is invented.

Seven lawns, nine zones, one year around a September renovation. Each zone has a course: what it
looks like on each date follows from smooth curves, so that what the round finds can be checked
against what was put in.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from lawnscore.demo.camera import CAMERAS, Camera, Light
from lawnscore.demo.geometry import View
from lawnscore.demo.materials import Tint
from lawnscore.demo.scene import LawnSpec

SIZE_PX = (2000, 1500)
RENOVATION = date(2025, 9, 9)
CHECKS = (date(2025, 4, 15), date(2025, 6, 10), date(2025, 8, 5))
AFTERCARE = (date(2025, 9, 23), date(2025, 10, 7), date(2025, 10, 28), date(2026, 4, 14))
_CAMERA = "report-a"
_SPOTS = ("A", "B", "C")
_SMALL = 0.7  # side of the photos of the small round over that of the full one


@dataclass(frozen=True)
class ZonePlan:
    """One zone of the round.

    Parameters
    ----------
    lawn, zone, name
        As in lawns.csv.
    area_m2, turf, shade, soil, notes
        As in lawns.csv.
    look
        The lawn as it is in a good June.
    course
        Turns ``look`` into the lawn on a date.
    renovated
        Whether the zone is scarified and overseeded on the day of renovation.
    spots
        Photos a visit.
    """

    lawn: str
    zone: str
    name: str
    area_m2: int
    turf: str
    shade: str
    soil: str
    look: LawnSpec
    course: Callable[[LawnSpec, date], LawnSpec]
    renovated: bool = False
    spots: int = 2
    notes: str = ""


@dataclass(frozen=True)
class PhotoJob:
    """One photo to make.

    Parameters
    ----------
    relative
        Path in the round.
    lawn, zone, spot, date, stage
        Where and when.
    spec, light, camera, view
        What to render.
    seed
        Of this photo; ``lawn_seed`` is that of the spot, the same at each visit.
    flaw
        Empty, or the reason the photo deserves to be refused for.
    taken_at
        ISO 8601 with offset.
    """

    relative: str
    lawn: str
    zone: str
    spot: str
    date: str
    stage: str
    spec: LawnSpec
    light: Light
    camera: Camera
    view: View
    seed: int
    lawn_seed: int
    flaw: str
    taken_at: str


def zones(*, small: bool = False) -> list[ZonePlan]:
    """Return the zones of the round; the small one has two lawns, a zone and a spot each."""
    loam = Tint(family="report", soil="loam", soil_wet=0.35, cast_wet=0.5, chlorophyll=2.6)
    clay = replace(loam, soil="clay")
    sand = replace(loam, soil="sand", soil_wet=0.25)
    good = LawnSpec(green=0.93, straw=0.04, patchiness=0.45, yellowing=0.05, tint=loam)
    tired = replace(good, green=0.72, straw=0.2, thatch=0.7, yellowing=0.1)
    every = [
        ZonePlan("alder-bank", "front", "Alder Bank", 140, "ryegrass and fescue", "none", "loam",
                 replace(tired, patchiness=0.6), renovated_course(days=22.0), True, 2),
        ZonePlan("alder-bank", "back", "Alder Bank", 260, "ryegrass and fescue", "part", "loam",
                 replace(tired, green=0.66, straw=0.24), renovated_course(days=26.0), True, 3),
        ZonePlan("brook-end", "all", "Brook End", 310, "ryegrass", "none", "loam",
                 replace(good, casts_per_m2=6.0, cast_mm=25.0, cast_clusters=0.2), casting_course,
                 notes="low ground beside a stream"),
        ZonePlan("cooper-yard", "all", "Cooper Yard", 90, "old meadow turf", "part", "clay",
                 replace(tired, green=0.7, tint=clay),
                 renovated_course(days=110.0, goal=0.62), True, 2,
                 notes="heavy soil, slow to come back"),
        ZonePlan("dove-lane", "all", "Dove Lane", 180, "fescue", "none", "sand",
                 replace(good, green=0.9, blade_width_mm=1.4, mowing_height_mm=22, tint=sand),
                 declining_course, notes="dry, sandy ground"),
        ZonePlan("elm-corner", "sunny", "Elm Corner", 420, "ryegrass", "none", "loam",
                 replace(good, stripes=0.8, green=0.95, straw=0.025,
                         tint=replace(loam, chlorophyll=3.6)), steady_course),
        ZonePlan("elm-corner", "under-trees", "Elm Corner", 110, "shade mixture", "full", "loam",
                 replace(good, green=0.8, straw=0.06, thatch=0.2, moss=0.1, leaf_mm=45.0),
                 leafy_course, notes="leaves in autumn"),
        ZonePlan("fuller-green", "all", "Fuller Green", 520, "ryegrass and bent", "none", "clay",
                 replace(good, green=0.88, bare_patch_cm2=110.0, tint=clay),
                 patchy_course, notes="played on"),
        ZonePlan("glebe-house", "all", "Glebe House", 230, "ryegrass and fescue", "part", "loam",
                 replace(tired, green=0.75), renovated_course(days=30.0), True, 2),
    ]  # fmt: skip
    if not small:
        return every
    return [replace(every[0], spots=1), replace(every[2], spots=1)]


def season(day: date) -> float:
    """Return how well grass grows, 0 in January to 1 in June."""
    turn = 2 * math.pi * (day.timetuple().tm_yday - 165) / 365.25
    return 0.5 + 0.5 * math.cos(turn)


def _toned(look: LawnSpec, day: date) -> LawnSpec:
    """Leaf a little paler and yellower out of season."""
    chl = look.tint.chlorophyll * (0.82 + 0.18 * season(day))
    yellow = look.yellowing + 0.05 * (1.0 - season(day))
    return replace(look, yellowing=yellow, tint=replace(look.tint, chlorophyll=chl))


def steady_course(look: LawnSpec, day: date) -> LawnSpec:
    """Stay as it is but for the season."""
    return _toned(look, day)


def declining_course(look: LawnSpec, day: date) -> LawnSpec:
    """Lose a tenth of the cover every hundred days, and pale."""
    years = (day - CHECKS[0]).days / 365.0
    green = max(look.green - 0.36 * years, 0.3)
    chl = look.tint.chlorophyll * (1.0 - 0.35 * years)
    paler = replace(look, green=green, straw=look.straw + 0.18 * years,
                    patchiness=0.45 + 0.5 * years, yellowing=look.yellowing + 0.12 * years,
                    tint=replace(look.tint, chlorophyll=chl))  # fmt: skip
    return _toned(paler, day)


def casting_course(look: LawnSpec, day: date) -> LawnSpec:
    """Casts come in autumn, fewer in spring, hardly any in a dry summer."""
    by_month = {4: 14.0, 6: 3.0, 8: 1.0, 9: 22.0, 10: 56.0}
    return _toned(replace(look, casts_per_m2=by_month.get(day.month, 5.0)), day)


def leafy_course(look: LawnSpec, day: date) -> LawnSpec:
    """Leaves fall in October; cover thins under them."""
    leaves = {9: 2.0, 10: 26.0 if day.day > 15 else 12.0}.get(day.month, 0.0)
    tint = replace(look.tint, litter="yellow" if day.month == 10 else "brown")
    return _toned(replace(look, leaves_per_m2=leaves, tint=tint), day)


def patchy_course(look: LawnSpec, day: date) -> LawnSpec:
    """Bare patches wear in over the summer and close again by spring."""
    per_m2 = {4: 1.2, 6: 2.5, 8: 4.5, 9: 5.0, 10: 4.0}.get(day.month, 2.0)
    return _toned(replace(look, bare_patches_per_m2=per_m2), day)


def renovated_course(days: float, *, goal: float = 0.93) -> Callable[[LawnSpec, date], LawnSpec]:
    """Return a course: tired before, opened up by the work, then a logistic regrowth.

    ``days`` is the time from the work to half of the regrowth, ``goal`` the cover it ends at.
    """

    def course(look: LawnSpec, day: date) -> LawnSpec:
        since = (day - RENOVATION).days
        if since < 0:
            return _toned(look, day)
        grown = 1.0 / (1.0 + math.exp(-(since - days) / (0.28 * days)))
        start = 0.42 * look.green
        green = start + (goal - start) * grown
        straw = 0.10 * (1.0 - grown) + 0.03
        seedlings = replace(
            look, green=green, straw=straw, thatch=0.25, patchiness=0.8 - 0.4 * grown,
            yellowing=0.04, blade_width_mm=1.5 + 0.5 * grown,
        )  # fmt: skip
        return _toned(seedlings, day)

    return course


def opened_up(look: LawnSpec) -> LawnSpec:
    """Return the lawn right after scarifying and overseeding, before anything has grown."""
    return replace(
        look, green=0.42 * look.green, straw=0.13, thatch=0.3, patchiness=0.8, blade_width_mm=1.5
    )


def jobs(*, seed: int, small: bool = False) -> list[PhotoJob]:
    """Return every photo of the round, in the order of the visits."""
    out: list[PhotoJob] = []
    days = [*CHECKS, RENOVATION, *AFTERCARE]
    if small:
        days = [CHECKS[-1], RENOVATION, AFTERCARE[1]]
    for day in days:
        for plan in zones(small=small):
            stages = ("before", "after") if plan.renovated and day == RENOVATION else ("check",)
            for stage in stages:
                out += _visit(plan, day, stage, seed, nearer=_SMALL if small else 1.0)
    return _with_flaws(out, small=small)


def _visit(
    plan: ZonePlan, day: date, stage: str, seed: int, *, nearer: float = 1.0
) -> list[PhotoJob]:
    key = f"{plan.lawn}/{plan.zone}/{day}/{stage}"
    rng = np.random.default_rng([seed, zlib.crc32(key.encode())])
    if stage == "after":
        state = opened_up(_toned(plan.look, day))
    elif stage == "before":
        state = _toned(plan.look, day)
    else:
        state = plan.course(plan.look, day)
    weather = _light(rng, day)
    hour = 9 + zlib.crc32(f"{plan.lawn}/{plan.zone}".encode()) % 6
    found = []
    for n, spot in enumerate(_SPOTS[: plan.spots]):
        camera = _camera(rng)
        view, size = _view(rng, camera, nearer)
        spot_key = zlib.crc32(f"{plan.lawn}/{plan.zone}/{spot}".encode())
        local = np.random.default_rng([seed, spot_key])
        green = float(np.clip(state.green * (1.0 + local.normal(0, 0.04)), 0.02, 0.97))
        minute = 6 + 3 * n + (45 if stage == "after" else 0)
        name = f"{spot}--{day:%Y%m%d}_{hour:02d}{minute:02d}00.jpg"
        job = PhotoJob(
            relative=f"photos/{plan.lawn}/{plan.zone}/{day}-{stage}/{name}",
            lawn=plan.lawn,
            zone=plan.zone,
            spot=spot,
            date=day.isoformat(),
            stage=stage,
            spec=replace(state, width_mm=size[0], height_mm=size[1], green=green),
            light=weather,
            camera=camera,
            view=view,
            seed=int(rng.integers(2**31)),
            lawn_seed=int(local.integers(2**31)),
            flaw="",
            taken_at=f"{day}T{hour:02d}:{minute:02d}:00{_offset(day)}",
        )
        found.append(job)
    return found


def _offset(day: date) -> str:
    """Return the offset of British clocks: summer time from late March to late October."""
    summer = (3, 29) <= (day.month, day.day) <= (10, 25)
    return "+01:00" if summer else "+00:00"


def _light(rng: np.random.Generator, day: date) -> Light:
    """Draw the light of a visit; the sun stands as it does at 52 degrees north, late morning."""
    declination = 23.4 * math.sin(2 * math.pi * (day.timetuple().tm_yday - 81) / 365.25)
    elevation = 34.0 + declination + float(rng.uniform(-4, 2))
    if rng.random() < 0.55:
        return Light(sky_cct_k=float(rng.uniform(5600, 7500)))
    return Light(
        sun_elevation_deg=elevation, sun_azimuth_deg=float(rng.uniform(200, 300)),
        sun_share=float(rng.uniform(0.45, 0.75)), sun_cct_k=float(rng.uniform(4600, 5600)),
        sky_cct_k=float(rng.uniform(8000, 12000)),
    )  # fmt: skip


def _camera(rng: np.random.Generator) -> Camera:
    warm = float(rng.normal(0, 0.04))
    return replace(
        CAMERAS[_CAMERA],
        white_balance=(math.exp(warm), math.exp(float(rng.normal(0, 0.015))), math.exp(-warm)),
        exposure_ev=float(rng.normal(0, 0.15)), tone=0.55, local_tone=0.15, saturation=1.12,
        noise=0.006, sharpen=0.5, jpeg_quality=88, blur_px=0.6,
    )  # fmt: skip


def _view(
    rng: np.random.Generator, camera: Camera, nearer: float
) -> tuple[View, tuple[float, float]]:
    """Draw a careful view: nearly straight down, the card near the lower or upper edge."""
    distance = nearer * float(rng.uniform(900, 1060))
    width = distance * 43.2666 / camera.focal_35mm * 0.8
    size = (width + 170.0, 0.75 * width + 150.0)
    aim = (size[0] / 2, size[1] / 2)
    side = float(rng.choice([-1.0, 1.0]))
    card = (
        aim[0] + float(rng.uniform(-0.3, 0.3)) * width,
        aim[1] + side * (0.375 * width - float(rng.uniform(115, 150))),
    )
    view = View(
        width_px=round(nearer * SIZE_PX[0]), height_px=round(nearer * SIZE_PX[1]),
        distance_mm=distance, tilt_deg=float(min(abs(rng.normal(0, 3.5)), 12.0)),
        tilt_azimuth_deg=float(rng.uniform(0, 360)), yaw_deg=float(rng.normal(0, 4)), aim_mm=aim,
        card_centre_mm=card, card_angle_deg=float(rng.choice([0, 180]) + rng.normal(0, 5)),
    )  # fmt: skip
    return view, size


_FLAWS = {
    ("alder-bank", "back", "2025-06-10", "B"): "blurred",
    ("brook-end", "all", "2025-10-07", "B"): "cardless",
    ("elm-corner", "under-trees", "2025-08-05", "A"): "shaded",
    ("fuller-green", "all", "2025-09-23", "B"): "underexposed",
}
_SMALL_FLAWS = {("brook-end", "all", "2025-08-05", "A"): "cardless"}


def _with_flaws(every: list[PhotoJob], *, small: bool) -> list[PhotoJob]:
    flaws = _SMALL_FLAWS if small else _FLAWS
    return [spoiled(job, flaws.get((job.lawn, job.zone, job.date, job.spot), "")) for job in every]


def spoiled(job: PhotoJob, flaw: str) -> PhotoJob:
    """Return the job with a flaw that deserves a refusal; as it is without one."""
    if not flaw:
        return job
    if flaw == "blurred":
        soft = replace(job.camera, blur_px=4.0, motion_px=9.0, sharpen=0.0)
        return replace(job, camera=soft, flaw=flaw)
    if flaw == "underexposed":
        return replace(job, camera=replace(job.camera, exposure_ev=-4.8), flaw=flaw)
    if flaw == "shaded":
        sunny = replace(
            job.light, sun_share=0.75, sun_elevation_deg=48.0, shade="edge", shade_share=0.0
        )
        return replace(job, light=sunny, view=replace(job.view, card_in_shade=True), flaw=flaw)
    return replace(job, flaw=flaw)  # cardless: no card is laid


def work_rows(*, small: bool = False) -> list[dict[str, object]]:
    """Return the rows of work.csv."""
    rows: list[dict[str, object]] = []
    for plan in zones(small=small):
        place = {"lawn": plan.lawn, "zone": plan.zone}
        feed = {"task": "feed", "product": "invented spring feed", "rate": 30, "rate_unit": "g/m2",
                "n_pct": 12, "p2o5_pct": 3, "k2o_pct": 6, "form": "granular"}  # fmt: skip
        if plan.lawn != "dove-lane":
            rows.append({"date": "2025-04-15", **place, **feed})
        if plan.renovated:
            day = RENOVATION.isoformat()
            rows += [
                {"date": day, **place, "task": "scarify", "depth_mm": 4, "passes": 2,
                 "material_off": round(plan.area_m2 / 18), "material_unit": "boxes"},
                {"date": day, **place, "task": "overseed", "rate": 35, "rate_unit": "g/m2"},
            ]  # fmt: skip
        if plan.zone == "under-trees":
            rows.append({"date": "2025-10-28", **place, "task": "clear leaves"})
    return sorted(rows, key=lambda row: (str(row["date"]), str(row["lawn"]), str(row["zone"])))


def weather_rows(*, seed: int) -> list[dict[str, object]]:
    """Return the rows of weather.csv: an invented mild, damp climate at 52 degrees north."""
    rng = np.random.default_rng([seed, 3])
    day, last = date(2025, 3, 15), date(2026, 4, 20)
    drift = 0.0
    rows: list[dict[str, object]] = []
    while day <= last:
        drift = 0.75 * drift + float(rng.normal(0, 1.6))
        mean = 10.2 - 6.8 * math.cos(2 * math.pi * (day.timetuple().tm_yday - 20) / 365.25) + drift
        rain = float(rng.gamma(0.9, 4.0)) if rng.random() < 0.45 else 0.0
        wet = float(
            np.clip(
                (4.0 if rain == 0 else 11.0) + 5.0 * (1.0 - season(day)) + rng.normal(0, 2), 0, 24
            )
        )
        rows.append({"date": day.isoformat(), "mean_c": round(mean, 1), "rain_mm": round(rain, 1),
                     "leaf_wetness_h": round(wet, 1)})  # fmt: skip
        day += timedelta(days=1)
    return rows
