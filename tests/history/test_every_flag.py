"""Every flag is raised by a history made to deserve it, and not by that history's quiet twin.

Only the public `attention` is asked. A twin differs in the one thing that makes the flag: the whole
round moves alike, the wet days are warm, the gap is a week shorter.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lawnscore import attention
from lawnscore.contract.flags import FLAGS
from lawnscore.contract.tables import LAWNS
from tests.history.rounds import START, day, regrown, visit, visits, work

N_LAWNS, N_MONTHS = 12, 15
LAST_DAY = 30 * (N_MONTHS - 1) + 4
LEVELS = {  # usual value, spread between visits, standard error
    "green_cover_pct": (86.0, 2.0, 2.0),
    "colour_index": (0.42, 0.008, 0.01),
    "casts_per_m2": (6.0, 1.0, 1.5),
    "bare_patch_pct": (1.0, 0.3, 0.5),
}
Asked = dict[str, Any]


def months(moves: dict[str, float] | None = None, *, alike: bool = False) -> list[dict[str, Any]]:
    """Return monthly visits; in the last two `l03` (or every lawn) has moved by `moves`."""
    rng = np.random.default_rng(5)
    rows = []
    for i in range(N_LAWNS):
        for month in range(N_MONTHS):
            row = visit(f"l{i:02d}", 30 * month + i % 5, 0.0)
            for name, (usual, spread, se) in LEVELS.items():
                moved = (moves or {}).get(name, 0.0) if month >= N_MONTHS - 2 else 0.0
                value = usual + rng.normal(0, spread) + moved * (alike or i == 3)
                value = max(value, 0.0)
                row |= {name: value, f"{name}_low": value - 1.96 * se}
                row |= {f"{name}_high": value + 1.96 * se}
            rows.append(row)
    return rows


def drifted(measure: str, move: float) -> Callable[[bool], Asked]:
    return lambda quiet: {"visit_scores": visits(months({measure: move}, alike=quiet))}


def recovering(quiet: bool) -> Asked:
    rows = [row for row in months() if row["date"] < day(260)]
    for i in range(N_LAWNS):
        lawn, days_to_95 = f"l{i:02d}", 220 if i == 3 and not quiet else 40
        rows += [visit(lawn, 260, 86, "before"), visit(lawn, 260, 50, "after")]
        rows += [visit(lawn, 260 + t, regrown(86, 50, days_to_95, t)) for t in (14, 28, 45, 60)]
    done = work(*((f"l{i:02d}", 260, "scarify") for i in range(N_LAWNS)))
    return {"visit_scores": visits(rows), "work": done}


def zones(quiet: bool) -> Asked:
    other = 82 if quiet else 68
    rows = [visit("l03", 30 * month + 3, other) | {"zone": "side"} for month in range(N_MONTHS)]
    return {"visit_scores": visits(months() + rows)}


def away(quiet: bool) -> Asked:
    last = 153  # of l03, in June: grass grows in all of the 70 days that are allowed by default
    rows = [row for row in months() if row["lawn"] != "l03" or row["date"] <= day(last)]
    return {"visit_scores": visits(rows), "today": day(last + (70 if quiet else 71))}


def refused(quiet: bool) -> Asked:
    rows = months()
    last = max((row for row in rows if row["lawn"] == "l03"), key=lambda row: row["date"])
    last |= {"photos": 3, "refused": 1} if quiet else {"photos": 1, "refused": 3}
    return {"visit_scores": visits(rows)}


def wet(quiet: bool) -> Asked:
    days = np.arange(LAST_DAY + 1)
    mean_c = np.where(days > LAST_DAY - 5, 20.0 if quiet else 7.0, 14.0)
    wetness = np.where(days > LAST_DAY - 5, 14.0, 2.0)
    record = pd.DataFrame(
        {"date": (START + days).astype(str), "mean_c": mean_c, "leaf_wetness_h": wetness}
    )
    register = [
        {"lawn": f"l{i:02d}", "zone": "all", "shade": "full" if i == 3 else "none"}
        for i in range(N_LAWNS)
    ]
    return {"visit_scores": visits(months()), "weather": record, "lawns": LAWNS.frame(register)}


HISTORIES: dict[str, Callable[[bool], Asked]] = {
    "cover falling": drifted("green_cover_pct", -16.0),
    "recovery slow": recovering,
    "bare patches growing": drifted("bare_patch_pct", 14.0),
    "colour fading": drifted("colour_index", -0.09),
    "casts rising": drifted("casts_per_m2", 45.0),
    "uneven": zones,
    "disease weather": wet,
    "not visited": away,
    "photos too poor": refused,
}


def raised(asked: Asked) -> set[tuple[str, str]]:
    table = attention(**asked)
    return set(zip(table["lawn"], table["flag"], strict=True))


def test_every_flag_of_the_registry_has_its_history() -> None:
    assert set(HISTORIES) == set(FLAGS)


@pytest.mark.parametrize("flag", HISTORIES)
def test_a_made_history_raises_its_flag_and_no_other(flag: str) -> None:
    assert raised(HISTORIES[flag](False)) == {("l03", flag)}


@pytest.mark.parametrize("flag", HISTORIES)
def test_its_quiet_twin_raises_nothing(flag: str) -> None:
    assert raised(HISTORIES[flag](True)) == set()


def test_what_stood_so_in_the_same_season_a_year_before_is_no_rise() -> None:
    """Casts of `l03` rise in two months of winter; a year before they stood so too."""
    rows = months({"casts_per_m2": 45.0})
    for row in rows[3 * N_MONTHS + 1 : 3 * N_MONTHS + 4]:
        for end in ("", "_low", "_high"):
            row[f"casts_per_m2{end}"] += 45.0
    assert raised({"visit_scores": visits(rows)}) == set()
