"""What do a photo, a row, a visit and a lawn cost in CPU and bytes, and what does handing over?

    python -m benchmarks.speed.scaling          a photo of 12 megapixels, 20 of them on 10 lawns
    python -m benchmarks.speed.scaling --quick  3 megapixels and little of all

Figures of docs/scaling.md. CPU is that of the process that does the work, so that other work on the
machine counts little, and stands beside the CPU of one photo. The cluster is a real scheduler in
this process and a worker in another: what is counted is what the first one spends. PostgreSQL is
started for the run where its programs are installed.
"""

from __future__ import annotations

import argparse
import hashlib
import logging
import os
import platform
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")

import numpy as np

from benchmarks.speed.batch import LAWNS, make_round
from benchmarks.speed.history import make_visits, make_weather
from benchmarks.speed.score import SEED, one_core, render_apart

HAND_OVER_BYTES = 4_000_000
TODAY = "2026-09-01"


def cpu(action: Callable[[], object]) -> float:
    """Return the CPU that one call takes here and in processes that end with it, s."""
    began = _cpu()
    action()
    return _cpu() - began


def _cpu() -> float:
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + ended.ru_utime + ended.ru_stime


def bytes_in(folder: Path, pattern: str = "*") -> int:
    """Return the size of the files of a folder and those below."""
    return sum(path.stat().st_size for path in folder.rglob(pattern) if path.is_file())


def scored(base: Path, picture: Path, n_photos: int) -> tuple[float, dict[str, float]]:
    """Score a round here; return the CPU of a photo alone and what the run leaves a photo."""
    from lawnscore import score_photo, score_round

    make_round(base, picture.read_bytes(), n_photos)
    score_photo(picture)
    alone = statistics.median(cpu(lambda: score_photo(picture)) for _ in range(5))
    score_round(base, today=TODAY)
    left = {
        "photo itself": float(picture.stat().st_size),
        "row of the ledger": (base / ".lawnscore/ledger.sqlite3").stat().st_size / n_photos,
        "row of photo_scores.csv": (base / "reports/photo_scores.csv").stat().st_size / n_photos,
    }
    return alone, left


def reported(base: Path, n_photos: int) -> tuple[list[tuple[str, float]], dict[str, float]]:
    """Write the reports; return CPU by photo and by lawn, and bytes."""
    from lawnscore.report import write_reports
    from lawnscore.report.pictures import PICTURES

    before = bytes_in(base / "reports")
    drawn = cpu(lambda: write_reports(base, pictures="all", today=TODAY))
    for page in (base / "reports").rglob("*.html"):
        page.unlink()
    pages = cpu(lambda: write_reports(base, pictures="none", today=TODAY))
    times = [
        ("pictures of a photo for the reports", (drawn - pages) / n_photos),
        ("pages of a lawn", pages / LAWNS),
    ]
    left = {
        "pictures of a photo": bytes_in(base / PICTURES) / n_photos,
        "pages of a lawn": (bytes_in(base / "reports") - before) / LAWNS,
    }
    return times, left


def visits(n_lawns: int) -> tuple[list[tuple[str, float]], dict[str, float]]:
    """Make the history of many visits; return CPU and bytes of one row of visits."""
    from lawnscore.history.attention import attention
    from lawnscore.history.changes import changes
    from lawnscore.history.recovery import recovery
    from lawnscore.scoring.tables import write_table

    rows, work = make_visits(n_lawns, 5, SEED)
    weather = make_weather(5)
    frames: dict[str, Any] = {"visit_scores": rows}

    def all_tables() -> None:
        frames["changes"] = changes(rows, work=work)
        frames["recovery"] = recovery(rows, work, weather)
        frames["attention"] = attention(rows, work, weather)

    took = cpu(all_tables)
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "reports").mkdir()
        written = cpu(lambda: [write_table(folder, name, frames[name]) for name in frames])
        size = {name: (Path(folder) / "reports" / f"{name}.csv").stat().st_size for name in frames}
    n = len(rows)
    times = [("history of a visit row", took / n), ("tables of a visit row, written", written / n)]
    return times, {f"{name}.csv, a visit row": size[name] / n for name in frames}


def nothing(_item: object) -> int:
    """Do nothing, so that what is left is the handing over."""
    return 0


class Copies:
    """So many photos of one content, each its own bytes, made when asked for."""

    def __init__(self, n: int, size: int) -> None:
        self.n = n
        self.content = os.urandom(size)

    def __len__(self) -> int:
        return self.n

    def __getitem__(self, index: int) -> bytes:
        return self.content + index.to_bytes(8, "big")  # as a file is read


