"""The cautions that belong beside an amount: one registry, read by commands and sheets.

Nothing here authorises an application. The product label, its safety data sheet and the law of
the place override every figure of this package.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

HEAVY_RAIN_MM = 10.0
"""Rain in a day that may wash a feed off, mm. Common practice, no source."""

FROST_C = 0.0
"""Daily mean air temperature at and under which ground is taken as frozen, degrees Celsius."""


@dataclass(frozen=True)
class Caution:
    """One caution: its word, the text for people, and the jobs it belongs to."""

    word: str
    text: str
    when: tuple[str, ...]


_FEED = ("feed", "iron", "spreader")
_SPRAY = ("spray", "mix")

_ALL = (
    Caution(
        "label",
        "The product label and its safety data sheet come before every figure here.",
        (*_FEED, *_SPRAY, "seed"),
    ),
    Caution(
        "protection",
        "Wear the gloves, eye and breathing protection that the safety data sheet names.",
        (*_FEED, *_SPRAY),
    ),
    Caution(
        "iron stains",
        "Iron stains paving, render and clothing: sweep or blow it off dry, never rinse it.",
        ("iron",),
    ),
    Caution(
        "water",
        "Keep the buffer that the label or local code sets to ponds, streams, wells and drains.",
        (*_FEED, *_SPRAY),
    ),
    Caution(
        "weather",
        "Do not feed before heavy rain, on frozen, snow-covered, waterlogged or parched ground.",
        ("feed", "iron"),
    ),
    Caution(
        "drift",
        "Spray in a light wind on dry leaf only; keep people and pets off until it has dried.",
        _SPRAY,
    ),
    Caution(
        "spraying law",
        "Spraying plant protection products may need a licence; this is no authorisation.",
        _SPRAY,
    ),
    Caution(
        "jar test",
        "Mix the products in a jar in these proportions first; do not tank-mix what clots, "
        "separates or warms.",
        ("mix",),
    ),
    Caution(
        "rinse",
        "Spray out rinsings on the ground just treated, within the dose; never into a drain.",
        _SPRAY,
    ),
    Caution(
        "spreader edges",
        "Fill the spreader on a hard, dry, clean place; shut it before you stop or turn.",
        ("spreader",),
    ),
    Caution(
        "treated seed",
        "Wear gloves with treated seed and keep it from children, pets and birds.",
        ("seed",),
    ),
    Caution(
        "dust",
        "Wear a mask in the dust of dry sand, loam, lime or fine product; work upwind of it.",
        ("top-dress", "spreader"),
    ),
    Caution(
        "lifting",
        "Share heavy bags and barrows out; bulk sand weighs more when it is wet.",
        ("top-dress",),
    ),
    Caution(
        "machinery",
        "Stop the engine and pull the spark plug lead, key or battery before touching blades or "
        "tines; keep guards on, wear boots, clear stones and wires first.",
        ("scarify", "aerate", "mow", "hollow-tine"),
    ),
    Caution(
        "casts",
        "Earthworms do the soil good. Disperse casts when dry; products against casting are "
        "banned or restricted in many places: follow local law.",
        ("clear casts",),
    ),
)

CAUTIONS: dict[str, Caution] = {caution.word: caution for caution in _ALL}
"""Every caution by its word."""


def cautions_for(jobs: Iterable[str]) -> list[Caution]:
    """Return the cautions of these jobs, each once, in the order of the registry.

    Parameters
    ----------
    jobs
        ``feed``, ``iron`` (a feed with iron), ``spreader``, ``spray``, ``mix``, ``seed``,
        ``top-dress`` or a task of work.csv. A job without cautions adds none.

    Examples
    --------
    >>> [caution.word for caution in cautions_for(["top-dress"])]
    ['dust', 'lifting']
    """
    wanted = set(jobs)
    return [caution for caution in CAUTIONS.values() if wanted & set(caution.when)]
