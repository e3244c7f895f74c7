"""How much of a photo's error stays on its lawn, and so cancels in a change.

Lawns are followed over a season. Each has a soil, a leaf make-up, a card and a sward of its own.
From visit to visit soil moisture, dew, cover, straw, chlorophyll, mowing, light, the camera and its
settings change: from a few weeks' growth to a drought, an autumn and a renovation, after which
other grass has grown. At each visit three pieces of ground are photographed, the third with another
print of the card beside it, and every photo is scored with the card's measured and its nominal
colours.

Printed, by measure, in stated variances (a stated error squared is 1):

* the whole error, and the part that the photos of a visit share (``visit``);
* the part that the visits of a lawn share (``lasts``), products of errors of different photos, so
  that the chance of one piece of ground is in neither;
* ``left``, half the variance of a difference of two visits: visit less lasts. It is printed
  by how far the ground has changed, with its standard error from drawing lawns again, where
  other grass has grown in between, and where the card was replaced.

    python -m benchmarks.studies.same_lawn --results DIR                  lawns of family train
    python -m benchmarks.studies.same_lawn --results DIR --family report  soil, leaf, camera unseen
    python -m benchmarks.studies.same_lawn --results DIR --odd            odd leaf and soil as well
    python -m benchmarks.studies.same_lawn --results DIR --jobs 32        on a larger machine

Photos already rendered in DIR are scored again, not rendered again. `--quick` proves that it runs.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from benchmarks.studies.same_lawn_tables import NEAR_POINTS, tables
from lawnscore.card.reference import ReferenceCard, nominal_reference
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.demo.camera import Camera, Light
from lawnscore.demo.cases import odd_lawn, random_camera, random_lawn, random_light
from lawnscore.demo.ground_sample import photograph_ground
from lawnscore.demo.ink import Ink
from lawnscore.demo.materials import SURFACES, palette
from lawnscore.demo.printed_card import PrintedCard, print_card
from lawnscore.demo.scene import LawnSpec, Scene, grow_lawn
from lawnscore.demo.truth import cell_shares, mean_colour
from lawnscore.photo.card_fit import CardFit
from lawnscore.photo.casts import Casts, find_casts
from lawnscore.photo.class_net import CELL_PX, GROUND_MM_PER_PX
from lawnscore.photo.classes import ClassMap, classify
from lawnscore.photo.colour import fit_colour
from lawnscore.photo.condition import condition
from lawnscore.photo.ground import Ground
from lawnscore.photo.measures import dgci, measure
from lawnscore.photo.patches import find_patches

SIDE_PX = 448
"""Side of a piece of ground: 0.56 m, so that it costs half a second."""
PIECES = 3
"""Photos a visit; the last has another print of the card beside it."""
INKS: tuple[dict[str, object], ...] = (
    {},
    {"strength": (1.06, 0.94, 0.97, 1.05), "dot_gain": 0.04, "paper": 0.84},
    {"strength": (0.9, 0.97, 1.1, 1.0), "dot_gain": -0.02, "paper": 0.9},
    {"strength": (0.97, 0.9, 0.9, 0.9), "dot_gain": 0.03, "fade": 0.35},
)
"""Printers and ages of the card."""


@dataclass(frozen=True)
class Visit:
    """One visit: what the lawn was like, and in which light, with which camera it was taken."""

    kind: str
    spec: LawnSpec
    palette_seed: int
    light: Light
    camera: Camera


def season(seed: int, family: str, odd: bool) -> tuple[list[Visit], int, int]:
    """Return the visits of one lawn, the ink of its card and that of another card."""
    rng = np.random.default_rng([seed, 4321])
    base = (odd_lawn if odd else random_lawn)(rng, kind="plain", family=family)
    green = float(rng.uniform(0.5, 0.96))
    base = replace(
        base,
        green=green,
        straw=float((0.99 - green) * rng.beta(1.2, 1.5)),
        casts_per_m2=0.0,
        leaves_per_m2=0.0,
        bare_patches_per_m2=float(rng.uniform(1, 4)) if rng.random() < 0.25 else 0.0,
        tint=base.tint if odd else replace(base.tint, chlorophyll=float(rng.uniform(1.3, 4.5))),
    )
    seeds = (int(rng.integers(2**31)), int(rng.integers(2**31)))
    kinds = ("spring", "weeks on", "weeks on", "summer", "dry", "drought", "autumn", "renovated")
    visits = [_visit(rng, kind, base, seeds[0], family) for kind in kinds]
    visits.append(_visit(rng, "regrown", _other_grass(rng, base), seeds[1], family))
    inks = rng.permutation(len(INKS))
    return visits, int(inks[0]), int(inks[1])


def _visit(
    rng: np.random.Generator, kind: str, base: LawnSpec, palette_seed: int, family: str
) -> Visit:
    drop, browned, faded = {
        "spring": (0.0, 0.0, 1.0),
        "weeks on": (rng.normal(0, 0.03), 0.0, 1.0),
        "summer": (rng.normal(0.03, 0.03), 0.5, 0.9),
        "dry": (rng.uniform(0.03, 0.12), 0.8, 0.8),
        "drought": (rng.uniform(0.12, 0.4), 0.9, 0.65),
        "autumn": (rng.normal(0.03, 0.03), 0.3, 1.1),
        "renovated": (rng.uniform(0.15, 0.5), 0.1, 1.0),
        "regrown": (rng.normal(-0.02, 0.03), 0.0, 1.1),
    }[kind]
    green = float(np.clip(base.green - drop, 0.05, 0.98))
    # what browns becomes straw, what is torn out lays the soil bare
    straw = float(np.clip(base.straw + browned * (base.green - green), 0.0, 0.99 - green))
    thatch = base.thatch * (0.4 if kind == "renovated" else float(rng.uniform(0.85, 1.15)))
    autumn = kind == "autumn"
    dry = kind in ("dry", "drought")
    wet = float(rng.beta(0.8, 3.0) if dry else rng.beta(1.2, 1.5))
    tint = replace(
        base.tint,
        soil_wet=wet,
        cast_wet=float(np.clip(wet + rng.normal(0.1, 0.3), 0, 1)),
        chlorophyll=float(base.tint.chlorophyll * faded * rng.lognormal(0, 0.12)),
        dew=float(rng.beta(0.7, 1.5)) if rng.random() < (0.5 if autumn else 0.25) else 0.0,
        straw_pigment=float(base.tint.straw_pigment * rng.lognormal(0, 0.1)),
        straw_weathering=float(np.clip(base.tint.straw_weathering + rng.normal(0, 0.08), 0, 1)),
    )
    spec = replace(
        base,
        width_mm=_SIDE_MM,
        height_mm=_SIDE_MM,
        green=green,
        straw=straw,
        thatch=float(min(thatch, 1.0)),
        yellowing=float(np.clip(base.yellowing + (0.15 if dry else 0.02) * rng.random(), 0, 0.9)),
        mowing_height_mm=float(base.mowing_height_mm * rng.lognormal(0, 0.15)),
        casts_per_m2=float(rng.uniform(0, 30)) if autumn and rng.random() < 0.6 else 0.0,
        cast_state=str(rng.choice(["dry", "wet", "smeared"])),
        leaves_per_m2=float(rng.uniform(0, 15)) if autumn and rng.random() < 0.6 else 0.0,
        tint=tint,
    )
    light = random_light(rng, shade=rng.random() < 0.15)
    return Visit(kind, spec, palette_seed, light, random_camera(rng, family=family))


def _other_grass(rng: np.random.Generator, base: LawnSpec) -> LawnSpec:
    """Return the lawn with the grass of another seed mix: overseeded and grown in."""
    tint = replace(base.tint, chlorophyll=float(rng.uniform(1.3, 4.5)))
    return replace(base, blade_width_mm=float(rng.uniform(1.2, 3.4)), tint=tint)


_SIDE_MM = SIDE_PX * GROUND_MM_PER_PX + 25.0


def _path(folder: Path, seed: int, family: str, odd: bool) -> Path:
    return folder / f"{family}{'_odd' if odd else ''}_{seed:05d}.npz"


def render(job: tuple[int, str, bool, Path, int]) -> None:
    """Render the first visits of one lawn and store what scoring and judging them needs."""
    seed, family, odd, folder, n_visits = job
    path = _path(folder, seed, family, odd)
    if path.is_file():
        return
    cv2.setNumThreads(1)
    visits, own, other = season(seed, family, odd)
    visits = visits[:n_visits]
    cards = [print_card("turf-a5", Ink(**INKS[i]) if INKS[i] else None) for i in (own, other)]
    rows = []
    for number, visit in enumerate(visits):
        for piece in range(PIECES):
            card = cards[1] if piece == PIECES - 1 else cards[0]
            rows.append(_render_piece(visit, card, (seed, number, piece)))
    table = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    table["kind"] = np.repeat([visit.kind for visit in visits], PIECES)
    part = path.with_suffix(".part.npz")
    np.savez(part, **table)
    part.rename(path)


def _render_piece(visit: Visit, card: PrintedCard, key: tuple[int, int, int]) -> dict:
    rng = np.random.default_rng([*key, 99])
    scene = grow_lawn(visit.spec, seed=int(rng.integers(2**31)))
    # the same plants at each visit: their spectra differ by what the tint says alone
    own = palette(visit.spec.tint, np.random.default_rng(visit.palette_seed))
    scene = replace(scene, reflectance=own)
    native = float(rng.uniform(0.4, 0.75))
    seen = native * (2.0 if native < 0.62 else 1.0)
    sample = photograph_ground(
        scene, visit.light, visit.camera, seed=int(rng.integers(2**31)), mm_per_px=seen,
        native_mm_per_px=native, card=card,
    )  # fmt: skip
    return {
        "rgb": _flat(sample.rgb, seen),
        "patch_rgb": sample.patch_rgb,
        "patch_sd": sample.patch_sd,
        "patch_linear": sample.patch_linear,
        "truth": np.array([_truth(scene, sample.casts).get(n, np.nan) for n in MEASURES]),
    }


def _flat(rgb: np.ndarray, mm_per_px: float) -> np.ndarray:
    """Flatten as the scoring does: bilinear, from the photo's scale to the ground's."""
    step = GROUND_MM_PER_PX / mm_per_px
    shift = 0.5 * step - 0.5
    matrix = np.array([[step, 0, shift], [0, step, shift]])
    return cv2.warpAffine(
        rgb, matrix, (SIDE_PX, SIDE_PX), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip


def _ground(rgb: np.ndarray) -> Ground:
    step = GROUND_MM_PER_PX
    area = (SIDE_PX * step / 1000) ** 2
    mask = np.zeros((SIDE_PX, SIDE_PX), bool)
    return Ground(rgb, mask, step, (step / 2, step / 2), area, np.zeros((0, 2)), 0.003)


def _truth(scene: Scene, casts: np.ndarray) -> dict[str, float]:
    """Return the true measures of the ground seen; leaf colour as under an even sky."""
    n = SIDE_PX // CELL_PX
    cell_mm = CELL_PX * GROUND_MM_PER_PX
    shares = cell_shares(scene.surface, scene.mm_per_px, cell_mm=cell_mm)[:n, :n]
    blank = np.zeros((n, n), np.float32)
    true = ClassMap(
        shares, blank + 1, cell_mm, shares[..., SURFACES.index("cast")], blank, np.zeros(5), 1.0,
        np.full(3, np.nan), np.full(3, np.nan),
    )  # fmt: skip
    side = SIDE_PX * GROUND_MM_PER_PX
    inside = casts[(casts[:, :2] < side).all(axis=1)] if len(casts) else casts.reshape(0, 3)
    found = Casts(inside[:, 0], inside[:, 1], inside[:, 2], np.ones(len(inside)))
    ground = _ground(np.zeros((SIDE_PX, SIDE_PX, 3), np.uint8))
    known = measure(true, found, find_patches(true), ground, ScoringSettings())
    values = dict(known.values)
    green = scene.surface == SURFACES.index("green")
    if green.any():
        values |= _leaf(scene, green)
    return values | {"condition": condition(values, ScoringSettings().condition)}


def _leaf(scene: Scene, green: np.ndarray) -> dict[str, float]:
    from lawnscore.card.colourspace import encode_srgb, linear_to_lab

    pick = np.zeros_like(green)
    pick[::2, ::2] = green[::2, ::2]
    planes = [scene.number, scene.height, scene.code]
    colour = np.clip(mean_colour(planes, scene, Light(sun_share=0.0), pick), 0.0, 1.0)
    lab = linear_to_lab(colour)
    return {"colour_index": dgci(encode_srgb(colour))} | {
        name: float(v) for name, v in zip(("leaf_L", "leaf_a", "leaf_b"), lab, strict=True)
    }


def score(path: Path) -> pd.DataFrame:
    """Score the stored photos of one lawn: a row a photo and reference."""
    cv2.setNumThreads(1)
    data = dict(np.load(path))
    design = print_card("turf-a5", None).design
    rows = []
    for i in range(len(data["rgb"])):
        for source in ("measured", "nominal"):
            reference = nominal_reference(design)
            if source == "measured":
                reference = ReferenceCard(
                    design, "printed", data["patch_linear"][i], "measured",
                    np.zeros((len(design.patches), 3)),
                )  # fmt: skip
            card = _card_fit(design, data["patch_rgb"][i], data["patch_sd"][i])
            fit = fit_colour(card, reference)
            ground = _ground(data["rgb"][i])
            seen = classify(ground, fit)
            casts, patches = find_casts(seen, ground), find_patches(seen)
            found = measure(seen, casts, patches, ground, ScoringSettings())
            values, se = found.values, found.se  # noqa: PD011
            row = {"lawn": path.stem, "visit": i // PIECES, "piece": i % PIECES}
            row |= {"kind": str(data["kind"][i]), "source": source}
            for name, true in zip(MEASURES, data["truth"][i], strict=True):
                row |= {name: values[name], f"{name}_se": se[name]}
                row[f"{name}_true"] = true
            rows.append(row)
    return pd.DataFrame(rows)


def _card_fit(design, patch_rgb: np.ndarray, patch_sd: np.ndarray) -> CardFit:
    blank = dict.fromkeys(f.name for f in fields(CardFit))
    return CardFit(**{
        **blank, "design": design, "patch_rgb": patch_rgb, "patch_sd": patch_sd,
        "patch_ok": patch_rgb.max(axis=1) < 0.985, "patch_state": ("used",) * len(patch_rgb),
    })  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lawns", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--family", choices=("train", "report"), default="train")
    parser.add_argument("--odd", action="store_true", help="leaf and soil far from the usual")
    parser.add_argument("--results", type=Path, help="folder of the rendered photos")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--quick", action="store_true", help="a small run that proves it works")
    options = parser.parse_args()
    lawns, n_visits = (1, 2) if options.quick else (options.lawns, 9)
    begin = time.time()
    with tempfile.TemporaryDirectory() as spare:
        folder = options.results or Path(spare)
        folder.mkdir(parents=True, exist_ok=True)
        seeds = range(options.seed, options.seed + lawns)
        which = (options.family, options.odd)
        jobs = [(seed, *which, folder, n_visits) for seed in seeds]
        with ProcessPoolExecutor(options.jobs) as pool:
            list(pool.map(render, jobs))
            paths = [_path(folder, seed, *which) for seed in seeds]
            table = pd.concat(pool.map(score, paths), ignore_index=True)
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}")
    print(
        f"{lawns} {'odd ' * options.odd}lawns of family {options.family}, {len(table) // 2} "
        f"photos, seeds from {options.seed}, {time.time() - begin:.0f} s"
    )
    for source in ("measured", "nominal"):
        parts, by_change = tables(table, source)
        print(f"\nCard colours {source}; lawns that changed by less than {NEAR_POINTS:g} points")
        print(parts.round(2).to_string(index=False))
        print(f"\nLeft in a difference, by points of change, card colours {source}")
        print(by_change.to_string(index=False))
    if options.results:
        table.to_csv(options.results / "scores.csv", index=False)
    return 0


if __name__ == "__main__":
    sys.exit(main())
