"""The tables of `change_errors.py`: changes of lawns that the constants were not fitted on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pandas as pd

from benchmarks.studies.change_fit import Constants
from lawnscore.contract.measures import MEASURES
from lawnscore.contract.tables import WORK
from lawnscore.history import change_error
from lawnscore.history.change_error import Parts
from lawnscore.history.changes import changes
from lawnscore.history.visits import visit_scores

SHOWN = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct", "colour_index", "condition",
         "casts_per_m2", "evenness")  # fmt: skip
STEPS = {"green_cover_pct": 5.0, "straw_cover_pct": 5.0, "bare_soil_pct": 5.0,
         "colour_index": 0.03, "condition": 5.0}  # fmt: skip
"""Changes that a practitioner would want to know of."""
CLASSES = ((0, 5), (5, 20), (20, 100))
"""Points of true change of the ground."""
SHARES = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct")
BEGUN = pd.Timestamp("2024-05-01T10:00:00")
LATER_DAYS, SEASON_DAYS = 60, 180
"""Days to a later state; and to an aged card, which is the same card."""
TAKING = ["lawn", "state", "print", "phone", "day"]


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


def as_photos(rows: pd.DataFrame, lawn: object, date: object) -> pd.DataFrame:
    """Return scored rows as a photo table: one print is one card, one phone one camera.

    A card that has faded is still the same card; each day is another light.
    """
    columns = [c for name in MEASURES for c in (name, f"{name}_se")]
    when = BEGUN + pd.to_timedelta(rows["day"], unit="D")
    return rows[[*columns, "area_m2", "status"]].assign(
        lawn=lawn, zone="all", spot=rows["spot"], date=date, stage="check",
        card=rows["print"].replace("aged", "own"), camera="phone " + rows["phone"].astype(str),
        version="1", settings_id="1", colour_reference=rows["source"],
        taken_at=when.dt.strftime("%Y-%m-%dT%H:%M:%S"),
    )  # fmt: skip


def compared(rows: pd.DataFrame, constants: Constants) -> pd.DataFrame:
    """Return the change of each taking of a lawn against the lawn as found, with the true one."""
    rows = rows[(rows["status"] == "scored") & (rows["source"] == "nominal")]
    found = _as_found(rows)
    parts, truths = [], []
    for key, later in rows[~found].groupby(TAKING):
        first = rows[found & (rows["lawn"] == key[0])]
        if first.empty:
            continue
        name = " ".join(str(k) for k in key)
        days = SEASON_DAYS if key[2] == "aged" else LATER_DAYS
        for part, after in ((first, 0), (later, days)):
            date = (BEGUN + pd.Timedelta(days=after)).strftime("%Y-%m-%d")
            parts.append(as_photos(part, name, date))
        step = {"lawn": name, "state": key[1], "other": key[2] == "other" or key[3] != 0}
        both = first.merge(later, on="spot", suffixes=("", "_later"))
        for m in MEASURES:
            step[m] = float((both[f"{m}_true_later"] - both[f"{m}_true"]).mean())
        step["points"] = float(sum(abs(step[n]) for n in SHARES) / 2)
        truths.append(step)
    photos = pd.concat(parts, ignore_index=True)
    with using(constants):
        table = changes(visit_scores(photos), photo_scores=photos, work=_work(truths))
    table = table[table["kind"] == "visit"].astype({"lawn": object, "measure": object})
    true = pd.DataFrame(truths).melt(["lawn", "state", "other", "points"], list(MEASURES),
                                     "measure", "true")  # fmt: skip
    return table.merge(true.dropna(), on=["lawn", "measure"])


def _as_found(rows: pd.DataFrame) -> pd.Series:
    first = (rows["state"] == 0) & (rows["print"] == "own")
    return first & (rows["phone"] == 0) & (rows["day"] == 0)


def _work(truths: list[dict[str, object]]) -> pd.DataFrame:
    """Return the work that lies between: a lawn scarified the day before, or long ago."""
    done = {3: "2024-06-29", 4: "2024-05-02"}
    return WORK.frame([{"date": done[int(str(t["state"]))], "lawn": t["lawn"], "zone": "all",
                        "task": "scarify"} for t in truths if t["state"] in done])  # fmt: skip


def by_change(check: pd.DataFrame, constants: Constants) -> pd.DataFrame:
    """Return coverage, half width and RMSE by measure and points of true change."""
    table = compared(check, constants)
    table = table[table["low"].notna()]
    table["inside"] = (table["low"] <= table["true"]) & (table["true"] <= table["high"])
    table["error"] = table["change"] - table["true"]
    table["half"] = (table["high"] - table["low"]) / 2
    out = []
    for m in SHOWN:
        own = table[table["measure"] == m]
        if own.empty:
            continue
        each = own.groupby(own["lawn"].str.split(" ").str[0])["inside"].mean()
        row: dict[str, object] = {
            "measure": m, "changes": len(own), "lawns": len(each),
            "holds, %": f"{100 * own['inside'].mean():.1f} "
                        f"± {196 * each.std() / max(len(each), 1) ** 0.5:.1f}",
        }  # fmt: skip
        for low, high in CLASSES:
            part = own[(own["points"] >= low) & (own["points"] < high)]
            row[f"{low} to {high} points: holds, % (half width; RMSE)"] = (
                f"{100 * part['inside'].mean():.0f} ({part['half'].median():.3g}; "
                f"{np.sqrt((part['error'] ** 2).mean()):.3g})" if len(part) else ""
            )  # fmt: skip
        out.append(row)
    return pd.DataFrame(out)


def called(check: pd.DataFrame, constants: Constants) -> pd.DataFrame:
    """Return how often changes of the check lawns get a verdict, and how often the wrong way.

    By how far a measure truly changed, in its own unit's steps; wrong is a verdict whose sign is
    not that of the true change. Among the pairs are other lights, phones and cards.
    """
    table = compared(check, constants)
    table = table[table["low"].notna()]
    table["clear"] = table["verdict"].astype(object).isin(["better", "worse"])
    table["wrong"] = table["clear"] & (np.sign(table["change"]) != np.sign(table["true"]))
    out = []
    for m, step in STEPS.items():
        own = table[table["measure"] == m]
        size = own["true"].abs() / step
        row: dict[str, object] = {"measure": m, "step": step}
        for low, high in ((0.0, 0.4), (0.4, 1.0), (1.0, 2.4), (2.4, 5.0), (5.0, np.inf)):
            part = own[(size >= low) & (size < high)]
            name = f"{low:g} to {high:g} steps" if np.isfinite(high) else f"over {low:g}"
            row[f"{name}: called, % (wrong way, of)"] = (
                f"{100 * part['clear'].mean():.0f} ({part['wrong'].sum()}, {len(part)})"
                if len(part) else ""
            )  # fmt: skip
        out.append(row)
    return pd.DataFrame(out)


def unchanged(check: pd.DataFrame, constants: Constants, seed: int = 1) -> pd.DataFrame:
    """Return SD and half width of changes where nothing changed.

    ``all mixed``: all photos of a lawn as found with its own card dealt out to visits of four, two
    of each spot, every light and phone among them. ``one light a visit``: one phone, two spots,
    the visits in other lights.
    """
    rng = np.random.default_rng(seed)
    rows = check[(check["status"] == "scored") & (check["source"] == "nominal")]
    rows = rows[rows["print"] == "own"]
    dealt, one = [], []
    for (lawn, state), own in rows.groupby(["lawn", "state"]):
        name = f"{lawn} {state}"
        if state == 0:
            visit = own.groupby("spot")["spot"].transform(
                lambda s: rng.permutation(np.arange(len(s)) // 2)
            )
            dealt.append(as_photos(own, name, "2024-05-0" + (visit + 1).astype(str)))
        same = own[own["phone"] == 0]
        one.append(as_photos(same, name, "2024-05-0" + (same["day"] % 10 + 1).astype(str)))
    columns: dict[str, pd.DataFrame] = {}
    for words, photos in (("all mixed", pd.concat(dealt)), ("one light a visit", pd.concat(one))):
        with using(constants):
            table = changes(visit_scores(photos), photo_scores=photos)
        columns[words] = table[(table["kind"] == "visit") & table["low"].notna()]
    out = []
    for m in SHOWN:
        row: dict[str, object] = {"measure": m}
        for words, table in columns.items():
            own = table[table["measure"] == m]
            row[f"{words}: SD of the change"] = float(np.sqrt((own["change"] ** 2).mean()))
            row[f"{words}: half width"] = float((own["high"] - own["low"]).median() / 2)
            inside = (own["low"] <= 0) & (own["high"] >= 0)
            row[f"{words}: holds, %"] = 100 * float(inside.mean())
            row[f"{words}: would show"] = float(own["smallest_detectable"].median())
        out.append(row)
    return pd.DataFrame(out)


def one_photo(check: pd.DataFrame) -> pd.DataFrame:
    """Return RMSE and median error of changes of one spot, one photo each.

    The later photo is of another state, with another phone and in another light.
    """
    rows = check[(check["status"] == "scored") & (check["source"] == "nominal")]
    first = rows[_as_found(rows)]
    later = rows[(rows["state"] > 0) & (rows["phone"] > 0)]
    both = first.merge(later, on=["world", "lawn", "spot"], suffixes=("", "_later"))
    out = []
    for m in SHOWN:
        true = both[f"{m}_true_later"] - both[f"{m}_true"]
        error = both[f"{m}_later"] - both[m] - true
        if not error.notna().any():
            continue
        row: dict[str, object] = {"measure": m, "changes": int(error.notna().sum()),
                                  "true change, RMS": float(np.sqrt((true**2).mean()))}  # fmt: skip
        for world, own in [("all", error), *error.groupby(both["world"])]:
            row[f"RMSE, {world}"] = float(np.sqrt((own**2).mean()))
        out.append(row | {"median size of the error": float(error.abs().median())})
    return pd.DataFrame(out)


def leaf_per_index(rows: pd.DataFrame) -> float:
    """Return by how much a leaf's colour truly changes (CIE 1976) with one unit of colour index."""
    leaf = ["leaf_L", "leaf_a", "leaf_b", "colour_index"]
    true = rows[rows["colour_index_true"].notna()].groupby(["lawn", "state"])[
        [f"{name}_true" for name in leaf]
    ].mean()  # fmt: skip
    step = true - true.groupby("lawn").transform("first")
    size = np.linalg.norm(step.iloc[:, :3], axis=1)
    moved = step["colour_index_true"].abs().to_numpy()
    return float(np.median(size[moved > 0] / moved[moved > 0])) if (moved > 0).any() else 100.0


