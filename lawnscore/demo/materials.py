"""Materials of a rendered lawn: numbers of the palette, their surfaces and their spectra.

A scene stores one palette number (0 to 255) a pixel. Each block of numbers is one material, its
members are variants: darker and lighter soil, more and less chlorophyll, and so on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lawnscore.demo import spectra
from lawnscore.demo.spectra import Floats

SURFACES = ("green", "straw", "soil", "cast", "litter")


@dataclass(frozen=True)
class Block:
    """A run of palette numbers: first number, how many, and which surface they count as."""

    first: int
    count: int
    surface: str


SOIL = Block(0, 16, "soil")
THATCH = Block(16, 16, "straw")
STRAW = Block(32, 32, "straw")
GREEN = Block(64, 48, "green")
YELLOWING = Block(112, 16, "green")
MOSS = Block(128, 12, "green")
WEED = Block(140, 16, "green")
CAST = Block(156, 12, "cast")
LITTER = Block(168, 32, "litter")
STONE = Block(200, 8, "soil")
BLOCKS = (SOIL, THATCH, STRAW, GREEN, YELLOWING, MOSS, WEED, CAST, LITTER, STONE)

SOIL_KINDS = ("loam", "clay", "sand")
LITTER_KINDS = ("brown", "orange", "yellow", "red", "greenish")
"""Kinds of a fresh fall; ``grey`` (bleached) and ``mixed`` are those of a carpet left to lie."""

# Absorption strengths (humus, goethite, haematite, base). The two families differ on purpose,
# so that a method tuned on one is reported on soils it has not met.
_SOILS: dict[str, dict[str, tuple[float, float, float, float]]] = {
    "train": {
        "loam": (1.6, 1.6, 0.25, 0.60),
        "clay": (0.25, 1.9, 0.80, 0.30),
        "sand": (0.12, 0.70, 0.06, 0.10),
    },
    "report": {
        "loam": (2.3, 1.2, 0.40, 0.45),
        "clay": (0.40, 2.4, 0.50, 0.22),
        "sand": (0.20, 0.95, 0.03, 0.16),
    },
}


@dataclass(frozen=True)
class Tint:
    """What decides the colours of one lawn.

    Parameters
    ----------
    family
        ``train`` or ``report``: two sets of soils and of leaf make-up.
    soil
        ``loam``, ``clay`` or ``sand``.
    soil_wet, cast_wet
        0 dry to 1 wet.
    chlorophyll
        Mean strength, 1 pale turf to 5 dark turf; its spread between blades is a third.
    dew
        0 to 1: drops add even reflection to the leaf.
    litter
        Kind of the fallen leaves.
    straw_pigment, straw_weathering
        Brown pigment and greying of the dead leaf.
    wax, carotene, leaf_light, browning
        Make-up of the leaf beside chlorophyll: bluish wax (0 to 1), yellow pigment (1 as usual),
        brightness (1 as usual), brown pigment (0 to 1).
    moss_gold
        Yellow pigment of moss, 1 as usual.
    soil_make
        Absorption strengths (humus, goethite, haematite, base) in place of those of ``soil``.
    strangeness
        Relative spread of a random smooth change of every material's spectrum.
    """

    family: str = "train"
    soil: str = "loam"
    soil_wet: float = 0.3
    cast_wet: float = 0.3
    chlorophyll: float = 2.5
    dew: float = 0.0
    litter: str = "brown"
    straw_pigment: float = 1.0
    straw_weathering: float = 0.2
    wax: float = 0.0
    carotene: float = 1.0
    leaf_light: float = 1.0
    browning: float = 0.0
    moss_gold: float = 1.0
    soil_make: tuple[float, float, float, float] | None = None
    strangeness: float = 0.0

    @property
    def soil_strengths(self) -> tuple[float, float, float, float]:
        """Absorption strengths of the soil: humus, goethite, haematite, base."""
        return self.soil_make or _SOILS[self.family][self.soil]


def surface_of_number() -> NDArray[np.uint8]:
    """Return the surface (index into SURFACES) of each palette number, (256,)."""
    table = np.zeros(256, np.uint8)
    for block in BLOCKS:
        table[block.first : block.first + block.count] = SURFACES.index(block.surface)
    return table


def palette(tint: Tint, rng: np.random.Generator) -> Floats:
    """Return the reflectance of every palette number, (256, 31)."""
    out = np.full((256, spectra.N_WAVELENGTHS), 0.2)
    makers = (
        (SOIL, _soil(tint)),
        (THATCH, _thatch(tint, rng)),
        (STRAW, _straw(tint, rng)),
        (GREEN, _green(tint, rng)),
        (YELLOWING, _yellowing(tint, rng)),
        (MOSS, _moss(tint, rng)),
        (WEED, _weed(tint, rng)),
        (CAST, _cast(tint, rng)),
        (LITTER, _litter(tint, rng)),
        (STONE, _stone(rng)),
    )
    for block, rows in makers:
        out[block.first : block.first + block.count] = rows
    return np.asarray(np.clip(_estranged(out, tint.strangeness, rng), 0.005, 0.95))


def _estranged(rows: Floats, strangeness: float, rng: np.random.Generator) -> Floats:
    """Change every material's spectra a little; weaker where leaf would no longer be green."""
    while strangeness > 0.01:
        changed = rows.copy()
        for block in BLOCKS:
            part = slice(block.first, block.first + block.count)
            changed[part] *= spectra.strange(strangeness, rng)
        if _leaf_is_green(changed):
            return changed
        strangeness *= 0.6
    return rows


