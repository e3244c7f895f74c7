"""What a change between two visits errs by: the constants of `lawnscore/history/change_error.py`.

On lawns of which card, phone, light, spot and sward are changed one at a time and together
(`change_worlds.py`; two worlds, each with its own renderer):

* variance components of each measure's error by REML (`variance_parts.py`): lawn, print of the
  card, phone, day, spot, and what is left from photo to photo, on lawns as they were found;
* what each point of change of the ground adds, and what other grass adds, by maximum likelihood
  from the lawn as found against its later states;
* whether they go with the error that the photos state, by the likelihood;
* a factor on those of a lawn as found, and one on those of a lawn that has changed, so that 95 %
  of the differences of either lie within 1.96 standard deviations.

Then the whole way (`visit_scores`, `changes`) is tried on lawns that the constants were not fitted
on: fitted on one world and checked on the other, and each lawn left out in turn.

    python -m benchmarks.studies.change_errors --rows DIR --write              the constants
    python -m benchmarks.studies.change_errors --rows DIR --markdown docs/ACCURACY.md
    python -m benchmarks.studies.change_errors --quick                         proves that it runs

Rows in DIR are kept by method: a new network is scored anew, the same one is not.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from scipy.optimize import minimize

from benchmarks.studies.change_tables import by_change, power, unchanged
from benchmarks.studies.change_worlds import WORLDS, scored_lawns
from benchmarks.studies.variance_parts import variance_parts
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.history.change_error import PARTS, moved_points
from lawnscore.photo.method import method_version

TARGET = Path("lawnscore/history/change_errors.json")
SEED = 60_000
LEAST = 0.02
"""Least size of a part, in the typical stated error of the measure: none is known to be nothing."""
FOLDS = 3
"""Parts that the lawns are left out in."""
POWERS = (0.0, 1.0)
"""Of the stated error, by which the parts may go with it."""
_NESTED = {"lawn": "lawn", "print": "of_print", "phone": "of_phone", "day": "of_day",
           "spot": "of_spot"}  # fmt: skip


def fit(rows: pd.DataFrame) -> tuple[dict[str, dict[str, float]], pd.DataFrame]:
    """Return the constants by measure, and the variance components (sd) they come from.

    The power by which they go with the stated error is the likeliest of :data:`POWERS`.
    """
    rows = rows[rows["status"] == "scored"]
    constants, table = {}, []
    for name in MEASURES:
        error = rows.assign(
            error=rows[name] - rows[f"{name}_true"],
            stated=rows.groupby(["lawn", "state"])[f"{name}_se"].transform("median"),
        )
        error = error[error["error"].notna()]
        nominal = error[error["source"] == "nominal"]
        if nominal.empty:
            continue
        typical = float(nominal["stated"].median())
        moved = differences(nominal)
        found = [_fitted(error, moved, typical, power) for power in POWERS]
        _, constants[name], parts = min(found, key=lambda f: f[0])
        table.append({"measure": name} | parts | constants[name])
    return constants, pd.DataFrame(table)


def _fitted(
    error: pd.DataFrame, moved: pd.DataFrame, typical: float, power: float
) -> tuple[float, dict[str, float], dict[str, float]]:
    """Return the loss (2 log likelihood, negative) of a power, its constants and its parts."""
    doubt = (error["stated"] / typical) ** power
    own = error.assign(error=error["error"] / doubt)[error["state"] == 0]
    parts = components(own[own["source"] == "nominal"])
    known = components(own[own["source"] == "measured"], ("lawn", "print", "spot"))["print"]
    u = moved["doubt"].to_numpy() / typical, moved["doubt_base"].to_numpy() / typical
    loss, made = _constants(parts, known, moved, u[0] ** (2 * power) + u[1] ** (2 * power),
                            LEAST * typical)  # fmt: skip
    return loss, made | {"typical": float(f"{typical:.3g}"), "power": power}, parts


def components(rows: pd.DataFrame, names: Iterable[str] = tuple(_NESTED)) -> dict[str, float]:
    """Return the standard deviation of each part of an error, by REML."""
    nested = rows.assign(
        **{f"of_{k}": rows["lawn"] + " " + rows[k].astype(str)
           for k in ("print", "phone", "day", "spot")}
    )  # fmt: skip
    found = variance_parts(nested, "error", {name: _NESTED[name] for name in names})
    return {name: float(np.sqrt(max(v, 0.0))) for name, v in found.items()}


def differences(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the error of the change from a lawn as found to each other taking of it.

    One row a lawn and taking, the mean over the spots: ``error``, ``points`` of change of the
    ground, whether ``phone``, ``print`` or ``day`` are others, ``state``, ``n`` spots, and the
    stated errors ``doubt`` and ``doubt_base``.
    """
    keys = ["lawn", "state", "print", "phone", "day"]
    value = rows.pivot_table(index=keys, columns="spot", values="error")
    others = rows.set_index(keys)[[*SURFACE_SHARES, "stated"]].groupby(level=keys).mean()
    shares = others[list(SURFACE_SHARES)]
    out = []
    for lawn, taken in value.groupby(level="lawn"):
        base = (lawn, 0, "own", 0, 0)
        if base not in taken.index:
            continue
        for key in taken.index:
            step = (taken.loc[key] - taken.loc[base]).dropna()
            if key == base or step.empty:
                continue
            points = float((shares.loc[key] - shares.loc[base]).abs().sum() / 2)
            out.append({"lawn": lawn, "error": float(step.mean()), "n": len(step),
                        "points": points, "state": key[1], "print": key[2] != "own",
                        "phone": key[3] != 0, "day": key[4] != 0,
                        "doubt": float(others.loc[key, "stated"]),
                        "doubt_base": float(others.loc[base, "stated"])})  # fmt: skip
    return pd.DataFrame(out)


