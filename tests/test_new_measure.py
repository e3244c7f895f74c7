"""A measure is added by one entry of the registry: tables, history and reports take it as it is.

In a process of its own, since the registry is read when modules are imported.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd

ADD_ONE = """
import sys
from pathlib import Path
from lawnscore.contract.measures import MEASURES, Measure

new = Measure("moss_cover_pct", "moss on the ground", "share", -1, 0, 100, True)
MEASURES[new.name] = new

import lawnscore
from lawnscore.contract.tables import LAWNS, OUTPUT_TABLES, PHOTO_SCORES
from lawnscore.report import write_reports
from lawnscore.scoring.tables import write_table
from tests.history.rounds import photo

folder = Path(sys.argv[1])
rows = [
    photo("a", day, photo=f"{day}-{k}.jpg", spot=f"s{k}", card="c", version="1", settings_id="s",
          green_cover_pct=80 + k, green_cover_pct_se=2.0,
          moss_cover_pct=5 + k + moved, moss_cover_pct_se=2.0)
    for day, moved in ((0, 0), (30, 30)) for k in range(5)
]
photos = PHOTO_SCORES.frame(rows)
visits = lawnscore.visit_scores(photos)
tables = {
    "photo_scores": photos,
    "visit_scores": visits,
    "changes": lawnscore.changes(visits, photo_scores=photos),
    "recovery": OUTPUT_TABLES["recovery"].frame([]),
    "attention": lawnscore.attention(visits),
}
(folder / "round.toml").write_text("")
(folder / "lawns.csv").write_text("lawn,zone,area_m2\\na,all,90\\n")
for name, table in tables.items():
    write_table(folder, name, table)
write_reports(folder)
"""


def test_a_new_measure_needs_no_other_change(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", ADD_ONE, str(tmp_path)],
        cwd=Path(__file__).resolve().parent.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    visits = pd.read_csv(tmp_path / "reports" / "visit_scores.csv")
    assert visits["moss_cover_pct"].tolist() == [7, 37]
    assert (visits["moss_cover_pct_low"] < visits["moss_cover_pct"]).all()
    changes = pd.read_csv(tmp_path / "reports" / "changes.csv").set_index("measure")
    assert changes.loc["moss_cover_pct", "verdict"] == "worse"
    page = (tmp_path / "reports" / "lawns" / "a.html").read_text(encoding="utf-8")
    assert "Moss on the ground" in page
