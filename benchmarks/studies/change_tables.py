"""The tables of `change_errors.py`: changes of lawns that the constants were not fitted on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pandas as pd

from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import WORK
from lawnscore.history import change_error
from lawnscore.history.change_error import Parts
from lawnscore.history.changes import changes
from lawnscore.history.visits import visit_scores

SHOWN = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct", "colour_index", "condition",
         "casts_per_m2", "evenness")  # fmt: skip
SCARIFIED = 3
"""State from which a renovation lies between."""
CLASSES = ((0, 5), (5, 20), (20, 60))
"""Points of true change of the ground."""
Constants = dict[str, dict[str, float]]
Check = tuple[str, Constants, pd.DataFrame]


@contextmanager
def using(constants: Constants) -> Iterator[None]:
    """Let the program use other constants for a while."""
    kept = change_error.error_parts
    own = {name: Parts(**parts) for name, parts in constants.items()}
    change_error.error_parts = lambda: own
    try:
        yield
    finally:
        change_error.error_parts = kept


def as_photos(rows: pd.DataFrame, lawn: pd.Series, date: pd.Series) -> pd.DataFrame:
    """Return scored rows as a photo table: one print is one card, one phone one camera."""
    columns = [c for name in MEASURES for c in (name, f"{name}_se")]
    return rows[[*columns, "area_m2", "status"]].assign(
        lawn=lawn, zone="all", spot=rows["spot"], date=date, stage="check",
        card=rows["print"], camera="phone " + rows["phone"].astype(str), version="1",
        settings_id="1", colour_reference=rows["source"],
    )  # fmt: skip


def compared(rows: pd.DataFrame, constants: Constants) -> pd.DataFrame:
    """Return the change of each taking of a lawn against the lawn as found, with the true one."""
    rows = rows[(rows["status"] == "scored") & (rows["source"] == "nominal")]
    found = (rows["state"] == 0) & (rows["print"] == "own")
    found &= (rows["phone"] == 0) & (rows["day"] == 0)
    parts, truths = [], []
    keys = ["lawn", "state", "print", "phone", "day"]
    for key, later in rows[~found].groupby(keys):
        first = rows[found & (rows["lawn"] == key[0])]
        if first.empty:
            continue
        name = " ".join(str(k) for k in key)
        for part, date in ((first, "2024-05-01"), (later, "2024-06-01")):
            parts.append(as_photos(part, name, date))
        step = {"lawn": name, "state": key[1]}
        step |= {"other": (key[2] != "own") + 2 * (key[3] != 0)}
        both = first.merge(later, on="spot", suffixes=("", "_later"))
        for m in MEASURES:
            step[m] = float((both[f"{m}_true_later"] - both[f"{m}_true"]).mean())
        shares = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct")
        step["points"] = float(sum(abs(step[n]) for n in shares) / 2)
        truths.append(step)
    photos = pd.concat(parts, ignore_index=True)
    with using(constants):
        table = changes(visit_scores(photos), photo_scores=photos, work=_work(truths))
    table = table[table["kind"] == "visit"].astype({"lawn": object, "measure": object})
    true = pd.DataFrame(truths).melt(["lawn", "state", "other", "points"], list(MEASURES),
                                     "measure", "true")  # fmt: skip
    return table.merge(true.dropna(), on=["lawn", "measure"])


def _work(truths: list[dict[str, object]]) -> pd.DataFrame:
    """Return the work that lies between: a lawn scarified, and later grown back."""
    done = [t["lawn"] for t in truths if int(str(t["state"])) >= SCARIFIED]
    return WORK.frame([{"date": "2024-05-02", "lawn": lawn, "zone": "all", "task": "scarify"}
                       for lawn in done])  # fmt: skip


def by_change(checks: list[Check]) -> pd.DataFrame:
    """Return coverage, half width and RMSE by measure and points of true change."""
    out = []
    for how in dict.fromkeys(name for name, _, _ in checks):
        table = pd.concat([compared(rows, c) for name, c, rows in checks if name == how])
        for m in SHOWN:
            own = table[table["measure"] == m]
            if own.empty:
                continue
            inside = (own["low"] <= own["true"]) & (own["true"] <= own["high"])
            row: dict[str, object] = {"checked": how, "measure": m, "changes": len(own),
                                      "holds, %": 100 * float(inside.mean())}  # fmt: skip
            for low, high in CLASSES:
                part = own[(own["points"] >= low) & (own["points"] < high)]
                error = part["change"] - part["true"]
                half = float((part["high"] - part["low"]).median() / 2)
                hold = float(inside[part.index].mean()) if len(part) else np.nan
                row[f"{low} to {high} points: holds, % (half width; RMSE)"] = (
                    f"{100 * hold:.0f} ({half:.3g}; {np.sqrt((error**2).mean()):.3g})"
                    if len(part) else ""
                )  # fmt: skip
            out.append(row)
    return pd.DataFrame(out)


def unchanged(checks: list[Check], seed: int = 1) -> pd.DataFrame:
    """Return SD and half width of changes where nothing changed, visits of four photos.

    All photos of a lawn as found are dealt out to visits of four, two of each spot: every light,
    phone and print among them. ``one phone and print`` takes the photos of those alone, two spots
    a visit, another day each.
    """
    rng = np.random.default_rng(seed)
    left_out = [(c, rows) for name, c, rows in checks if name == "lawns left out"]
    tables: dict[str, list[pd.DataFrame]] = {"dealt": [], "one": []}
    for constants, rows in left_out or [(c, rows) for _, c, rows in checks]:
        rows = rows[(rows["status"] == "scored") & (rows["source"] == "nominal")]
        rows = rows[rows["state"] == 0]
        dealt, one = [], []
        for lawn, own in rows.groupby("lawn"):
            visit = own.groupby("spot")["spot"].transform(
                lambda s: rng.permutation(np.arange(len(s)) // 2)
            )
            dealt.append(as_photos(own, lawn, "2024-05-0" + (visit + 1).astype(str)))
            same = own[(own["print"] == "own") & (own["phone"] == 0)]
            one.append(as_photos(same, lawn, "2024-05-0" + (same["day"] + 1).astype(str)))
        for name, photos in (("dealt", pd.concat(dealt)), ("one", pd.concat(one))):
            with using(constants):
                table = changes(visit_scores(photos), photo_scores=photos)
            tables[name].append(table[table["kind"] == "visit"])
    out = []
    for m in SHOWN:
        row: dict[str, object] = {"measure": m}
        for name, words in (("dealt", "all mixed"), ("one", "one phone and print")):
            table = pd.concat(tables[name])
            own = table[(table["measure"] == m) & table["low"].notna()]
            row[f"{words}: SD of the change"] = float(np.sqrt((own["change"] ** 2).mean()))
            row[f"{words}: half width"] = float((own["high"] - own["low"]).median() / 2)
            row[f"{words}: would show"] = float(own["smallest_detectable"].median())
        out.append(row)
    return pd.DataFrame(out)


def power(constants: Constants, parts: pd.DataFrame, *, rounds: int, seed: int = 2) -> pd.DataFrame:
    """Return how often a true change is called, four photos of the same spots a visit.

    Errors are drawn with the parts of the table; same card and phone, another day. What differs
    from spot to spot stays there but for a step aside (a quarter of 5 points' variance). Nothing
    but the measure in question changes, and where nothing changes at all any call is false.
    """
    rng = np.random.default_rng(seed)
    sd = parts.set_index("measure")
    level = {"green_cover_pct": 75.0, "straw_cover_pct": 15.0, "bare_soil_pct": 9.0,
             "colour_index": 0.55, "condition": 70.0, "evenness": 85.0}  # fmt: skip
    spread = {"green_cover_pct": 5.0, "straw_cover_pct": 4.0, "bare_soil_pct": 3.0,
              "colour_index": 0.015, "condition": 4.0, "evenness": 3.0}  # fmt: skip
    used = [m for m in level if m in sd.index]
    steps = {"nothing": {},
             "cover 5 points down": {"green_cover_pct": -5.0, "straw_cover_pct": 5.0},
             "colour index 0.03 down": {"colour_index": -0.03}}  # fmt: skip
    photos = []
    for case, step in steps.items():
        for n in range(rounds):
            own = {m: rng.normal(0, spread[m], 4) for m in used}
            for late in (0, 1):
                shared = {m: rng.normal(0, sd.loc[m, "day"]) for m in used}
                for spot in range(4):
                    row = {"lawn": f"{case} {n}", "spot": "ABCD"[spot], "area_m2": 1.0}
                    for m in used:
                        apart = rng.normal(0, np.hypot(sd.loc[m, "residual"], spread[m] / 2))
                        row[m] = level[m] + late * step.get(m, 0.0) + own[m][spot] + shared[m]
                        row[m] += apart
                        row[f"{m}_se"] = constants[m]["typical"]
                    photos.append(row | {"date": f"2024-0{5 + late}-01"})
    table = pd.DataFrame(photos).assign(
        zone="all", stage="check", status="scored", card="one", camera="one", version="1",
        settings_id="1", colour_reference="nominal",
    )  # fmt: skip
    with using(constants):
        found = changes(visit_scores(table), photo_scores=table)
    found = found[found["kind"] == "visit"].astype({"lawn": object, "measure": object})
    found["case"] = found["lawn"].str.rsplit(" ", n=1).str[0]
    clear = found["verdict"].isin(["better", "worse"])
    out = []
    for case, step in steps.items():
        own = found[found["case"] == case]
        called = clear[own.index]
        if not step:
            any_call = called.groupby(own["lawn"]).any()
            out.append({"true change": case, "called, %": 100 * float(any_call.mean()),
                        "what": "any measure, falsely"})  # fmt: skip
        for m in step:
            mine = own["measure"] == m
            out.append({"true change": case, "called, %": 100 * float(called[mine].mean()),
                        "what": m})  # fmt: skip
    return pd.DataFrame(out)