def _constants(
    parts: dict[str, float],
    print_known: float,
    moved: pd.DataFrame,
    doubt: np.ndarray,
    least: float,
) -> tuple[float, dict[str, float]]:
    sd = {name: max(parts[name], least) for name in ("day", "phone", "print")}
    photo = max(parts["residual"], least)
    points = moved_points(moved["points"])
    renewed = (moved["state"] >= 3).to_numpy()
    fixed = doubt * photo**2 / moved["n"].to_numpy()
    shared = doubt * sum(np.where(moved[name], sd[name] ** 2, 0.0) for name in sd)
    other = doubt * renewed
    error = moved["error"].to_numpy()

    def unlikely(theta: np.ndarray) -> float:
        point, grass = theta
        variance = fixed + shared + (point * points) ** 2 + other * grass**2
        return float(np.sum(np.log(variance) + error**2 / variance))

    scale = float(np.sqrt(np.mean(error**2))) + least
    start = [scale / max(float(np.sqrt(np.mean(points**2))), 1.0), 0.3 * scale]
    best = minimize(unlikely, start, bounds=[(0, None), (0, None)], method="L-BFGS-B")
    point, grass = (float(max(v, 0.0)) for v in best.x)
    moving = (point * points) ** 2 + other * grass**2
    found = (moved["state"] == 0).to_numpy()
    near = _factor(error[found], fixed[found] + moving[found], shared[found])
    still = fixed + near**2 * shared
    far = _factor(error[~found], still[~found], moving[~found]) if (~found).any() else 1.0
    made = {name: near * sd[name] for name in ("day", "phone")}
    made |= {"print_nominal": near * sd["print"], "print_known": near * max(print_known, least)}
    made |= {"grass": far * grass, "point": far * point}
    return float(best.fun), {name: float(f"{value:.3g}") for name, value in made.items()}


def _factor(error: np.ndarray, fixed: np.ndarray, part: np.ndarray) -> float:
    """Return by what a part must grow for 95 % of the errors to lie within 1.96 of the whole."""
    for factor in np.geomspace(0.7, 3.0, 60):
        if np.mean(error**2 <= 1.96**2 * (fixed + factor**2 * part)) >= 0.95:
            return float(factor)
    return 3.0


