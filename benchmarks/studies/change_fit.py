"""The parts of a change's error from scored lawns: what `change_errors.py` stores.

Photos of a lawn that were taken alike (state of the lawn, print, phone, day) are one taking, a
visit of two spots. All pairs of takings of a lawn are compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy.optimize import minimize

from benchmarks.studies.variance_parts import variance_parts
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.history.change_error import DOUBTED, LEAF_COLOUR, moved_points

LEAST = 0.02
"""Least size of a part, in the typical stated error of the measure: none is known to be nothing."""
FOLDS = 4
"""Parts that the lawns are left out in, to choose the form and to calibrate."""
POWERS = (0.0, 1.0)
"""Of the stated error, by which the parts may go with it."""
FORMS = (("point",), ("point", "leaf"), ("point", "grass"))
"""What may go with how the lawn has changed."""
FADES = ("colour_index", *LEAF_COLOUR, "condition")
"""Measures that the card's colours are in; of others what differs with a faded card is chance."""
REGROWN = 4
"""State in which other grass has grown in."""
_Z = 1.96
_NESTED = {"lawn": "lawn", "state": "of_state", "print": "of_print", "phone": "of_phone",
           "day": "of_day", "spot": "of_spot"}  # fmt: skip
_TAKING = ["lawn", "state", "print", "phone", "day"]
Array = np.ndarray
Constants = dict[str, dict[str, float]]


@dataclass(frozen=True, eq=False)
class Takings:
    """Pairs of takings of one lawn, arrays (q,); ``of`` has error and stated errors by measure."""

    table: pd.DataFrame
    of: dict[str, tuple[Array, Array, Array, Array]]

    def part(self, keep: Array) -> Takings:
        """Return some of the pairs."""
        return Takings(self.table[keep], {m: tuple(x[keep] for x in v) for m, v in self.of.items()})


def fit(rows: pd.DataFrame) -> tuple[Constants, pd.DataFrame]:
    """Return the constants by measure, and the variance components (sd) they come from."""
    rows = rows[rows["status"] == "scored"]
    nominal = rows[rows["source"] == "nominal"]
    pairs = compared_takings(nominal)
    constants, table = {}, []
    for name in MEASURES:
        error = rows.assign(
            error=rows[name] - rows[f"{name}_true"],
            stated=rows.groupby(["lawn", "state"])[f"{name}_se"].transform("median"),
        )
        error = error[error["error"].notna()]
        if (error["source"] == "nominal").sum() < len(_NESTED) + 2:
            continue
        fitted = _Measure(name, error, pairs)
        constants[name], parts = fitted.constants()
        table.append({"measure": name} | parts | constants[name])
    return constants, pd.DataFrame(table)


def components(rows: pd.DataFrame, names: tuple[str, ...] = tuple(_NESTED)) -> dict[str, float]:
    """Return the standard deviation of each part of ``error``, by REML."""
    nested = rows.assign(
        **{f"of_{k}": rows["lawn"] + " " + rows[k].astype(str)
           for k in ("state", "print", "phone", "day")},
        of_spot=rows["lawn"] + " " + rows["state"].astype(str) + rows["spot"],
    )  # fmt: skip
    found = variance_parts(nested, "error", {name: _NESTED[name] for name in names}, within="lawn")
    return {name: float(np.sqrt(max(v, 0.0))) for name, v in found.items()}


def compared_takings(rows: pd.DataFrame) -> Takings:
    """Return all pairs of takings of each lawn, means over the spots that both have."""
    taken = rows.set_index([*_TAKING, "spot"])
    names = {*MEASURES, *SURFACE_SHARES, *LEAF_COLOUR}
    used = {f"{m}{end}" for m in names for end in ("", "_true", "_se")}
    cube = taken[sorted(used)].unstack("spot")  # noqa: PD010 - many columns at once
    keys = cube.index.to_frame(index=False)
    sets = keys.groupby("lawn").indices.values()
    i, j = np.concatenate([own[np.array(np.triu_indices(len(own), 1))] for own in sets], axis=1)
    # the lawn as found, its own card and first phone stand first
    first, second = keys.iloc[i].reset_index(drop=True), keys.iloc[j].reset_index(drop=True)

    def step(column: str) -> Array:
        both = cube[column].to_numpy(float)
        with np.errstate(all="ignore"):
            return _mean(both[j] - both[i])

    shares = np.abs([step(name) for name in SURFACE_SHARES])
    leaf = np.nan_to_num(np.linalg.norm([step(name) for name in LEAF_COLOUR], axis=0))
    table = pd.DataFrame({
        "lawn": first["lawn"], "moved": moved_points(np.nansum(shares, axis=0) / 2), "leaf": leaf,
        "found": first["state"] == second["state"],
        "regrown": (first["state"] == REGROWN) != (second["state"] == REGROWN),
        **{name: first[name] != second[name] for name in ("print", "phone", "day")},
        "aged": first["print"].isin(("own", "aged")) & second["print"].isin(("own", "aged")),
    })  # fmt: skip
    of = {}
    for m in MEASURES:
        error = (cube[m] - cube[f"{m}_true"]).to_numpy(float)
        stated = _mean(cube[f"{m}_se"].to_numpy(float))
        n = np.isfinite(error[j] - error[i]).sum(axis=1)
        of[m] = _mean(error[j] - error[i]), stated[i], stated[j], n
    return Takings(table, of)


