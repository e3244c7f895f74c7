"""The arithmetic of the study of what lasts, on errors made to measure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchmarks.studies import same_lawn_tables as study
from lawnscore.contract.measures import MEASURES, SURFACE_SHARES

LASTING, PASSING, PIECE = 0.6, 0.3, 0.5


@pytest.fixture(scope="module")
def scores() -> pd.DataFrame:
    """Return 100 lawns of 4 visits of 3 photos that err by known parts; the last has changed."""
    rng = np.random.default_rng(8)
    rows = []
    for lawn in range(100):
        lasts = rng.normal(0, np.sqrt(LASTING))
        for visit, points in enumerate((0.0, 1.0, 2.0, 20.0)):
            shared = lasts + rng.normal(0, np.sqrt(PASSING))
            for piece in range(3):
                row = {"lawn": f"l{lawn:03d}", "visit": visit, "piece": piece, "kind": "spring"}
                row |= {"source": "measured"} | dict.fromkeys(SURFACE_SHARES, 20.0)
                for name in MEASURES:
                    row |= {f"{name}_se": 2.0, f"{name}_true": row.get(name, 20.0) - points}
                    error = shared + rng.normal(0, np.sqrt(PIECE))
                    row[name] = row[f"{name}_true"] + 2.0 * error
                rows.append(row)
    return pd.DataFrame(rows)


def test_the_parts_of_an_error_are_found(scores: pd.DataFrame) -> None:
    parts, by_change = study.tables(scores, "measured")
    row = parts.set_index("measure").loc["green_cover_pct"]
    assert row["whole"] == pytest.approx(LASTING + PASSING + PIECE, rel=0.1)
    assert row["visit"] == pytest.approx(LASTING + PASSING, rel=0.15)
    assert row["lasts"] == pytest.approx(LASTING, rel=0.2)
    # the chance of one piece of ground is in neither, so none of it is left in a difference
    assert row["left"] == pytest.approx(PASSING, abs=3 * row["se"])
    assert 0.01 < row["se"] < 0.06
    assert by_change.columns[0] == "measure"
    assert by_change.columns[-1] != "0-3"


def test_no_pairs_of_a_measure_that_is_unknown(scores: pd.DataFrame) -> None:
    assert study.pairs_of_visits(scores.assign(leaf_L=np.nan), "leaf_L").empty
