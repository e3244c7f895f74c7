"""The tables of `same_lawn.py`: which parts of an error last, by measure and change of the lawn."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lawnscore.contract.measures import MEASURES, SURFACE_SHARES

NEAR_POINTS = 10.0
"""Change of the ground up to which a lawn counts as hardly changed, points."""
DISTANCES = (0.0, 3.0, 6.0, 10.0, 15.0, 25.0, 40.0, 100.0)
"""Edges of the classes of change: half the sum of the shares' changes as measured, points."""


def pairs_of_visits(scores: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Return one row a pair of visits of a lawn: products of errors, in stated variances.

    Columns: ``lawn``, ``points`` of change, ``visit`` (mean square of the error of either visit),
    ``lasts`` (product of the two visits' errors), ``replaced`` (the same with another card at one
    of them), ``renewed`` (other grass).
    """
    z = (scores[measure] - scores[f"{measure}_true"]) / scores[f"{measure}_se"]
    piece = scores.assign(z=z).pivot_table(index=["lawn", "visit"], columns="piece", values="z")
    shares = scores.groupby(["lawn", "visit"])[list(SURFACE_SHARES)].mean()
    kind = scores.groupby(["lawn", "visit"])["kind"].first()
    parts = []
    piece = piece.dropna()
    cover = shares.reindex(piece.index).to_numpy()
    grown = kind.reindex(piece.index).to_numpy() == "regrown"
    z0, z1, z2 = piece.to_numpy().T if len(piece) else np.zeros((3, 0))
    own = (z0 + z1) / 2
    for lawn, rows in piece.groupby(level=0).indices.items():
        i, j = rows[np.array(np.triu_indices(len(rows), 1))]
        part = {
            "points": np.abs(cover[i] - cover[j]).sum(axis=1) / 2,
            "visit": ((z0 * z1)[i] + (z0 * z1)[j]) / 2,
            "lasts": own[i] * own[j],
            "replaced": (own[i] * z2[j] + own[j] * z2[i]) / 2,
            "renewed": grown[i] | grown[j],
        }
        parts.append(pd.DataFrame(part).assign(lawn=lawn))
    return pd.concat(parts) if parts else pd.DataFrame()


def left(pairs: pd.DataFrame, seed: int = 0) -> tuple[float, float]:
    """Return the stated variance left in a difference, and its standard error (bootstrap)."""
    by_lawn = (pairs["visit"] - pairs["lasts"]).groupby(pairs["lawn"]).agg(["sum", "size"])
    rng = np.random.default_rng(seed)
    drawn = by_lawn.to_numpy()[rng.integers(len(by_lawn), size=(500, len(by_lawn)))].sum(axis=1)
    return float((pairs["visit"] - pairs["lasts"]).mean()), float(np.std(drawn[:, 0] / drawn[:, 1]))


def tables(scores: pd.DataFrame, source: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the parts of the error by measure, and what is left by change of the ground."""
    scores = scores[scores["source"] == source]
    parts, by_change = [], []
    for name in MEASURES:
        error = scores[name] - scores[f"{name}_true"]
        pairs = pairs_of_visits(scores, name)
        if pairs.empty:
            continue
        near = pairs[~pairs["renewed"] & (pairs["points"] < NEAR_POINTS)]
        renewed = pairs[pairs["renewed"] & (pairs["points"] < NEAR_POINTS)]
        row = {"measure": name, "bias": error.mean(), "rmse": np.sqrt((error**2).mean())}
        row |= {"whole": ((error / scores[f"{name}_se"]) ** 2).mean()}
        row |= {"visit": near["visit"].mean(), "lasts": near["lasts"].mean()}
        row["left"], row["se"] = left(near) if len(near) else (np.nan, np.nan)
        row["left_renewed"] = (renewed["visit"] - renewed["lasts"]).mean()
        row["left_replaced"] = (near["visit"] - near["replaced"]).mean()
        parts.append(row)
        classes = pd.cut(pairs["points"], DISTANCES)
        cells = {
            f"{k.left:g}-{k.right:g}": "{:.2f} ({:.2f})".format(*left(part))
            for k, part in pairs.groupby(classes, observed=True)
        }
        by_change.append({"measure": name} | cells)
    return pd.DataFrame(parts), pd.DataFrame(by_change)