def stored(constants: dict[str, dict[str, float]], rows: pd.DataFrame) -> str:
    """Return the constants as the file that the program reads."""
    lawns = {w: int(rows.loc[rows["world"] == w, "lawn"].nunique()) for w in WORLDS}
    lines = [
        f'    "{name}": {{' + ", ".join(f'"{p}": {constants[name][p]:g}' for p in PARTS) + "}"
        for name in MEASURES
        if name in constants
    ]
    made = json.dumps({"by": "benchmarks/studies/change_errors.py", "method": method_version(),
                       "lawns": lawns})  # fmt: skip
    return '{\n  "made": ' + made + ',\n  "measures": {\n' + ",\n".join(lines) + "\n  }\n}\n"


def splits(rows: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame, pd.DataFrame]]:
    """Yield name, rows to fit on and rows to check on."""
    for world in WORLDS:
        own = rows["world"] == world
        if own.any() and not own.all():
            yield f"fitted on {world}, checked on the other", rows[own], rows[~own]
    lawns = sorted(rows["lawn"].unique())
    for part in range(min(FOLDS, len(lawns))):
        left = rows["lawn"].isin(lawns[part::FOLDS])
        if left.any() and not left.all():
            yield "lawns left out", rows[~left], rows[left]


def report(
    rows: pd.DataFrame,
    constants: dict[str, dict[str, float]],
    table: pd.DataFrame,
    *,
    quick: bool = False,
) -> str:
    """Return the tables of the checks, as Markdown."""
    checks = [(name, fit(a)[0], b) for name, a, b in splits(rows)]
    shown = table.rename(columns={"residual": "photo", "print": "print, found"})
    parts = ["Errors of one photo, standard deviations by REML (lawns as found), and the "
             "constants made of them:", _markdown(shown)]  # fmt: skip
    parts += ["Where nothing changed (four photos a visit, dealt out over all lights, phones and "
              "prints):", _markdown(unchanged(checks))]  # fmt: skip
    parts += ["Changes of lawns that the constants were not fitted on, by points of change:",
              _markdown(by_change(checks))]  # fmt: skip
    parts += ["Real changes called, four paired photos a visit, simulated with the parts above:",
              _markdown(power(constants, table, rounds=20 if quick else 100))]  # fmt: skip
    return "\n\n".join(parts) + "\n"


def _markdown(table: pd.DataFrame) -> str:
    def cell(value: object) -> str:
        if isinstance(value, float):
            return "" if np.isnan(value) else f"{value:.3g}"
        return str(value)

    lines = ["| " + " | ".join(table.columns) + " |", "| " + "--- | " * len(table.columns)]
    lines += ["| " + " | ".join(cell(v) for v in row) + " |" for row in table.itertuples(False)]
    return "\n".join(line.rstrip() for line in lines)


BEGIN, END = "<!-- changes -->", "<!-- end of changes -->"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lawns", type=int, default=6, help="of each world")
    parser.add_argument("--rows", type=Path, help="folder in which scored rows are kept")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true", help=f"write {TARGET}")
    parser.add_argument("--markdown", type=Path, help="put the tables between its marks")
    parser.add_argument("--quick", action="store_true", help="a small run that proves it works")
    options = parser.parse_args()
    lawns, states = (1, 2) if options.quick else (options.lawns, 5)
    begin = time.time()
    rows = pd.concat([
        scored_lawns(w, range(SEED, SEED + lawns), folder=options.rows, jobs=options.jobs,
                     states=states) for w in WORLDS
    ], ignore_index=True)  # fmt: skip
    scored = rows["status"] == "scored"
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}")
    print(f"{lawns} lawns of each world, {int(scored.sum())} of {len(rows)} scores "
          f"({time.time() - begin:.0f} s); refused: "
          f"{rows.loc[~scored, 'reason'].value_counts().to_dict()}")  # fmt: skip
    constants, table = fit(rows)
    if options.write:
        TARGET.write_text(stored(constants, rows), encoding="utf-8")
    text = report(rows, constants, table, quick=options.quick)
    print(text)
    if options.markdown:
        page = options.markdown.read_text(encoding="utf-8")
        head, rest = page.split(BEGIN)
        tail = rest.split(END)[1]
        options.markdown.write_text(head + BEGIN + "\n\n" + text + "\n" + END + tail, "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
