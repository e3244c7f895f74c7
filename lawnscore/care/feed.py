"""Feed: from label and rate to nutrients, from a target to a rate, from a round to whole bags.

A label gives N as the element, phosphorus as P2O5 and potassium as K2O, in per cent by weight;
Ca, Mg, Fe and S are taken as the elements unless the label text names an oxide.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Literal

from lawnscore.care.units import positive, read_number, significant
from lawnscore.contract.errors import LawnscoreError

Release = Literal["fast", "mixed", "slow"]

ATOMIC_WEIGHTS = {
    "H": 1.008, "N": 14.007, "O": 15.9994, "Mg": 24.305, "P": 30.973762, "S": 32.065,
    "K": 39.0983, "Ca": 40.078, "Fe": 55.845,
}  # fmt: skip
"""Standard atomic weights, IUPAC 2001: the ones the trade's factors were rounded from."""

_OXIDES = {
    "P2O5": ("P", 2, 5),
    "K2O": ("K", 2, 1),
    "CaO": ("Ca", 1, 1),
    "MgO": ("Mg", 1, 1),
    "SO3": ("S", 1, 3),
    "Fe2O3": ("Fe", 2, 3),
}

SINGLE_DOSE_N_G_M2: dict[Release, tuple[float, float]] = {
    "fast": (4.0, 6.0),
    "mixed": (6.0, 8.0),
    "slow": (8.0, 10.0),
}
"""Ceiling of N in one application by kind of release, g/m2. Common practice on sports grounds, no
source; the label and local rules decide."""


@dataclass(frozen=True)
class AnnualRange:
    """A published range of N a year, g/m2, and where it comes from."""

    low: float
    high: float
    source: str


ANNUAL_N_G_M2: dict[str, AnnualRange] = {
    "home lawn, low wear": AnnualRange(5, 15, "German lawn table, federal sport institute 1993"),
    "home lawn, high wear": AnnualRange(10, 25, "German lawn table, federal sport institute 1993"),
    "cool-season lawn": AnnualRange(9.8, 17.1, "US state table, 2 to 3.5 lb/1000 sq ft"),
    "fine fescue": AnnualRange(4.9, 9.8, "US state table, 1 to 2 lb/1000 sq ft"),
    "sports": AnnualRange(12, 25, "German sports-ground guideline"),
}
"""Published ranges of N a year, g/m2, all seen in secondary copies."""


def oxide_share(oxide: str) -> float:
    """Return the mass of the element in one unit mass of ``oxide``.

    Examples
    --------
    >>> round(oxide_share("P2O5"), 4), round(oxide_share("K2O"), 4)
    (0.4364, 0.8301)
    """
    if oxide not in _OXIDES:
        raise LawnscoreError(f"{oxide!r} is no oxide of a label", f"Use {', '.join(_OXIDES)}.")
    element, n_element, n_oxygen = _OXIDES[oxide]
    part = ATOMIC_WEIGHTS[element] * n_element
    return part / (part + ATOMIC_WEIGHTS["O"] * n_oxygen)


def to_element(oxide: str, amount: float) -> float:
    """Return the amount of the element in an amount of its oxide, in the same unit."""
    return amount * oxide_share(oxide)


@dataclass(frozen=True)
class Label:
    """The analysis of a product, % by weight: N, P2O5, K2O, Ca, Mg, Fe, S.

    What the label does not state is NaN: it may still be in the product.

    Raises
    ------
    LawnscoreError
        When a part is negative or above 100 %, or the parts add up to more than 100 %.
    """

    n_pct: float = math.nan
    p2o5_pct: float = math.nan
    k2o_pct: float = math.nan
    ca_pct: float = math.nan
    mg_pct: float = math.nan
    fe_pct: float = math.nan
    s_pct: float = math.nan

    def __post_init__(self) -> None:
        stated = {f.name: getattr(self, f.name) for f in fields(self)}
        stated = {name: value for name, value in stated.items() if not math.isnan(value)}
        for name, value in stated.items():
            positive(f"{name} of the label", value, "%", zero=True)
            if value > 100:
                raise LawnscoreError(f"{name} of the label is {value:g} %", "100 % is the most.")
        total = math.fsum(stated.values())
        if total > 100 + 1e-9:
            raise LawnscoreError(
                f"the label adds up to {total:g} %", "Check it: it cannot be over 100 %."
            )

    @property
    def nutrients_pct(self) -> dict[str, float]:
        """Per cent of the product: N, P2O5, K2O as on the label, and P, K, Ca, Mg, Fe, S."""
        return {
            "N": self.n_pct,
            "P2O5": self.p2o5_pct,
            "K2O": self.k2o_pct,
            "P": to_element("P2O5", self.p2o5_pct),
            "K": to_element("K2O", self.k2o_pct),
            "Ca": self.ca_pct,
            "Mg": self.mg_pct,
            "Fe": self.fe_pct,
            "S": self.s_pct,
        }


