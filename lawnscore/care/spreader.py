"""Spreader: calibration from test runs, and what a setting really lays down."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import astuple, dataclass
from typing import Any

import pandas as pd

from lawnscore.care.units import positive, significant
from lawnscore.contract.errors import LawnscoreError

CONFIDENCE = 0.95

SETTING_COLUMNS = (
    "machine",
    "product",
    "setting",
    "n_runs",
    "area_m2",
    "rate_g_m2",
    "rate_low",
    "rate_high",
    "spread_pct",
    "next_low",
    "next_high",
)
"""Columns of :func:`learned_settings`; rates are g/m2 of one pass."""


@dataclass(frozen=True)
class Calibration:
    """What test runs laid down in one pass, with the 95 % interval of the mean (NaN for one)."""

    rate_g_m2: float
    low_g_m2: float
    high_g_m2: float
    spread_pct: float
    n_runs: int
    area_m2: float


def calibrate(mass_g: float | Sequence[float], width_m: float, distance_m: float) -> Calibration:
    """Return the rate from test runs: mass by effective width times distance.

    Parameters
    ----------
    mass_g
        Product that left the hopper (or was caught), g; one number, or one a run.
    width_m
        Effective width, m: between the places that get half of what the middle gets.
    distance_m
        Length of each run, m.

    Examples
    --------
    >>> calibrate(900, 1.5, 20).rate_g_m2
    30.0
    """
    runs = list(mass_g) if isinstance(mass_g, Sequence) else [mass_g]
    area = positive("effective width", width_m, "m") * positive("distance", distance_m, "m")
    rates = [positive("mass", mass, "g") / area for mass in runs]
    if not rates:
        raise LawnscoreError("there is no test run", "Give the mass of at least one run.")
    mean = _log_mean(rates)
    return Calibration(mean.mean, mean.low, mean.high, mean.spread_pct, len(rates), area)


def rate_per_pass(rate_g_m2: float, passes: int = 2) -> float:
    """Return what one pass must lay down: half the rate for two directions.

    Examples
    --------
    >>> rate_per_pass(30)
    15.0
    """
    return positive("rate", rate_g_m2, "g/m2") / positive("passes", passes)


def learned_settings(work: pd.DataFrame, lawns: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return what each machine, product and setting really laid down in one pass.

    Every row of work.csv with machine, setting and weight used is one run; its area is that of
    the row, or of the zones in the register.

    Returns
    -------
    DataFrame
        :data:`SETTING_COLUMNS`. ``rate_g_m2`` is the geometric mean of the runs, ``rate_low`` to
        ``rate_high`` its 95 % interval, ``spread_pct`` the spread of single runs (1 sigma) and
        ``next_low`` to ``next_high`` where the next run will lie in 95 of 100 cases. With one
        run the intervals are NaN.
    """
    rows = []
    runs = spreader_runs(work, lawns)
    for (machine, product, setting), group in runs.groupby(
        ["machine", "product", "setting"], sort=True
    ):
        runs_mean = _log_mean(group["rate_g_m2"].tolist())
        total = float(group["area_m2"].sum())
        rows.append((machine, product, setting, len(group), total, *astuple(runs_mean)))
    out = pd.DataFrame(rows, columns=list(SETTING_COLUMNS))
    return out.sort_values(["machine", "product", "rate_g_m2"], ignore_index=True, kind="stable")