def power(
    constants: Constants, parts: pd.DataFrame, check: pd.DataFrame, *, rounds: int, seed: int = 2
) -> pd.DataFrame:
    """Return how often a true change is called, four photos of the same spots a visit.

    Errors are drawn with the parts of the table; same card and phone, another day. What differs
    from spot to spot stays there but for a step aside (a quarter of 5 points' variance). Nothing
    but the measure in question changes (with the colour index the leaf's lightness, by as much as
    leaf of the lawns of ``check`` did), and where nothing changes at all any call is false.
    """
    rng = np.random.default_rng(seed)
    sd = parts.set_index("measure")
    level = {"green_cover_pct": 75.0, "straw_cover_pct": 15.0, "bare_soil_pct": 9.0,
             "colour_index": 0.55, "condition": 70.0, "evenness": 85.0}  # fmt: skip
    spread = {"green_cover_pct": 5.0, "straw_cover_pct": 4.0, "bare_soil_pct": 3.0,
              "colour_index": 0.015, "condition": 4.0, "evenness": 3.0}  # fmt: skip
    used = [m for m in level if m in sd.index]
    leaf = 0.03 * leaf_per_index(check)
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
                    row |= {"leaf_a": -15.0, "leaf_b": 25.0, "leaf_L": 40.0}
                    row["leaf_L"] += late * leaf * ("colour_index" in step)
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
