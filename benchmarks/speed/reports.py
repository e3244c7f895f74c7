"""How long the reports of a round take, and how that grows: 1, 12 and 125 lawns, 12 visits each.

The round is invented (tables from a seed, green noise for pictures). For each size:

* all pages from pictures that are already drawn (the usual case after the first run),
* the same again with nothing changed, and with one lawn changed, as shares of that,
* one of our small charts against the same chart by Matplotlib, side by side.

Drawing the pictures of new photos is scoring work and is measured with the photos
(`benchmarks/speed/score.py`); here every picture is at hand.

Run it as ``python -m benchmarks.speed.reports``; ``--quick`` takes 1, 3 and 6 lawns.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pandas as pd

TARGET_S = 60.0  # 125 lawns x 12 visits on two cores
SIZES, QUICK_SIZES = (1, 12, 125), (1, 3, 6)
N_VISITS, N_PHOTOS = 12, 4
N_CHARTS = 30


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="1, 3 and 6 lawns with 4 visits")
    parser.add_argument("--lawns", type=int, nargs="*", help="other numbers of lawns")
    parser.add_argument("--pdf", action="store_true", help="PDF too")
    parser.add_argument("--seed", type=int, default=7)
    options = parser.parse_args()
    sizes = options.lawns or (QUICK_SIZES if options.quick else SIZES)
    visits = 4 if options.quick else N_VISITS
    _print_environment()
    with tempfile.TemporaryDirectory() as folder:  # libraries are loaded once
        time_reports(Path(folder) / "round", 1, visits, options)
    print(
        f"{'lawns':>6} {'wall s':>8} {'CPU s':>8} {'CPU s a lawn':>13} {'unchanged':>10} ", end=""
    )
    print(f"{'one changed':>12} {'MB':>7}   (shares of the CPU of all pages)")
    for lawns in sizes:
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder) / "round"
            (_, wall, cpu), again, changed = time_reports(home, lawns, visits, options)
            files = [path.stat() for path in (home / "reports").rglob("*") if path.is_file()]
            size_mb = sum(stat.st_size for stat in files) / 1e6
            print(f"{lawns:6} {wall:8.1f} {cpu:8.1f} {cpu / lawns:13.2f} ", end="")
            print(f"{again[2] / cpu:10.0%} {changed[2] / cpu:12.0%} {size_mb:7.0f}", flush=True)
    (_, ours, _), (_, theirs, _) = _time_charts()
    print(f"\na chart by Matplotlib takes {theirs / ours:.0f} times as long as ours")
    if max(sizes) == max(SIZES):
        met = "met" if wall <= TARGET_S else "missed"
        print(f"target: {lawns} lawns x {visits} visits in {TARGET_S:.0f} s: {met}")


def time_reports(
    folder: Path, lawns: int, visits: int, options: argparse.Namespace
) -> list[tuple[str, float, float]]:
    from lawnscore.report import write_reports
    from lawnscore.scoring.tables import write_table
    from tests.report import invented

    maker = invented.RoundMaker(options.seed)
    for k in range(lawns):
        maker.lawn(f"lawn {k + 1}", n_visits=visits, n_photos=N_PHOTOS, flag=k % 5 == 0)
    frames = maker.frames()
    invented.write_round(folder, frames, business="Invented Lawn Care")
    _stamp_pictures(invented, folder, frames)
    name = f"{lawns} lawns x {visits} visits x {N_PHOTOS} photos"
    out = [_timed(f"{name}, all pages", lambda: write_reports(folder, pdf=options.pdf))]
    out.append(_timed("again, nothing changed", lambda: write_reports(folder, pdf=options.pdf)))
    frames["visit_scores"].loc[0, "green_cover_pct"] += 1
    write_table(folder, "visit_scores", frames["visit_scores"])
    out.append(_timed("again, one lawn changed", lambda: write_reports(folder, pdf=options.pdf)))
    return out


def _stamp_pictures(invented: Any, folder: Path, frames: dict[str, pd.DataFrame]) -> None:
    """Give every photo pictures of a real size (1700 x 1300 mm at 1 mm a pixel), few originals."""
    from lawnscore.report.load import rows_of
    from lawnscore.report.pictures import PICTURES, keep_pictures, picture_key

    home = folder / PICTURES
    covers = (40, 60, 80)
    for cover in covers:
        picture = invented.turf_picture(cover, cover, size=(1300, 1700))
        keep_pictures(
            home,
            f"original{cover}",
            ground=picture,
            seen=np.hstack([picture, picture]),
            origin_mm=(-500.0, -300.0),
            mm_per_px=1.0,
        )
    for k, row in enumerate(rows_of(frames["photo_scores"])):
        for end in ("-ground.jpg", "-seen.jpg", ".json"):
            os.link(
                home / f"original{covers[k % len(covers)]}{end}", home / f"{picture_key(row)}{end}"
            )


def _timed(what: str, job: Callable[[], object]) -> tuple[str, float, float]:
    wall, cpu = time.perf_counter(), _cpu_s()
    job()
    return what, time.perf_counter() - wall, _cpu_s() - cpu


def _cpu_s() -> float:
    """CPU time of this process and of its finished children."""
    return sum(os.times()[:4])


def _time_charts() -> list[tuple[str, float, float]]:
    from lawnscore.report.charts import Reading, to_svg, trend_chart

    rng = np.random.default_rng(1)
    days = 739_000 + 30 * np.arange(12)
    cover = rng.uniform(40, 90, 12)
    readings = [Reading(float(d), c, c - 4, c + 4) for d, c in zip(days, cover, strict=True)]

    def ours() -> str:
        chart = trend_chart(
            readings,
            y_range=(0.0, 100.0),
            y_label=lambda v: f"{v:g}",
            x_label=lambda d, _: f"{d:%b %y}",
        )
        return str(to_svg(chart))

    return [
        _median("one chart, ours (median)", ours),
        _median("one chart, Matplotlib (median)", lambda: _by_matplotlib(days, cover)),
    ]


def _by_matplotlib(days: np.ndarray, cover: np.ndarray) -> str:
    import io

    from matplotlib.figure import Figure

    with matplotlib.rc_context({"svg.fonttype": "none"}):
        figure = Figure(figsize=(5, 2.6))
        axes = figure.subplots()
        axes.errorbar(days - 719_163, cover, yerr=4, marker="o")
        axes.xaxis_date()
        axes.set_ylim(0, 100)
        out = io.StringIO()
        figure.savefig(out, format="svg")
    return out.getvalue()


def _median(what: str, draw: Callable[[], str]) -> tuple[str, float, float]:
    draw()
    times = [_timed(what, draw)[1:] for _ in range(N_CHARTS)]
    return what, statistics.median(t[0] for t in times), statistics.median(t[1] for t in times)


def _print_environment() -> None:
    load = os.getloadavg()[0]
    print(f"Python {platform.python_version()}, Matplotlib {matplotlib.__version__}, ", end="")
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}")


if __name__ == "__main__":
    main()
