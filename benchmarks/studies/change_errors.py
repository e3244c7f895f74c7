"""What a change between two visits errs by: the constants of `lawnscore/history/change_error.py`.

On lawns of which card, phone, light, spot and sward are changed one at a time and together
(`change_worlds.py`; two worlds, each with its own renderer):

* variance components of each measure's error by REML (`variance_parts.py`): lawn, its state, print
  of the card, phone, day, spot, and what is left from photo to photo;
* what each point of change of the ground, each unit of change of the leaf's colour, and other grass
  add, by maximum likelihood, the changes being those that were measured;
* what of these is used, and whether it goes with the error that the photos state, by the interval
  score of lawns left out;
* a factor on the parts of a lawn as it was, and one on those of a lawn that has changed, so that
  95 % of the differences of lawns left out lie within 1.96 standard deviations (`change_fit.py`).

Then the whole way (`visit_scores`, `changes`) is tried on lawns that nothing was fitted on, drawn
with seeds of their own; the tables are of those.

    python -m benchmarks.studies.change_errors --rows DIR --write              the constants
    python -m benchmarks.studies.change_errors --rows DIR --markdown docs/ACCURACY.md
    python -m benchmarks.studies.change_errors --quick                         proves that it runs

Photos and their truth are kept in DIR, and rows by method: with a new network the photos are scored
anew and not rendered again.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from benchmarks.pages import put_between
from benchmarks.studies.change_fit import Constants, fit
from benchmarks.studies.change_tables import by_change, called, one_photo, power, unchanged
from benchmarks.studies.change_worlds import WORLDS, scored_lawns
from lawnscore.contract.measures import MEASURES
from lawnscore.history.change_error import PARTS
from lawnscore.photo.method import method_version

TARGET = Path("lawnscore/history/change_errors.json")
SEED, CHECK_SEED = 60_000, 120_000
"""First lawn that is fitted on, and first that is checked on."""


def stored(constants: Constants, rows: pd.DataFrame) -> str:
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


def report(
    check: pd.DataFrame, constants: Constants, parts: pd.DataFrame, *, quick: bool = False
) -> str:
    """Return the tables of the checks, as Markdown."""
    shown = parts.rename(columns={"residual": "photo", "print": "print, found"})
    said = [
        "Errors of one photo, standard deviations by REML, and the constants made of them:",
        _markdown(shown.loc[:, ~shown.columns.duplicated(keep="last")]),
        f"The rest is of {check['lawn'].nunique()} other lawns, with seeds that chose nothing. "
        "Where nothing changed:",
        _markdown(unchanged(check, constants)),
        "Changes by points of true change, two spots a visit, in other lights and with other "
        "phones and cards among them:",
        _markdown(by_change(check, constants)),
        "Of the same changes, how many get a verdict (Holm's correction over all measures), by how "
        "many steps the measure truly changed:",
        _markdown(called(check, constants)),
        "The error of a real change, one photo each, in another light and with another phone:",
        _markdown(one_photo(check)),
        "Real changes called, four paired photos a visit, simulated with the parts above:",
        _markdown(power(constants, parts, check, rounds=20 if quick else 100)),
    ]
    return "\n\n".join(said) + "\n"


def _markdown(table: pd.DataFrame) -> str:
    def cell(value: object) -> str:
        if isinstance(value, float):
            return "" if np.isnan(value) else f"{value:.3g}"
        return str(value)

    lines = ["| " + " | ".join(table.columns) + " |", "| " + "--- | " * len(table.columns)]
    lines += ["| " + " | ".join(cell(v) for v in row) + " |" for row in table.itertuples(False)]
    return "\n".join(line.rstrip() for line in lines)


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
    # a quick run checks on the lawn that it was fitted on, and so claims nothing
    seeds = (SEED, SEED) if options.quick else (SEED, CHECK_SEED)
    found = [
        pd.concat([
            scored_lawns(w, range(seed, seed + lawns), folder=options.rows, jobs=options.jobs,
                         states=states) for w in WORLDS
        ], ignore_index=True) for seed in dict.fromkeys(seeds)
    ]  # fmt: skip
    rows, check = found[0], found[-1]
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}")
    for name, table in (("fitted on", rows), ("checked on", check)):
        scored = table["status"] == "scored"
        refused = table.loc[~scored, "reason"].value_counts().to_dict()
        print(f"{name} {lawns} lawns of each world: {int(scored.sum())} of {len(table)} scores, "
              f"refused: {refused}")  # fmt: skip
    looked = time.time()
    constants, parts = fit(rows)
    if options.write:
        TARGET.write_text(stored(constants, rows), encoding="utf-8")
    text = report(check, constants, parts, quick=options.quick)
    print(f"photos {looked - begin:.0f} s, the rest {time.time() - looked:.0f} s\n")
    print(text)
    if options.markdown:
        put_between(options.markdown, "changes", text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