NUTRIENTS = tuple(Label().nutrients_pct)
"""Nutrients that are told: N, P2O5, K2O, P, K, Ca, Mg, Fe, S."""

_LABEL_NAMES = {
    "ca": ("ca_pct", None), "cao": ("ca_pct", "CaO"), "mg": ("mg_pct", None),
    "mgo": ("mg_pct", "MgO"), "fe": ("fe_pct", None), "fe2o3": ("fe_pct", "Fe2O3"),
    "s": ("s_pct", None), "so3": ("s_pct", "SO3"),
}  # fmt: skip


def read_label(text: str) -> Label:
    """Read a label such as ``4-0-8`` or ``4-0-8 + 3 MgO + 4 Fe``.

    Examples
    --------
    >>> read_label("4-0-8")
    Label(n_pct=4.0, p2o5_pct=0.0, k2o_pct=8.0, ca_pct=nan, mg_pct=nan, fe_pct=nan, s_pct=nan)
    >>> round(read_label("4-0-8 + 3 MgO + 4 Fe").mg_pct, 3)
    1.809

    Raises
    ------
    LawnscoreError
        When it cannot be read, or is no possible label.
    """
    mend = "Write N-P2O5-K2O, then more, such as 4-0-8 + 3 MgO + 4 Fe."
    first, *more = [part.strip() for part in text.replace("–", "-").split("+")]
    main = re.split(r"\s*[-:]\s*", first)
    if len(main) != 3:
        raise LawnscoreError(f"the label {text!r} cannot be read", mend)
    values = dict(
        zip(("n_pct", "p2o5_pct", "k2o_pct"), (read_number(m, "label") for m in main), strict=True)
    )
    for part in more:
        match = re.fullmatch(r"([\d.,]+)\s*%?\s*([A-Za-z0-9]+)", part)
        if match is None or match[2].lower() not in _LABEL_NAMES:
            raise LawnscoreError(f"{part!r} in the label {text!r} cannot be read", mend)
        name, oxide = _LABEL_NAMES[match[2].lower()]
        amount = read_number(match[1], "label")
        values[name] = values.get(name, 0.0) + (to_element(oxide, amount) if oxide else amount)
    return Label(**values)


@dataclass(frozen=True)
class Feed:
    """One application: what is laid down and the nutrients in it (NaN: not on the label)."""

    label: Label
    rate_g_m2: float
    area_m2: float
    product_kg: float
    nutrients_g_m2: Mapping[str, float]
    nutrients_kg: Mapping[str, float]


def feed(label: Label, rate_g_m2: float, area_m2: float) -> Feed:
    """Return product and nutrients of an application.

    Parameters
    ----------
    label
        Analysis of the product.
    rate_g_m2
        Product laid down, g/m2.
    area_m2
        Area fed, m2.

    Examples
    --------
    >>> done = feed(read_label("4-0-8"), 30, 140)
    >>> round(done.product_kg, 3), round(done.nutrients_g_m2["N"], 3)
    (4.2, 1.2)

    Raises
    ------
    LawnscoreError
        When rate or area is not more than 0.
    """
    rate = positive("rate", rate_g_m2, "g/m2")
    area = positive("area", area_m2, "m2")
    per_m2 = {name: rate * pct / 100 for name, pct in label.nutrients_pct.items()}
    kg = {name: amount * area / 1000 for name, amount in per_m2.items()}
    return Feed(label, rate, area, rate * area / 1000, per_m2, kg)