def _mean(values: Array) -> Array:
    known = np.isfinite(values)
    n = known.sum(axis=1)
    return np.where(n > 0, np.where(known, values, 0).sum(axis=1) / np.maximum(n, 1), np.nan)


class _Measure:
    """The fit of one measure."""

    def __init__(self, name: str, rows: pd.DataFrame, pairs: Takings) -> None:
        self.name = name
        nominal = rows["source"] == "nominal"
        self.rows, self.known = rows[nominal], rows[~nominal]
        self.typical = float(self.rows["stated"].median())
        self.least = LEAST * self.typical
        good = np.isfinite(pairs.of[name][0])
        table = pairs.table[good].reset_index(drop=True)
        error, u, v, n = (x[good] for x in pairs.of[name])
        u, v = u / self.typical, v / self.typical
        unlike = np.clip(np.maximum(u, v) - DOUBTED, 0, 1) * (name in SURFACE_SHARES)
        self.pairs = table.assign(error=error, u=u, v=v, n=n, unlike=unlike)
        self._found: dict[tuple[tuple[str, ...], float], dict[str, float]] = {}
        lawns = sorted(self.pairs["lawn"].unique())
        self.folds = [lawns[k::FOLDS] for k in range(min(FOLDS, len(lawns)))]

    def constants(self) -> tuple[dict[str, float], dict[str, float]]:
        """Return what is stored and the parts by REML, in the form that scores best left out.

        The factors on the parts are those with which 95 % of the differences of lawns left out
        lie within 1.96 standard deviations: of lawns as they were, then of lawns that changed.
        """
        best = min(product(FORMS, POWERS), key=self._score)
        parts, made = self._fitted(None, *best)
        near, far = _factors(self._left_out(*best))
        known = self._scaled(self.known, best[1])
        of_known = components(known, ("lawn", "print", "spot"))["print"] if len(known) else 0.0
        out = {name: near * made[name] for name in ("day", "phone")}
        # pairs across prints are not among those that the factors come from
        out |= {"print_nominal": made["print"], "print_known": max(of_known, self.least)}
        out |= {name: far * made.get(name, 0.0) for name in ("grass", "point", "leaf")}
        out |= {"faded": made["faded"] * (self.name in FADES)}
        out |= {"typical": self.typical, "power": best[1]}
        return {name: float(f"{value:.3g}") for name, value in out.items()}, parts

    def _scaled(self, rows: pd.DataFrame, power: float) -> pd.DataFrame:
        return rows.assign(error=rows["error"] / (rows["stated"] / self.typical) ** power)

    def _parts(self, without: tuple[str, ...], power: float) -> dict[str, float]:
        if (without, power) not in self._found:
            kept = self.rows[~self.rows["lawn"].isin(without)]
            self._found[without, power] = components(self._scaled(kept, power))
        return self._found[without, power]

    def _fitted(
        self, without: list[str] | None, form: tuple[str, ...], power: float
    ) -> tuple[dict[str, float], dict[str, float]]:
        """Return parts by REML, and all parts of differences, of the lawns that are kept."""
        parts = self._parts(tuple(without or ()), power)
        made = {name: max(parts[name], self.least) for name in ("day", "phone", "print")}
        made["photo"] = max(parts["residual"], self.least)
        pairs = self.pairs[~self.pairs["lawn"].isin(without or [])]
        made["faded"] = self._faded(pairs, made, power)
        changed = pairs[~pairs["found"] & ~pairs["print"]]
        return parts, made | self._moving(changed, made, form, power)

    def _faded(self, pairs: pd.DataFrame, made: dict[str, float], power: float) -> float:
        """Return what a season's fading of the card brings, more than photo and photo do."""
        aged = pairs[pairs["aged"] & pairs["print"] & pairs["found"] & ~pairs["phone"]
                     & ~pairs["day"]]  # fmt: skip
        if aged.empty:
            return 0.0
        chance = _doubt(aged, power) * made["photo"] ** 2 / aged["n"]
        return float(np.sqrt(max((aged["error"] ** 2 - chance).mean(), 0.0)))

    def _moving(
        self, pairs: pd.DataFrame, made: dict[str, float], form: tuple[str, ...], power: float
    ) -> dict[str, float]:
        """Return the parts that go with how the lawn has changed, by maximum likelihood."""
        if pairs.empty:
            return dict.fromkeys(form, 0.0)
        known = (1 - pairs["unlike"]).to_numpy()
        x = np.stack([known * _with(pairs, name, power) for name in form])
        fixed = _still(pairs, made, power) + _chance(pairs, made, power)
        fixed = fixed + (pairs["unlike"] * _doubt(pairs, 1.0)).to_numpy() * self.typical**2
        square = pairs["error"].to_numpy() ** 2

        def unlikely(theta: Array) -> tuple[float, Array]:
            parts = np.exp(theta)
            variance = fixed + parts @ x
            slope = (1 - square / variance) / variance
            return float(np.sum(np.log(variance) + square / variance)), parts * (x @ slope)

        size = np.log(square.mean() + self.least**2) - np.log(x.mean(axis=1) + 1e-9)
        best = minimize(unlikely, size - 1, jac=True, method="L-BFGS-B",
                        bounds=[(s - 12, s + 2) for s in size])  # fmt: skip
        return {name: float(np.exp(t / 2)) for name, t in zip(form, best.x, strict=True)}

    def _left_out(self, form: tuple[str, ...], power: float) -> pd.DataFrame:
        """Return the pairs of each fold with the variances that the other folds give them."""
        out = []
        for lawns in self.folds:
            own = self.pairs[self.pairs["lawn"].isin(lawns) & ~self.pairs["print"]]
            if len(lawns) == self.pairs["lawn"].nunique():
                lawns = []
            _, made = self._fitted(lawns, form, power)
            moving = sum(made[name] ** 2 * _with(own, name, power) for name in form)
            known = 1 - own["unlike"]
            apart = own["unlike"] * _doubt(own, 1.0) * self.typical**2
            out.append(own.assign(
                still=known * _still(own, made, power), moving=known * moving,
                chance=_chance(own, made, power) + apart,
            ))  # fmt: skip
        return pd.concat(out)

    def _score(self, how: tuple[tuple[str, ...], float]) -> float:
        """Return the interval score of lawns left out, factors set: small where short and right.

        Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359-378, section 6.2: the length of an
        interval, and 2 / 0.05 times by how much it misses. The mean logarithm of that of lawns as
        they were and of lawns that changed.
        """
        found = self._left_out(*how)
        still, moving = _factors(found)
        variance = found["chance"] + still**2 * found["still"] + moving**2 * found["moving"]
        half = _Z * np.sqrt(variance)
        score = 2 * half + 2 / 0.05 * np.maximum(found["error"].abs() - half, 0.0)
        return float(np.log(score.groupby(found["found"]).mean()).mean())