def spreader_runs(work: pd.DataFrame, lawns: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return the recorded runs of spreaders: machine, product, setting, area, rate of one pass."""
    columns = ["date", "lawn", "zone", "machine", "product", "setting", "area_m2", "rate_g_m2"]
    needed = ["machine", "product", "setting", "product_used_kg", "area_m2", "passes"]
    frame = work.reindex(columns=work.columns.union(needed))
    known = frame[["machine", "setting", "product_used_kg"]].notna().all(axis=1)
    frame = frame[known].copy()
    frame["product"] = frame["product"].fillna("")
    recorded = frame["area_m2"].astype("float64")
    frame["area_m2"] = [
        _area_of(lawn, zone, lawns) if math.isnan(area) else area
        for lawn, zone, area in zip(frame["lawn"], frame["zone"], recorded, strict=True)
    ]
    passes = frame["passes"].astype("Float64").fillna(1.0).astype("float64")
    frame["rate_g_m2"] = (
        frame["product_used_kg"].astype("float64") * 1000 / (frame["area_m2"] * passes)
    )
    possible = (frame["rate_g_m2"] > 0) & (frame["rate_g_m2"] < math.inf)
    return _whole_runs(frame.loc[possible, columns])


def _whole_runs(runs: pd.DataFrame) -> pd.DataFrame:
    """Join the zones of one weighing: shared out by area they repeat one rate, not a new run."""
    same = ["date", "lawn", "machine", "product", "setting"]
    runs = runs.assign(rounded=[f"{rate:.9g}" for rate in runs["rate_g_m2"]])
    how: Any = {"zone": ", ".join, "area_m2": "sum", "rate_g_m2": "first"}
    joined = runs.groupby([*same, "rounded"], sort=False, as_index=False).agg(how)
    return pd.DataFrame(joined, columns=[name for name in runs.columns if name != "rounded"])


def setting_for(
    learned: pd.DataFrame, machine: str, product: str, rate_g_m2: float
) -> tuple[float, float, float]:
    """Return the setting that lays down a rate in one pass, between settings used before.

    The rate is taken as straight between neighbouring settings; nothing is said outside them.

    Returns
    -------
    setting, rate_low, rate_high
        Number of the setting, and the range that runs at the two neighbours span, g/m2.

    Raises
    ------
    LawnscoreError
        When fewer than two numbered settings are recorded, or the rate lies outside them.
    """
    rate = positive("rate", rate_g_m2, "g/m2")
    own = learned[(learned["machine"] == machine) & (learned["product"] == product)]
    number = pd.to_numeric(own["setting"], errors="coerce")
    own = own.assign(number=number).dropna(subset=["number"]).sort_values("rate_g_m2")
    if len(own) < 2:
        raise LawnscoreError(
            f"numbered settings recorded for {machine} with {product}: {len(own)}",
            "Record runs at two settings at least, with machine, setting and product_used_kg.",
        )
    rates, settings = own["rate_g_m2"].tolist(), own["number"].tolist()
    if not rates[0] <= rate <= rates[-1]:
        raise LawnscoreError(
            f"{rate:g} g/m2 is outside what was recorded "
            f"({significant(rates[0], 3)} to {significant(rates[-1], 3)} g/m2)",
            "Make a test run at a new setting.",
        )
    above = next(i for i in range(1, len(rates)) if rates[i] >= rate)
    share = (rate - rates[above - 1]) / (rates[above] - rates[above - 1] or 1.0)
    setting = settings[above - 1] + share * (settings[above] - settings[above - 1])
    return setting, rates[above - 1], rates[above]


def _area_of(lawn: str, zone: str, lawns: pd.DataFrame | None) -> float:
    if lawns is None or lawns.empty:
        return math.nan
    own = lawns[lawns["lawn"] == lawn]
    match = own[own["zone"] == zone]
    if match.empty and zone == "all":
        match = own
    return float(match["area_m2"].sum(skipna=False)) if len(match) else math.nan


@dataclass(frozen=True)
class _LogMean:
    mean: float
    low: float = math.nan
    high: float = math.nan
    spread_pct: float = math.nan
    next_low: float = math.nan
    next_high: float = math.nan


def _log_mean(rates: Sequence[float]) -> _LogMean:
    """Geometric mean, its interval, spread in % and interval of the next run (t on logarithms).

    Errors of a spreader grow with its rate and a rate is never below 0, hence logarithms.
    """
    n = len(rates)
    if n < 2:
        return _LogMean(rates[0])
    from scipy.stats import t

    logs = [math.log(rate) for rate in rates]
    mean = math.fsum(logs) / n
    sd = math.sqrt(math.fsum((x - mean) ** 2 for x in logs) / (n - 1))
    k = float(t.ppf((1 + CONFIDENCE) / 2, n - 1))
    half, half_next = k * sd / math.sqrt(n), k * sd * math.sqrt(1 + 1 / n)
    ends = (-half, half, -half_next, half_next)
    low, high, next_low, next_high = (math.exp(mean + end) for end in ends)
    return _LogMean(math.exp(mean), low, high, 100 * math.expm1(sd), next_low, next_high)