def _leaf_is_green(reflectance: Floats) -> bool:
    """Whether a person would call the leaf green: more green than red, and more so than straw."""

    def green_to_red(block: Block) -> float:
        rgb = spectra.to_linear_srgb(reflectance[block.first : block.first + block.count])
        return float(np.median(rgb[:, 1] / rgb[:, 0]))

    leaf = green_to_red(GREEN)
    return leaf > max(1.08, green_to_red(STRAW) + 0.2)


def _soil(tint: Tint) -> Floats:
    humus, goethite, haematite, base = tint.soil_strengths
    rows = []
    for step in np.linspace(0.0, 1.0, SOIL.count):
        # Dark steps are moist pits, light steps are dry crust.
        wet = np.clip(tint.soil_wet + 0.5 * (0.5 - step), 0.0, 1.2)
        base_step = spectra.soil(humus, goethite=goethite, haematite=haematite, base=base, wet=wet)
        rows.append(base_step * (0.75 + 0.5 * step))
    return np.array(rows)


def _cast(tint: Tint, rng: np.random.Generator) -> Floats:
    humus, goethite, haematite, base = tint.soil_strengths
    # Casts are of finer soil from below: a little less humus, smooth and mostly moist.
    rows = []
    for step in np.linspace(-1.0, 1.0, CAST.count):
        wet = np.clip(tint.cast_wet + 0.25 * rng.normal(), 0.0, 1.2)
        row = spectra.soil(
            0.85 * humus, goethite=goethite, haematite=haematite, base=1.05 * base, wet=wet
        )
        rows.append(row * (1.0 + 0.18 * step))
    return np.array(rows)


def _thatch(tint: Tint, rng: np.random.Generator) -> Floats:
    rows = []
    for _ in range(THATCH.count):
        pigment = tint.straw_pigment * rng.uniform(1.4, 3.5)
        grey = tint.straw_weathering + rng.uniform(0.0, 0.8)
        wet = np.clip(tint.soil_wet + rng.normal(0, 0.2), 0, 1)
        rows.append(spectra.straw(pigment, weathering=grey, wet=wet) * rng.uniform(0.7, 1.0))
    return np.array(rows)