def handed_over(n: int) -> Iterator[tuple[str, float]]:
    """Yield what the first process spends on an item of a cluster and of local processes."""
    from lawnscore.scoring.processes import Processes

    for name, size in (("sent along", HAND_OVER_BYTES), ("by its address", 100)):
        items: Any = Copies(n, size)
        began = time.process_time()
        list(Processes(1).each_done(nothing, items))
        spent = time.process_time() - began
        yield f"handing a photo to a process, {name}", spent / n
    try:
        import distributed
    except ImportError:
        print("- no cluster: distributed is not installed")
        return
    from lawnscore.scoring.cluster import Cluster

    logging.getLogger("distributed").setLevel(logging.ERROR)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, protocol="tcp://", dashboard_address="127.0.0.1:0"
    ) as cluster:
        runner = Cluster(cluster.scheduler_address)
        list(runner.each_done(nothing, Copies(5, 100)))
        for name, size in (("sent along", HAND_OVER_BYTES), ("by its address", 100)):
            items = Copies(n, size)
            began = time.process_time()
            list(runner.each_done(nothing, items))
            spent = time.process_time() - began
            yield f"handing a photo to a cluster, {name}", spent / n


def one_kept(base: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return a row of the round's ledger and what is kept beside it."""
    from lawnscore.register.folder import open_round
    from lawnscore.scoring.ledger import Ledger
    from lawnscore.scoring.method import method_of

    with Ledger(base) as ledger:
        _, row, extra = next(ledger.extras(method_of(open_round(base), None)))
    return row, extra


def kept(
    row: dict[str, Any], extra: dict[str, Any], n: int
) -> tuple[list[tuple[str, float]], dict[str, float]]:
    """Keep a row under many hashes, in a file and in PostgreSQL; return CPU and bytes of one."""
    from lawnscore.scoring.ledger import Ledger, Method
    from lawnscore.scoring.shared_ledger import SharedLedger

    method = Method("0", "settings", "card")
    hashes = [hashlib.sha256(str(k).encode()).hexdigest() for k in range(n)]
    times, left = [], {}
    with tempfile.TemporaryDirectory() as folder, Ledger(folder) as ledger:
        spent = cpu(lambda: [ledger.keep_score(one, method, row, extra) for one in hashes])
        times.append(("keeping a row in the round's ledger", spent / n))
    for address in database():
        with tempfile.TemporaryDirectory() as folder:
            shared = SharedLedger(address, Path(folder))
            with Ledger(folder, shared) as ledger:
                both = cpu(lambda: [ledger.keep_score(one, method, row, extra) for one in hashes])
                times.append(("and in a shared one besides", (both - spent) / n))
                times.append(("saying at the end what is held",
                              cpu(lambda: ledger.share(hashes, method)) / n))  # fmt: skip
                left["row of a shared ledger, with its keys"] = database_bytes(address) / n
            with Ledger(folder + "/other", SharedLedger(address, Path(folder))) as other:
                times.append(("taking a row over from a shared one",
                              cpu(lambda: other.fetch(hashes, method)) / n))  # fmt: skip
    return times, left


def database() -> Iterator[str]:
    """Yield the address of a server of its own, where PostgreSQL is installed."""
    from urllib.parse import quote

    import pytest

    from tests.scoring import postgres

    try:
        with postgres.running() as host:
            secret = quote(postgres.PASSWORD, safe="")
            yield f"postgresql://{postgres.USER}:{secret}@{host}/postgres"
    except pytest.skip.Exception as reason:
        print(f"- no shared ledger: {reason}")


def database_bytes(address: str) -> int:
    """Return the size of our tables with their indexes."""
    import sqlalchemy as sa

    names = ("lawnscore_scores", "lawnscore_holdings")
    size = " + ".join(f"pg_total_relation_size('{name}')" for name in names)
    engine = sa.create_engine(address.replace("postgresql:", "postgresql+psycopg:", 1))
    with engine.connect() as db:
        found = db.scalar(sa.text(f"SELECT {size}"))
    engine.dispose()
    return int(found)


def main(arguments: list[str] | None = None) -> int:
    """Print the tables; exit status 0 whatever the figures are."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=int, default=20)
    parser.add_argument("--quick", action="store_true", help="3 megapixels, and little of all")
    options = parser.parse_args(arguments)
    n_photos, n_lawns, n, n_rows = (10, 10, 20, 50) if options.quick else (
        options.photos, 200, 200, 3000
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as scratch:
        picture, base = Path(scratch) / "picture.jpg", Path(scratch) / "round"
        render_apart(picture, size="quick" if options.quick else "usual")
        with one_core():
            alone, left = scored(base, picture, n_photos)
            row, extra = one_kept(base)
            times, more = reported(base, n_photos)
            left |= more
        more_times, more = visits(n_lawns)
        times += more_times
        left |= more
        more_times, more = kept(row, extra, n_rows)
        times += more_times
        left |= more
        times += list(handed_over(n))
    print(f"{'CPU':46}{'ms':>10}  of a photo")
    print(f"{'a photo alone':46}{1e3 * alone:10.2f}  1")
    for name, took in times:
        print(f"{name:46}{1e3 * took:10.2f}  {took / alone:.4f}")
    print(f"{'bytes':46}{'':10}  of a photo")
    for name, size in left.items():
        print(f"{name:46}{size:10.0f}  {size / left['photo itself']:.4f}")
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, {platform.machine()}, "
          f"seed {SEED}")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