def rate_for(label: Label, target_g_m2: float, nutrient: str = "N") -> float:
    """Return the product rate, g/m2, that lays down ``target_g_m2`` of one nutrient.

    Examples
    --------
    >>> round(rate_for(read_label("14-4-8"), 3.5), 6)
    25.0

    Raises
    ------
    LawnscoreError
        When the nutrient is not known or not in the product.
    """
    target = positive(f"target of {nutrient}", target_g_m2, "g/m2")
    if nutrient not in NUTRIENTS:
        raise LawnscoreError(f"nutrient {nutrient!r} is not known", f"Use {', '.join(NUTRIENTS)}.")
    pct = label.nutrients_pct[nutrient]
    if not pct > 0:
        raise LawnscoreError(f"there is no {nutrient} on the label", "Choose another product.")
    return target * 100 / pct


def product_g_m2_of_liquid(rate_l_m2: float, density_kg_l: float) -> float:
    """Return the product laid down, g/m2, for a liquid: its label is by weight.

    Examples
    --------
    >>> round(product_g_m2_of_liquid(0.002, 1.2), 6)
    2.4
    """
    rate = positive("rate", rate_l_m2, "l/m2")
    return rate * positive("density", density_kg_l, "kg/l") * 1000


@dataclass(frozen=True)
class Bags:
    """Whole bags for a round."""

    product_kg: float
    n_bags: int
    bag_kg: float
    left_over_kg: float


def bags(product_kg: float | Sequence[float], bag_kg: float, *, in_hand_kg: float = 0.0) -> Bags:
    """Return the whole bags to bring for an amount, or for the sum of several.

    Parameters
    ----------
    product_kg
        Product needed, kg; one number or one a zone.
    bag_kg
        Weight of a full bag, kg.
    in_hand_kg
        Product already in hand (an open bag), kg.

    Examples
    --------
    >>> bags([4.9, 12.0, 7.5], 20)
    Bags(product_kg=24.4, n_bags=2, bag_kg=20.0, left_over_kg=15.6)
    """
    amounts = product_kg if isinstance(product_kg, Sequence) else [product_kg]
    total = math.fsum(positive("product", amount, "kg") for amount in amounts)
    bag = positive("bag", bag_kg, "kg")
    in_hand = positive("product in hand", in_hand_kg, "kg", zero=True)
    # A hair over a whole bag from rounding is not another bag.
    n = max(0, math.ceil((total - in_hand) / bag - 1e-9))
    return Bags(total, n, bag, max(0.0, round(n * bag + in_hand - total, 9)))


def dose_warnings(n_g_m2: float, release: Release | None = None) -> list[str]:
    """Return what speaks against laying down so much N at once.

    Parameters
    ----------
    n_g_m2
        N in the one application, g/m2.
    release
        How fast the N is released; ``None`` when the label does not tell.

    Examples
    --------
    >>> dose_warnings(1.75)
    []
    >>> dose_warnings(7, "fast")
    ['7 g/m2 of N at once is over the ceiling of 4 to 6 g/m2 for fast release: split it.']
    """
    if release is not None:
        low, high = SINGLE_DOSE_N_G_M2[release]
        ceiling = f"{low:g} to {high:g} g/m2 for {release} release"
    else:
        low, high = SINGLE_DOSE_N_G_M2["fast"]
        slow = SINGLE_DOSE_N_G_M2["slow"][1]
        ceiling = f"{low:g} to {high:g} g/m2 for fast release ({slow:g} at most for slow)"
    if n_g_m2 > high + 1e-9:
        over = f"{significant(n_g_m2, 3)} g/m2 of N at once is over the ceiling of {ceiling}"
        return [f"{over}: split it."]
    if n_g_m2 > low + 1e-9:
        return [
            f"{significant(n_g_m2, 3)} g/m2 of N at once is near the ceiling of {ceiling}: "
            "only while the grass grows strongly."
        ]
    return []


def year_warnings(n_g_m2: float, largest_n_g_m2: float) -> list[str]:
    """Return what speaks against the N of a year and its largest single dose, g/m2 each.

    Only what is over every published range is told: which range fits depends on the lawn.

    Examples
    --------
    >>> year_warnings(30, 3.5)
    ['30 g/m2 of N in the year is over the highest published range (up to 25 g/m2).']
    """
    highest = max(annual.high for annual in ANNUAL_N_G_M2.values())
    warnings = []
    if n_g_m2 > highest:
        warnings.append(
            f"{significant(n_g_m2, 3)} g/m2 of N in the year is over the highest published range "
            f"(up to {highest:g} g/m2)."
        )
    fast_high = SINGLE_DOSE_N_G_M2["fast"][1]
    if largest_n_g_m2 > fast_high:
        warnings += dose_warnings(largest_n_g_m2)
    return warnings