def _straw(tint: Tint, rng: np.random.Generator) -> Floats:
    rows = []
    for _ in range(STRAW.count):
        pigment = tint.straw_pigment * rng.lognormal(-0.1, 0.45)
        grey = np.clip(tint.straw_weathering + rng.normal(0, 0.2), 0, None)
        green_rest = np.exp(-0.12 * rng.exponential() * spectra.chlorophyll())
        row = spectra.straw(pigment, weathering=grey, wet=0.4 * tint.soil_wet)
        rows.append(row * green_rest * rng.uniform(0.8, 1.1))
    return np.array(rows)


def _green(tint: Tint, rng: np.random.Generator) -> Floats:
    car = 0.25 if tint.family == "train" else 0.33
    rows = []
    for _ in range(GREEN.count):
        chl = max(min(0.7, tint.chlorophyll), tint.chlorophyll * rng.lognormal(0.0, 0.33))
        surface = 0.010 + 0.012 * rng.random() + 0.05 * tint.dew
        browning = min((0.05 + 0.2 * tint.browning) * rng.exponential(), 0.05 + 0.15 * chl)
        yellow = car * tint.carotene * rng.uniform(0.7, 1.3)
        row = spectra.leaf(chl, car=yellow, browning=browning, surface=surface)
        row = row * tint.leaf_light * rng.uniform(0.85, 1.12)
        rows.append(row + spectra.wax(tint.wax * rng.uniform(0.5, 1.3)))
    return np.array(rows)


def _yellowing(tint: Tint, rng: np.random.Generator) -> Floats:
    rows = []
    for _ in range(YELLOWING.count):
        chl = rng.uniform(0.25, 0.8)
        row = spectra.leaf(chl, car=rng.uniform(0.3, 0.7), browning=0.12 * rng.random())
        rows.append(row + 0.05 * tint.dew)
    return np.array(rows)


def _moss(tint: Tint, rng: np.random.Generator) -> Floats:
    rows = [
        spectra.leaf(
            rng.uniform(0.9, 2.2) / tint.moss_gold**0.5,
            car=tint.moss_gold * rng.uniform(0.6, 1.1),
            browning=rng.uniform(0.1, 0.45),
        )
        * rng.uniform(0.75, 1.1)
        for _ in range(MOSS.count)
    ]
    return np.array(rows)


def _weed(tint: Tint, rng: np.random.Generator) -> Floats:
    rows = []
    for _ in range(WEED.count):
        chl = 1.3 * tint.chlorophyll * rng.lognormal(0.0, 0.25)
        surface = 0.03 + 0.03 * rng.random() + 0.04 * tint.dew
        row = spectra.leaf(chl, car=0.3 * tint.carotene, surface=surface)
        row = row * tint.leaf_light * rng.uniform(0.85, 1.1)
        rows.append(row + spectra.wax(0.5 * tint.wax * rng.random()))
    return np.array(rows)


def _litter(tint: Tint, rng: np.random.Generator) -> Floats:
    kinds = {
        "brown": (0.0, 0.5, 1.3, 0.2),
        "orange": (0.02, 1.4, 0.25, 0.6),
        "yellow": (0.06, 1.4, 0.04, 0.0),
        "red": (0.1, 0.9, 0.3, 2.6),
        "greenish": (0.8, 0.6, 0.35, 0.0),
        "grey": (0.0, 0.15, 0.35, 0.0),
    }
    names = list(kinds)
    rows = []
    for i in range(LITTER.count):
        # Three leaves in four are of the kind asked for, the rest are brown.
        kind = tint.litter if i % 4 else "brown"
        chl, car, browning, antho = kinds[names[i % 6] if kind == "mixed" else kind]
        spread = rng.lognormal(0.0, 0.3, 4)
        row = spectra.leaf(
            chl * spread[0], car=car * spread[1], browning=browning * spread[2],
            antho=antho * spread[3], surface=0.03,
        )  # fmt: skip
        rows.append(row * rng.uniform(0.9, 1.5))
    return np.array(rows)


def _stone(rng: np.random.Generator) -> Floats:
    rows = [
        spectra.stone(rng.uniform(0.14, 0.5), warmth=rng.uniform(-0.05, 0.3))
        for _ in range(STONE.count)
    ]
    return np.array(rows)