def _factors(found: pd.DataFrame) -> tuple[float, float]:
    """Return the factors on what stays as it was and on what goes with change, in turns."""
    # the photos of one taking are of one day, so a pair of the same day tells nothing of days
    near, far = found[found["found"] & found["day"]], found[~found["found"]]
    still = moving = 1.0
    for _ in range(3):
        still = _factor(near["error"], near["chance"] + moving**2 * near["moving"], near["still"])
        if len(far):
            moving = _factor(far["error"], far["chance"] + still**2 * far["still"], far["moving"])
    return still, moving


def _doubt(pairs: pd.DataFrame, power: float) -> pd.Series:
    return pairs["u"] ** (2 * power) + pairs["v"] ** (2 * power)


def _still(pairs: pd.DataFrame, made: dict[str, float], power: float) -> Array:
    """Return the variance that day, phone and print give a difference."""
    parts = sum(np.where(pairs[name], made[name] ** 2, 0.0) for name in ("day", "phone", "print"))
    return np.asarray(_doubt(pairs, power) * parts)


def _chance(pairs: pd.DataFrame, made: dict[str, float], power: float) -> Array:
    return np.asarray(_doubt(pairs, power) * made["photo"] ** 2 / pairs["n"])


def _with(pairs: pd.DataFrame, name: str, power: float) -> Array:
    if name == "grass":
        return np.asarray(_doubt(pairs, power) * pairs["regrown"])
    return np.asarray(pairs["moved" if name == "point" else "leaf"] ** 2)


def _factor(error: pd.Series, fixed: pd.Series, part: pd.Series) -> float:
    """Return by what a part must grow for 95 % of the errors to lie within 1.96 of the whole."""
    factors = np.geomspace(0.3, 3.0, 100)
    whole = fixed.to_numpy() + factors[:, None] ** 2 * part.to_numpy()
    enough = (error.to_numpy() ** 2 <= _Z**2 * whole).mean(axis=1) >= 0.95
    return float(factors[np.argmax(enough)] if enough.any() else factors[-1])
